"""What plants need from day to day: in the ground, in containers, newly planted."""

from __future__ import annotations

import dataclasses
from datetime import date, timedelta
from itertools import pairwise
from math import nan

import pytest
from hypothesis import given
from hypothesis import strategies as st

from scheduler.agronomy import young
from scheduler.agronomy.et0 import ReferenceEt
from scheduler.agronomy.need import (
    APPLICATION_EFFICIENCY,
    PlantDay,
    RootZone,
    advance_day,
    available_mm,
    daily_need_l,
    full_root_zone,
    plant_need,
)
from scheduler.agronomy.weather import DayWeather
from scheduler.site.model import Plant

START = date(2022, 7, 1)

SHRUB = Plant("shrub", "Shrub", "sage", 0.7854, rank=2, soil="loam", plant_factor=0.5)
POT = Plant("pot", "Tomato", "tomato", 0.5, rank=1, container_l=40.0, planted=date(2022, 5, 1))
FIG = Plant("fig", "Fig", "fig", 0.6, rank=1, soil="loam", planted=START, trunk_diameter_m=0.0254)


def et(mm: float) -> ReferenceEt:
    return ReferenceEt(mm, "given", ())


def weather(i: int, rain_mm: float | None = 0.0) -> DayWeather:
    return DayWeather(START + timedelta(days=i), tmin_c=12.0, tmax_c=26.0, rain_mm=rain_mm)


def test_a_shrub_one_metre_wide_needs_2_18_litres_a_day():
    # ET0 x PF x area / efficiency by hand: 5 mm x 0.5 x 0.7854 m2 / 0.9.
    assert daily_need_l(SHRUB, 5.0, START) == pytest.approx(2.1817, abs=5e-5)


def test_seattles_long_dry_spell_asks_97_litres_of_a_square_metre_of_shrub():
    # Seattle 2012-07-23 to 09-08 by FAO-56 Eq 52: 194.3 mm of ET0; PF 0.5 on 1 m2: 97.2 L at the roots.
    square = dataclasses.replace(SHRUB, canopy_m2=1.0)
    asked = 48 * daily_need_l(square, 194.3 / 48, START) * APPLICATION_EFFICIENCY
    assert asked == pytest.approx(97.15, abs=0.05)


def test_a_full_root_zone_wants_nothing_and_is_not_due():
    for plant in (SHRUB, POT, FIG):
        need = plant_need(plant, full_root_zone(plant), START)
        assert (need.wanted_l, need.due, need.overdue) == (0.0, False, 0.0)


def test_watering_falls_due_when_the_readily_available_water_is_used():
    # FAO-56 p. 171. Loam 0.25 - 0.12 (middles of Table 19), sage 0.4 m, p 0.5: TAW 52, RAW 26 mm.
    assert available_mm(SHRUB) == pytest.approx(52.0)
    before = plant_need(SHRUB, RootZone("shrub", 25.9, None), START)
    after = plant_need(SHRUB, RootZone("shrub", 26.1, None), START)
    assert (before.due, after.due) == (False, True)
    assert after.overdue == pytest.approx(26.1 / 26.0)
    assert after.wanted_l == pytest.approx(26.1 * 0.7854 / 0.9)
    assert "26 mm used of 26 mm" in after.why


def test_with_todays_use_known_it_falls_due_before_the_water_runs_out():
    # ETc 5 leaves p as tabulated: 22 + 5 > 26 mm.
    zone = RootZone("shrub", 22.0, None)
    assert not plant_need(SHRUB, zone, START).due
    assert plant_need(SHRUB, zone, START, etc_mm=5.0).due


def test_what_is_wanted_refills_the_root_zone_exactly():
    for plant, depletion in ((SHRUB, 20.0), (POT, 6.0), (FIG, 7.0)):
        zone = RootZone(plant.id, depletion, None)
        need = plant_need(plant, zone, START)
        after = advance_day(plant, zone, weather(0), et(0.0), need.wanted_l)
        use_l = daily_need_l(plant, 0.0, START)  # nothing, but for a plant watered by age
        left_l = after.root_zone.depletion_mm * plant.canopy_m2 / APPLICATION_EFFICIENCY
        assert left_l == pytest.approx(use_l, abs=1e-9)
        assert after.root_zone.last_watered == START


