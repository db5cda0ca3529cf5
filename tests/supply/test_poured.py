"""Litres poured in and levels read: the fit finds a tank unlike the drawn one, and knows how well."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from scheduler.site.model import Barrel, Tank
from scheduler.supply.poured import Pour, PouredFit, fit_poured
from scheduler.supply.stage import StageStorage, stage_storage

DRUM = Barrel("a", "upright", 0.0, 0.85, diameter_m=0.57)
DRAWN = stage_storage(Tank((DRUM, replace(DRUM, id="b")), outlet_height_m=0.06))
# What stands there: a wider drum, and one that bulges and stands a little lower.
TRUE_TANK = Tank(
    (
        replace(DRUM, diameter_m=0.59),
        Barrel("b", "taper", -0.01, 0.86, diameter_m=0.55, top_diameter_m=0.55, middle_diameter_m=0.62),
    ),
    outlet_height_m=0.06,
)
TRUE = stage_storage(TRUE_TANK)


def poured(seed: int, *, cans: int = 16, level_sd_m: float = 0.005) -> list[Pour]:
    """A can of 20 L again and again, each 1 % off and all of them 1 %, levels read by tape."""
    draw = np.random.default_rng(seed)
    can = 1.0 + 0.01 * draw.standard_normal()
    volume, out = 15.0, [Pour(0.0, TRUE.level_m(15.0) + level_sd_m * draw.standard_normal())]
    for _ in range(cans):
        volume += 20.0 * can * (1.0 + 0.01 * draw.standard_normal())
        out.append(Pour(20.0, TRUE.level_m(volume) + level_sd_m * draw.standard_normal()))
    return out


def test_the_true_litres_lie_within_the_stated_error_in_fifty_drawn_rounds():
    levels = np.linspace(0.1, 0.7, 7)
    far, off, drawn_off = [], [], []
    for seed in range(50):
        fit = fit_poured(DRAWN, poured(seed))
        for level in levels:
            true = TRUE.volume_l(level)
            far.append(abs(fit.volume_l(level) - true) / fit.volume_sd_l(level))
            off.append((fit.volume_l(level) - true) / TRUE.full_l)
            drawn_off.append((DRAWN.volume_l(level) - true) / TRUE.full_l)
    # A normal error is within two standard errors 95 times in 100; the seeds share levels, hence the room.
    assert 0.88 <= np.mean(np.array(far) < 2.0) <= 1.0
    assert np.sqrt(np.mean(np.square(off))) < 0.012
    assert np.sqrt(np.mean(np.square(drawn_off))) > 3 * np.sqrt(np.mean(np.square(off)))


def test_perfect_readings_are_met_to_a_tenth_of_a_litre():
    levels = np.linspace(0.05, 0.78, 9)
    litres = [TRUE.volume_l(level) for level in levels]
    pours = [Pour(0.0, levels[0])]
    pours += [Pour(b - a, level) for a, b, level in zip(litres, litres[1:], levels[1:], strict=False)]
    fit = fit_poured(DRAWN, pours, level_sd_m=1e-5, pour_sd_share=1e-5, can_sd_share=1e-5)
    between = [fit.volume_l(level) - fit.volume_l(levels[0]) for level in levels]
    assert between == pytest.approx([v - litres[0] for v in litres], abs=0.1)
    assert max(abs(r) for r in fit.residuals_l) < 0.1


def test_more_cans_make_it_surer_and_where_nothing_was_poured_it_stays_unsure():
    few, many = fit_poured(DRAWN, poured(1, cans=3)), fit_poured(DRAWN, poured(1, cans=16))
    assert many.volume_sd_l(0.6) < 0.6 * few.volume_sd_l(0.6)
    assert (few.lowest_m, few.highest_m) == (
        pytest.approx(0.03, abs=0.02),
        pytest.approx(0.14, abs=0.02),
    )
    # The tape measure alone: 10 % of the surface.
    assert few.volume_sd_l(0.79) / few.volume_l(0.79) > 0.04


def test_the_tank_with_the_fit_on_it_holds_the_fitted_litres():
    fit = fit_poured(DRAWN, poured(3))
    stage = stage_storage(fit.on(Tank((DRUM, replace(DRUM, id="b")), outlet_height_m=0.06)))
    for level in (0.0, 0.2, 0.5, 0.79):
        assert stage.volume_l(level) == pytest.approx(fit.volume_l(level), abs=1e-9)
    assert stage.level_m(stage.volume_l(0.4)) == pytest.approx(0.4)
    assert len(fit.levels_m) < 60


def test_a_can_that_was_not_counted_is_found_and_widens_the_error():
    pours = poured(4)
    pours[8] = replace(pours[8], added_l=40.0)
    good, bad = fit_poured(DRAWN, poured(4)), fit_poured(DRAWN, pours)
    assert good.doubtful == ()
    assert bad.doubtful
    assert bad.misfit is not None and bad.misfit > 2.0
    assert bad.volume_sd_l(0.5) > good.volume_sd_l(0.5)


def test_water_drawn_off_fits_as_well_as_water_poured_in():
    up = [Pour(0.0, TRUE.level_m(40.0)), *(Pour(50.0, TRUE.level_m(40.0 + 50.0 * n)) for n in range(1, 6))]
    down = [Pour(0.0, up[-1].level_m), *(Pour(-50.0, p.level_m) for p in reversed(up[:-1]))]
    one, other = fit_poured(DRAWN, up), fit_poured(DRAWN, down)
    assert one.volume_l(0.5) == pytest.approx(other.volume_l(0.5), rel=0.01)


def rises(fit: PouredFit) -> bool:
    return bool(np.all(np.diff(fit.levels_m) > 0.0) and np.all(np.diff(fit.volumes_l) >= 0.0))


@given(st.lists(st.tuples(st.floats(0.1, 200.0), st.floats(0.0, 0.3)), min_size=1, max_size=12))
def test_whatever_is_poured_water_never_falls_with_the_level(steps: list[tuple[float, float]]):
    level, pours = 0.02, [Pour(0.0, 0.02)]
    for litres, rise in steps:
        level = min(level + rise, DRAWN.brim_level_m)
        pours.append(Pour(litres, level))
    fit = fit_poured(DRAWN, pours)
    assert rises(fit)
    assert fit.volumes_l[0] == 0.0
    assert np.all(fit.sd_l >= 0.0) and np.all(np.isfinite(fit.sd_l))


def drums_over_a_step() -> StageStorage:
    return stage_storage(Tank((DRUM, replace(DRUM, id="b", base_height_m=0.3)), outlet_height_m=0.06))


def test_a_kink_of_the_drawn_barrels_is_kept():
    drawn = drums_over_a_step()
    exact = [
        Pour(0.0, 0.1),
        *(Pour(30.0, drawn.level_m(drawn.volume_l(0.1) + 30.0 * n)) for n in range(1, 6)),
    ]
    fit = fit_poured(drawn, exact)
    for level in (0.2, 0.24, 0.28, 0.4):
        assert fit.volume_l(level) == pytest.approx(drawn.volume_l(level), abs=0.05)


@pytest.mark.parametrize(
    ("pours", "why"),
    [
        ([Pour(0.0, 0.1)], "one reading tells no litres"),
        ([Pour(0.0, 0.1), Pour(20.0, float("nan"))], "reading 2 has no number"),
        ([Pour(0.0, -0.1), Pour(20.0, 0.2)], "reading 1 is below the outlet"),
        ([Pour(0.0, 0.1), Pour(20.0, 0.95)], "above the brim at 0.79 m"),
        (
            [Pour(0.0, 0.3), Pour(20.0, 0.2)],
            "reading 2: the level went from 0.3 m to 0.2 m with 20 L poured in",
        ),
    ],
)
def test_readings_that_cannot_be_are_refused_in_one_sentence(pours: list[Pour], why: str):
    with pytest.raises(ValueError, match=why):
        fit_poured(DRAWN, pours)
