"""What a soil takes at once, against figures worked out by hand, and against a puddle stepped in time."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from scheduler.agronomy.intake import (
    SHORTEST_PULSE_S,
    SURFACE_MM,
    application_mm_h,
    longest_at_once_s,
    pause_s,
    puddle_diameter_m,
    pulses,
    surface_on_mm,
)
from scheduler.site.catalogue import SOILS


def test_a_dripper_on_a_small_spot_comes_faster_than_clay_takes_it() -> None:
    # 1 L on 1 m2 is 1 mm, so 2 L/h on 0.1 m2 is 20 mm/h; clay takes 1 to 5 mm/h (FAO Irrigation Water
    # Management training manual 5, Annex 2, as quoted).
    assert application_mm_h(2.0, 0.1) == pytest.approx(20.0)
    assert application_mm_h(2.0, 0.1) > 5.0 >= SOILS["clay"].intake_mm_h


def test_the_puddle_spreads_until_the_ground_takes_in_as_much_as_comes() -> None:
    # 2 L/h at 5 mm/h: 0.4 m2, a circle 0.714 m across (pi d^2 / 4).
    across = puddle_diameter_m(2.0, 5.0)
    assert across == pytest.approx(0.714, abs=5e-4)
    assert math.pi * across**2 / 4.0 * 5.0 == pytest.approx(2.0)


def test_the_soils_intake_rates_lie_within_the_quoted_ranges() -> None:
    # Final infiltration rates, mm/h: FAO manual 5, Annex 2 as quoted (sandy loam 20-30, loam 10-20,
    # clay 1-5), and the commonly quoted lower series (sandy loam 10-20, loam 5-10, clay 1-5). The rows keep
    # to the lower end, which is the safe one.
    for key, low, high in (("sandy-loam", 10, 30), ("loam", 5, 20), ("clay", 1, 5)):
        assert low <= SOILS[key].intake_mm_h <= high
        assert SOILS[key].intake_mm_h == low
    # New Mexico State University, final intake rate in cm/h: none of ours is faster than about its figure.
    measured = {"sand": 9.54, "loamy-sand": 6.21, "sandy-loam": 2.69, "loam": 1.03, "silt-loam": 0.51,
                "silt": 0.44, "silty-clay-loam": 0.26, "silty-clay": 0.18, "clay": 0.19}  # fmt: skip
    assert set(measured) == set(SOILS)
    assert all(SOILS[k].intake_mm_h <= 10.0 * cm_h for k, cm_h in measured.items())


def test_a_basin_that_takes_in_all_that_comes_needs_no_split() -> None:
    assert longest_at_once_s(2.0, 0.4, 5.0) == math.inf
    assert longest_at_once_s(2.0, 1.0, 5.0) == math.inf
    assert pulses(7200.0, math.inf, 3600.0) == pulses(7200.0, 7200.0, 3600.0)
    assert pulses(7200.0, math.inf, 3600.0).count == 1


def test_on_loam_the_pause_is_the_customary_hour() -> None:
    # No published pause was found; 30 to 60 minutes are customary (from memory). 5 mm at 5 mm/h: an hour.
    assert pause_s(SOILS["loam"].intake_mm_h) == pytest.approx(3600.0)
    assert pause_s(SOILS["sandy-loam"].intake_mm_h) == pytest.approx(1800.0)


def stepped(flow_lph: float, basin_m2: float, intake_mm_h: float, on_s: float, off_s: float, count: int):  # type: ignore[no-untyped-def]
    """Most water that stands in the basin, mm, with so many pulses, stepped second by second."""
    stands, most = 0.0, 0.0
    for _ in range(count):
        for seconds, flow in ((on_s, flow_lph), (off_s, 0.0)):
            for _ in range(round(seconds / 10.0)):
                stands = max(0.0, stands + (flow / basin_m2 - intake_mm_h) * 10.0 / 3600.0)
                most = max(most, stands)
    return most


@pytest.mark.parametrize(("flow", "basin", "intake"), [(4.0, 0.25, 5.0), (2.0, 0.3, 1.0), (8.0, 0.5, 10.0)])
def test_a_puddle_stepped_in_time_never_leaves_its_basin(flow: float, basin: float, intake: float) -> None:
    longest, soak = longest_at_once_s(flow, basin, intake), pause_s(intake)
    run = 3.3 * longest
    assert stepped(flow, basin, intake, run, 0.0, 1) > 2.0 * SURFACE_MM  # at one go it does
    split = pulses(run, longest, soak)
    assert split.count == 4 and split.count * split.pulse_s == pytest.approx(run)
    assert stepped(flow, basin, intake, split.pulse_s, split.pause_s, split.count) <= SURFACE_MM * 1.01
    assert split.whole_s == pytest.approx(run + 3 * soak)


@given(st.floats(1.0, 20_000.0), st.floats(1.0, 20_000.0), st.floats(1.0, 20_000.0))
def test_no_water_is_lost_by_splitting(run_s: float, longest_s: float, soak_s: float) -> None:
    found = pulses(run_s, longest_s, soak_s)
    assert found.count * found.pulse_s == pytest.approx(run_s)
    assert found.count == 1 or found.pulse_s >= SHORTEST_PULSE_S - 1e-6
    if found.pulse_s > longest_s:  # only where a shorter one would be none
        assert run_s / (found.count + 1) < SHORTEST_PULSE_S


@pytest.mark.parametrize(("flow", "intake"), [(2.0, 0.0), (-1.0, 5.0), (math.nan, 5.0)])
def test_a_soil_or_flow_that_cannot_be_is_refused(flow: float, intake: float) -> None:
    with pytest.raises(ValueError, match="cannot be"):
        puddle_diameter_m(flow, intake)
    with pytest.raises(ValueError, match="must be above 0"):
        application_mm_h(2.0, 0.0)
    with pytest.raises(ValueError, match="takes no water"):
        pause_s(0.0)


def test_ground_holds_from_five_millimetres_on_clay_to_ten_on_sand() -> None:
    # The ends are the trade's (from memory); between them finer ground never holds more.
    rates = sorted({s.intake_mm_h for s in SOILS.values()})
    held = [surface_on_mm(rate) for rate in rates]
    assert surface_on_mm(0.5) == surface_on_mm(1.0) == 5.0
    assert surface_on_mm(20.0) == surface_on_mm(60.0) == pytest.approx(10.0)
    assert held == sorted(held) and all(5.0 <= mm <= 10.0 for mm in held)