def test_rain_is_credited_over_the_canopy_up_to_the_deficit():
    zone = RootZone("shrub", 8.0, None)
    day = advance_day(SHRUB, zone, weather(0, rain_mm=25.0), et(4.0), 0.0)
    # Room for 8 mm and the day's 2 mm of use.
    assert day.rain_credited_l == pytest.approx(10.0 * 0.7854)
    assert day.wanted_l == 0.0
    assert day.rain_refilled_l == pytest.approx(8.0 * 0.7854 / 0.9)
    assert day.root_zone.depletion_mm == 0.0


def test_a_sprinkle_is_not_credited():
    # FAO-56 p. 170: below 0.2 ET0.
    day = advance_day(SHRUB, RootZone("shrub", 8.0, None), weather(0, rain_mm=0.7), et(4.0), 0.0)
    assert day.rain_credited_l == 0.0


def test_unknown_rain_credits_nothing_and_says_so():
    day = advance_day(SHRUB, RootZone("shrub", 8.0, None), weather(0, rain_mm=None), et(4.0), 0.0)
    assert (day.rain_credited_l, day.rain_known) == (0.0, False)
    assert advance_day(SHRUB, day.root_zone, weather(1), et(4.0), 0.0).rain_known


def test_a_dry_plant_uses_less_and_shows_its_stress():
    fresh = advance_day(SHRUB, RootZone("shrub", 10.0, None), weather(0), et(6.0), 0.0)
    dry = advance_day(SHRUB, RootZone("shrub", 45.0, None), weather(0), et(6.0), 0.0)
    assert fresh.stress == 0.0
    assert 0.0 < dry.stress < 1.0
    assert dry.wanted_l < fresh.wanted_l


def test_a_container_is_due_every_summer_day_and_not_on_a_dull_one():
    # 0.25 x 40 L over 0.5 m2 holds 20 mm.
    assert available_mm(POT) == pytest.approx(20.0)
    zone, need = full_root_zone(POT), plant_need(POT, full_root_zone(POT), START)
    for i in range(5):
        zone = advance_day(POT, zone, weather(i), et(5.0), need.wanted_l).root_zone
        need = plant_need(POT, zone, START + timedelta(days=i + 1))
        assert need.due
    dull = advance_day(POT, full_root_zone(POT), weather(0), et(0.8), 0.0).root_zone
    assert not plant_need(POT, dull, START + timedelta(days=1)).due


def dose_days(rain: dict[int, float], days: int) -> tuple[list[int], list[float], list[PlantDay]]:
    """Water the fig whenever it is due, in the morning: the days, the litres, the days' accounts."""
    zone, when, litres, log = full_root_zone(FIG), [], [], []
    for i in range(days):
        need = plant_need(FIG, zone, START + timedelta(days=i))
        given_l = need.wanted_l if need.due else 0.0
        if need.due:
            when.append(i)
            litres.append(given_l)
        log.append(advance_day(FIG, zone, weather(i, rain.get(i, 0.0)), et(5.0), given_l))
        zone = log[-1].root_zone
    return when, litres, log


def test_a_new_tree_is_watered_daily_then_every_third_day_then_weekly():
    when, litres, _ = dose_days({}, 120)
    gaps = [b - a for a, b in pairwise(when)]
    assert set(gaps[:13]) == {1}
    assert set(gaps[14:36]) == {3}
    assert gaps[-4:] == [7] * 4
    dose = young.dose_l(FIG)
    assert litres[:14] == pytest.approx([dose] * 14)
    assert litres[-4:] == pytest.approx([dose] * 4)


