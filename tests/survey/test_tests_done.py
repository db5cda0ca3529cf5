"""Records of tests are kept as they were written down, and know when the garden changed under them."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta, timezone

import pytest
from pydantic import ValidationError

from scheduler.survey.site_mark import DEPENDS_ON, changed_parts, site_mark
from scheduler.survey.tests_done import (
    KINDS,
    Can,
    CatchCans,
    Draw,
    HeadFlow,
    LeakAtRest,
    RestReading,
    TravelTimes,
    read_record,
    record_json,
)
from tests.support.gardens import small_garden

AT = datetime(2012, 5, 20, 9, 0, tzinfo=UTC)
CANS = CatchCans(
    zone="pots",
    at=AT,
    who="Ida",
    level_m=0.6,
    level_end_m=0.55,
    run_s=600.0,
    cans=(Can(emitter="p1", volume_l=1.6), Can(emitter="p2", volume_l=None)),
    replaces=4,
)


def test_a_record_comes_back_from_its_json_as_it_was() -> None:
    for record in (
        CANS,
        HeadFlow(zone="pots", at=AT, who="Ida", draws=(Draw(level_m=0.7, run_s=300.0, volume_l=4.0),)),
        TravelTimes(zone="pots", at=AT, who="Ida", opening_s=(8.0, 8.2), closing_s=(8.1,)),
    ):
        assert read_record(record_json(record)) == record


def test_a_record_cannot_be_changed() -> None:
    with pytest.raises(ValidationError):
        CANS.level_m = 0.5  # type: ignore[misc]


def test_a_time_without_its_zone_is_refused() -> None:
    with pytest.raises(ValidationError):
        read_record(record_json(CANS).replace("2012-05-20T09:00:00Z", "2012-05-20T09:00:00"))


def test_times_are_kept_in_utc() -> None:
    local = AT.astimezone(timezone(timedelta(hours=-7)))
    record = LeakAtRest(
        at=local,
        who="Ida",
        readings=(RestReading(at=local, level_m=0.6), RestReading(at=local, level_m=0.6)),
    )
    assert record.at.tzinfo is UTC and record.readings[0].at.hour == 9


@pytest.mark.parametrize(
    "bad", [{"run_s": 0.0}, {"run_s": float("nan")}, {"who": ""}, {"colour": "red"}, {"cans": ()}]
)
def test_what_cannot_be_is_refused(bad: dict[str, object]) -> None:
    with pytest.raises(ValidationError):
        read_record({**CANS.model_dump(), **bad})


def test_a_draw_needs_litres_or_a_second_level() -> None:
    with pytest.raises(ValidationError, match="litres caught"):
        Draw(level_m=0.7, run_s=300.0)


def test_every_kind_says_what_it_depends_on() -> None:
    assert set(DEPENDS_ON) == set(KINDS)


def test_a_name_or_a_plant_leaves_every_test_fresh() -> None:
    site = small_garden()
    then = site_mark(site, "pots")
    renamed = replace(site, name="Other", zones=(replace(site.zones[0], name="Tubs"), site.zones[1]))
    assert site_mark(renamed, "pots") == then


def test_a_turned_bubbler_makes_the_tests_of_its_zone_stale_only() -> None:
    site = small_garden()
    line = site.zones[0].lines[0]
    point = line.points[0]
    turned = replace(point, emitters=(replace(point.emitters[0], coefficient_lph=20.0),))
    zone = replace(site.zones[0], lines=(replace(line, points=(turned, line.points[1])),))
    now = replace(site, zones=(zone, site.zones[1]))
    then_pots, now_pots = site_mark(site, "pots"), site_mark(now, "pots")
    assert changed_parts("head_flow", then_pots, now_pots) == ("the emitters",)
    assert changed_parts("travel_times", then_pots, now_pots) == ()
    assert site_mark(site, "bed") == site_mark(now, "bed")


def test_barrels_raised_with_their_outlet_keep_their_litres() -> None:
    site = small_garden()
    tank = site.tank
    raised = replace(
        tank,
        outlet_height_m=tank.outlet_height_m + 0.3,
        barrels=tuple(replace(b, base_height_m=b.base_height_m + 0.3) for b in tank.barrels),
    )
    assert site.sensor is not None
    sensor = replace(site.sensor, mount_height_m=site.sensor.mount_height_m + 0.3)
    then, now = site_mark(site, "pots"), site_mark(replace(site, tank=raised, sensor=sensor), "pots")
    assert changed_parts("poured", then, now) == ()
    assert changed_parts("sensor_scale", then, now) == ()
    assert changed_parts("catch_cans", then, now) == ("the height of the outlet",)
