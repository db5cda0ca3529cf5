"""Tests kept in the store change what is planned with: at the start, while it runs, in the right order."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from scheduler.control.effects import RecordCalibration, RecordLearning
from scheduler.control.events import GardenTested
from scheduler.planning.garden import garden_model
from scheduler.sensing.level import raw_at_level
from scheduler.service.tested import begun_from_tests, garden_as_tested, news
from scheduler.site.examples import example_site
from scheduler.store.store import Store, store_url
from scheduler.survey.tests_done import Draw, HandLevel, HeadFlow, SensorScale, site_mark

SITE = example_site("five-drums")
AT = datetime(2031, 5, 1, 9, 0, tzinfo=UTC)
NOW = AT + timedelta(days=10)
LEVELS_M = (0.7, 0.45, 0.2)
SHARE = 0.8


@pytest.fixture
def store(tmp_path: Path):  # type: ignore[no-untyped-def]
    with Store(store_url(tmp_path / "five-drums.db"), SITE.id) as opened:
        yield opened


def draws(share: float) -> tuple[Draw, ...]:
    """Two minutes at each level, caught: the pots give that share of what is drawn."""
    curve = garden_model(SITE).zones["pots"].curve
    return tuple(Draw(level_m=h, run_s=120.0, volume_l=share * curve.total_lph(h) / 30.0) for h in LEVELS_M)


def keep(store: Store, at: datetime, share: float = SHARE) -> None:
    record = HeadFlow(zone="pots", at=at, who="Ida", draws=draws(share))
    store.add_test_record(record, site_mark(SITE, "pots"))


def flow_lph(site, level_m: float) -> float:  # type: ignore[no-untyped-def]
    return garden_model(site).zones["pots"].curve.total_lph(level_m)


def test_a_garden_without_tests_is_planned_as_drawn(store: Store) -> None:
    found = garden_as_tested(SITE, store, NOW)
    assert (found.site, found.flow, found.records) == (SITE, (), 0)


def test_the_measured_flow_takes_the_place_of_the_drawn_one(store: Store) -> None:
    keep(store, AT)
    found = garden_as_tested(SITE, store, NOW)
    for level_m in LEVELS_M:
        assert flow_lph(found.site, level_m) == pytest.approx(SHARE * flow_lph(SITE, level_m), rel=0.02)
    # The zone that was not tested stays as drawn.
    assert found.site.zone("border").lines == SITE.zone("border").lines
    assert [z for z, _ in found.flow] == ["pots"]


def test_what_was_learned_before_a_test_no_longer_counts_and_what_was_after_it_does(store: Store) -> None:
    keep(store, AT)
    store.write(
        [
            RecordLearning("pots", AT - timedelta(days=1), 0.5, 0.02),
            RecordLearning("border", AT - timedelta(days=1), 0.9, 0.02),
        ]
    )
    zone = SITE.place.timezone
    tested = garden_as_tested(SITE, store, NOW)
    learned = dict(begun_from_tests(store.load_saved(NOW, zone), tested).flow_factors)
    assert learned["pots"].value == 1.0 and learned["pots"].updated == AT
    assert learned["border"].value == 0.9
    store.write([RecordLearning("pots", AT + timedelta(days=2), 0.97, 0.02)])
    learned = dict(begun_from_tests(store.load_saved(NOW, zone), tested).flow_factors)
    assert learned["pots"].value == 0.97


def test_a_correction_by_ruler_from_before_the_sensor_was_fitted_is_dropped(store: Store) -> None:
    store.write([RecordCalibration(AT - timedelta(days=3), -0.04, 0.6, "Ida")])
    zone = SITE.place.timezone
    before = begun_from_tests(store.load_saved(NOW, zone), garden_as_tested(SITE, store, NOW))
    assert before.level_offset_m == -0.04
    readings = tuple(
        HandLevel(level_m=h, raw=float(raw_at_level(SITE, h - 0.02, 20.0)[0]), air_c=20.0) for h in LEVELS_M
    )
    record = SensorScale(at=AT, who="Ida", readings=readings)
    store.add_test_record(record, site_mark(SITE))
    tested = garden_as_tested(SITE, store, NOW)
    assert tested.site.sensor != SITE.sensor
    assert begun_from_tests(store.load_saved(NOW, zone), tested).level_offset_m == 0.0


def test_only_zones_whose_tests_are_new_begin_afresh_while_it_runs(store: Store) -> None:
    keep(store, AT)
    before = garden_as_tested(SITE, store, NOW)
    same = news(before, before)
    assert isinstance(same, GardenTested) and same.flow == ()
    keep(store, AT + timedelta(days=3), share=0.9)
    after = news(before, garden_as_tested(SITE, store, NOW))
    assert [z for z, _ in after.flow] == ["pots"]
    assert flow_lph(after.site, 0.45) == pytest.approx(0.9 * flow_lph(SITE, 0.45), rel=0.02)


def test_barrels_raised_after_the_test_leave_the_found_curve_and_begin_learning_more_doubtful(
    store: Store,
) -> None:
    keep(store, AT)
    before = dict(garden_as_tested(SITE, store, NOW).flow)["pots"]
    by_m = 0.25
    tank = replace(
        SITE.tank,
        outlet_height_m=SITE.tank.outlet_height_m + by_m,
        barrels=tuple(replace(b, base_height_m=b.base_height_m + by_m) for b in SITE.tank.barrels),
    )
    found = garden_as_tested(replace(SITE, tank=tank), store, NOW)
    after = dict(found.flow)["pots"]
    assert after.sd > 1.2 * before.sd
    # What was found of the emitters stays: fewer litres than drawn for each.
    drawn = {e.id: e.coefficient_lph for e in SITE.zone("pots").emitters}
    for emitter in found.site.zone("pots").emitters:
        assert emitter.coefficient_lph < 0.9 * drawn[emitter.id]