def test_one_that_is_due_by_part_of_a_day_is_not_told_by_a_percent_less_than_a_dose():
    day, dose_mm = START + timedelta(days=119), APPLICATION_EFFICIENCY * young.dose_l(FIG) / FIG.canopy_m2
    zone = full_root_zone(FIG)

    def why(doses: float) -> tuple[bool, str]:
        need = plant_need(FIG, dataclasses.replace(zone, depletion_mm=doses * dose_mm), day)
        return need.due, need.why

    # Weekly by then: due from half a day's part of it less on, 1 - 0.5 / 7 = 0.93 of a dose.
    assert why(0.97) == (True, "newly planted: a dose every 7 days; nearly all of one has come up since")
    assert why(1.2)[0] and "120 % of one has come up since" in why(1.2)[1]
    assert not why(0.43)[0] and "43 % of one has come up since" in why(0.43)[1]


def test_what_a_new_tree_wants_adds_up_to_its_doses():
    _, litres, log = dose_days({}, 120)
    owed = log[-1].root_zone.depletion_mm * FIG.canopy_m2 / APPLICATION_EFFICIENCY
    assert sum(d.wanted_l for d in log) == pytest.approx(sum(litres) + owed)
    assert all(d.rain_refilled_l == 0.0 for d in log)


def test_rain_replaces_a_watering_of_a_new_tree():
    dry, _, _ = dose_days({}, 120)
    wet, _, _ = dose_days({dry[-3]: 30.0}, 120)
    assert dry[-3] in wet  # that morning's dose had gone out before the rain
    wet_before, _, _ = dose_days({dry[-3] - 1: 30.0}, 120)
    assert dry[-3] not in wet_before
    # The rain of the evening before stands in for that morning's dose; the next is due a week later.
    assert min(d for d in wet_before if d > dry[-3]) == dry[-3] + 7


def test_a_new_tree_is_owed_two_doses_at_most():
    zone = full_root_zone(FIG)
    for i in range(30):
        zone = advance_day(FIG, zone, weather(i), et(5.0), 0.0).root_zone
    need = plant_need(FIG, zone, START + timedelta(days=30))
    assert need.wanted_l == pytest.approx(2 * young.dose_l(FIG))
    assert need.overdue == pytest.approx(2.0)


@given(
    plant=st.sampled_from([SHRUB, POT, FIG]),
    days=st.lists(
        st.tuples(st.floats(0, 12), st.one_of(st.none(), st.floats(0, 60)), st.floats(0, 20)),
        min_size=1,
        max_size=40,
    ),
)
def test_every_litre_of_every_day_is_accounted_for(
    plant: Plant, days: list[tuple[float, float | None, float]]
):
    zone = full_root_zone(plant)
    change_l = 0.0
    for i, (et0_mm, rain_mm, given_l) in enumerate(days):
        day = advance_day(plant, zone, weather(i, rain_mm), et(et0_mm), given_l)
        assert min(day.wanted_l, day.rain_credited_l, day.rain_refilled_l, day.percolated_l) >= 0.0
        assert 0.0 <= day.stress <= 1.0
        assert day.root_zone.depletion_mm >= 0.0
        if plant is not FIG:
            assert day.root_zone.depletion_mm <= available_mm(plant)
        gross = day.wanted_l - day.rain_refilled_l - day.given_l + day.percolated_l
        change_l += gross * APPLICATION_EFFICIENCY
        zone = day.root_zone
    assert zone.depletion_mm * plant.canopy_m2 == pytest.approx(change_l, abs=1e-8)


@pytest.mark.parametrize("given_l", [-1.0, nan])
def test_water_that_cannot_be_is_refused(given_l: float):
    with pytest.raises(ValueError, match="cannot have been given"):
        advance_day(SHRUB, full_root_zone(SHRUB), weather(0), et(4.0), given_l)


@pytest.mark.parametrize(
    ("change", "says"),
    [
        ({"soil": None}, "neither in a soil nor in a container"),
        ({"soil": "moon-dust"}, "not in the soil table"),
        ({"canopy_m2": 0.0}, "must be above 0"),
        ({"kind": "moonflower"}, "not in the catalogue"),
    ],
)
def test_a_plant_that_cannot_be_reckoned_is_named(change: dict[str, object], says: str):
    broken = dataclasses.replace(SHRUB, **change)
    with pytest.raises(ValueError, match=says) as refused:
        plant_need(broken, full_root_zone(broken), START)
    assert "shrub" in str(refused.value)
