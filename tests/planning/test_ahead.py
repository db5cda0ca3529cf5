"""How long the water lasts, what a top-up must be, and what would run over: laws and hand arithmetic."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta

import pytest

from scheduler.agronomy.weather import DayWeather
from scheduler.planning.ahead import Ahead, look_ahead
from scheduler.planning.garden import GardenModel, garden_model
from scheduler.site.model import Roof
from tests.support.gardens import dry_days, small_garden

FIRST = date(2012, 7, 20)


@pytest.fixture(scope="module")
def model() -> GardenModel:
    site = small_garden()
    thirsty = tuple(replace(p, canopy_m2=4.0 * p.canopy_m2) for p in site.plants)
    return garden_model(replace(site, plants=thirsty, roof=Roof(10.0, 0.8, 0.5)))


def looked(model: GardenModel, level_m: float, forecast: tuple[DayWeather, ...] | None = None) -> Ahead:
    days = dry_days(FIRST, 7) if forecast is None else forecast
    found = look_ahead(model, level_m=level_m, depletion_mm={}, first=FIRST, forecast=days)
    assert found is not None
    return found


def rainy(mm: float, on: int, probability: float = 1.0) -> tuple[DayWeather, ...]:
    days = list(dry_days(FIRST, 7))
    days[on] = replace(days[on], rain_mm=mm, rain_probability=probability)
    return tuple(days)


def test_more_water_never_lasts_less_surely(model: GardenModel) -> None:
    last = FIRST + timedelta(days=13)
    chances = [looked(model, level_m).chance_through(last) for level_m in (0.15, 0.3, 0.45, 0.6, 0.75)]
    assert chances == sorted(chances)
    assert chances[0] < 0.1 < chances[-1]


def test_the_top_up_is_enough_and_a_little_less_is_not(model: GardenModel) -> None:
    found, last = looked(model, 0.2), FIRST + timedelta(days=9)
    top_up = found.top_up_l(last)
    assert top_up is not None and top_up > 5.0

    def chance(more_l: float) -> float:
        level_m = model.stage.level_m(found.held_l + more_l)
        return looked(model, level_m).chance_through(last)

    assert chance(top_up + 0.5) >= 0.9
    assert chance(top_up - 3.0) < 0.9


def test_no_top_up_is_asked_for_where_the_store_lasts_and_none_helps_where_full_barrels_do_not(
    model: GardenModel,
) -> None:
    assert looked(model, 0.75).top_up_l(FIRST + timedelta(days=3)) == 0.0
    assert looked(model, 0.75).top_up_l(FIRST + timedelta(days=58)) is None


def test_an_empty_store_is_topped_up_at_once_and_the_visits_then_carry_through(model: GardenModel) -> None:
    """A plant that is due finds nothing this morning: the evening would be too late for it."""
    last, empty_m = FIRST + timedelta(days=9), model.reserve_level_m
    overdue = {p.id: 30.0 for p in model.site.plants}
    found = look_ahead(model, level_m=empty_m, depletion_mm=overdue, first=FIRST, forecast=dry_days(FIRST, 7))
    assert found is not None and found.days_left[1] == 0
    top_up, visits = found.top_up_l(last), found.visits(last)
    assert top_up is not None and visits is not None
    assert visits[0].day == FIRST and visits[0].at_once
    assert not any(v.at_once for v in visits[1:])
    assert sum(v.volume_l for v in visits) == pytest.approx(top_up, abs=2.0 * len(visits))
    filled = look_ahead(
        model,
        level_m=model.stage.level_m(found.held_l + visits[0].volume_l),
        depletion_mm=overdue,
        first=FIRST,
        forecast=dry_days(FIRST, 7),
    )
    assert filled is not None and filled.days_left[0] != 0


def test_what_an_evening_is_early_enough_for_is_not_called_for_at_once(model: GardenModel) -> None:
    found = look_ahead(
        model,
        level_m=0.1,
        depletion_mm={p.id: 1.0 for p in model.site.plants},
        first=FIRST,
        forecast=dry_days(FIRST, 7),
    )
    assert found is not None and found.days_left[0] in (1, 2)
    visits = found.visits(FIRST + timedelta(days=9))
    assert visits and visits[0].day == FIRST and not visits[0].at_once


def test_rain_on_full_barrels_runs_over_and_unsure_rain_is_no_promise(model: GardenModel) -> None:
    full_m = model.stage.brim_level_m
    assert looked(model, full_m).runs_over_l() == 0.0
    sure = looked(model, full_m, rainy(20.0, 1)).runs_over_l()
    # 10 m2 x (20 - 0.5) mm x 0.8 = 156 L when it falls as told; it is told to e^+-0.6, and some is drawn.
    assert 60.0 < sure < 156.0
    assert looked(model, full_m, rainy(20.0, 1, probability=0.5)).runs_over_l() == 0.0


def test_the_same_inputs_look_the_same_way_ahead(model: GardenModel) -> None:
    one, other = looked(model, 0.4), looked(model, 0.4)
    assert one.days_left == other.days_left
    assert (one.ways.held_l == other.ways.held_l).all()


def test_without_any_weather_nothing_is_said(model: GardenModel) -> None:
    assert look_ahead(model, level_m=0.4, depletion_mm={}, first=FIRST, forecast=()) is None


def test_a_day_out_of_reach_is_refused(model: GardenModel) -> None:
    with pytest.raises(ValueError, match="outside what is looked at"):
        looked(model, 0.4).chance_through(FIRST + timedelta(days=90))
