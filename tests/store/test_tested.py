"""Test records are kept for good; a commissioning that is half done waits; the pace of clogging survives."""

from __future__ import annotations

import sqlite3
from datetime import UTC, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from scheduler.control.effects import RecordLearning
from scheduler.sensing.flow import FRESH_SLOPE, FlowFactor, fresh_flow, joined, learn_flow
from scheduler.site.errors import StoreError
from scheduler.site.examples import example_site
from scheduler.store.store import Store, store_url
from scheduler.survey.tests_done import HandLevel, PrimeTime, SensorScale, site_mark

AT = datetime(2026, 4, 11, 9, 0, tzinfo=UTC)
GARDEN = example_site("five-drums")
ZONE = GARDEN.zones[0].id


@pytest.fixture
def file(tmp_path: Path) -> Path:
    return tmp_path / "plot.db"


@pytest.fixture
def store(file: Path):
    with Store(store_url(file), "plot") as opened:
        yield opened


def primed(prime_s: float, at: datetime = AT, replaces: int | None = None) -> PrimeTime:
    return PrimeTime(zone=ZONE, at=at, who="Ines", level_m=0.8, prime_s=prime_s, replaces=replaces)


def scale() -> SensorScale:
    return SensorScale(at=AT, who="Ines", readings=(HandLevel(level_m=0.4, raw=4100.0, air_c=17.5),))


def test_a_record_comes_back_as_it_went_in_with_the_garden_it_was_done_on(store: Store) -> None:
    general, zoned = site_mark(GARDEN), site_mark(GARDEN, ZONE)
    later = store.add_test_record(primed(95.0, AT + timedelta(hours=1)), zoned)
    first = store.add_test_record(scale(), general)
    kept = store.test_records()
    assert [(k.id, k.record, k.mark) for k in kept] == [
        (first, scale(), general),
        (later, primed(95.0, AT + timedelta(hours=1)), zoned),
    ]


def test_a_correction_stands_beside_what_it_corrects(store: Store) -> None:
    wrong = store.add_test_record(primed(9.5), site_mark(GARDEN, ZONE))
    store.add_test_record(primed(95.0, replaces=wrong), site_mark(GARDEN, ZONE))
    assert [(k.record.prime_s, k.record.replaces) for k in store.test_records()] == [
        (9.5, None),
        (95.0, wrong),
    ]
    with pytest.raises(StoreError, match="no test record 77"):
        store.add_test_record(primed(95.0, replaces=77), site_mark(GARDEN, ZONE))


def test_the_database_refuses_to_change_or_delete_a_record(store: Store, file: Path) -> None:
    store.add_test_record(primed(95.0), site_mark(GARDEN, ZONE))
    raw = sqlite3.connect(file)
    for statement in ("UPDATE test_records SET who = 'x'", "DELETE FROM test_records"):
        with pytest.raises(sqlite3.IntegrityError, match="a test record is never"):
            raw.execute(statement)
    raw.close()
    assert [k.record for k in store.test_records()] == [primed(95.0)]


def test_records_outlive_the_years(store: Store) -> None:
    store.add_test_record(primed(95.0), site_mark(GARDEN, ZONE))
    store.save_draft("half", AT)
    store.prune(AT + timedelta(days=3650))
    assert len(store.test_records()) == 1
    assert store.draft() == "half"


def test_gardens_in_one_store_keep_their_records_and_drafts_apart(store: Store, file: Path) -> None:
    number = store.add_test_record(primed(95.0), site_mark(GARDEN, ZONE))
    store.save_draft("half", AT)
    with Store(store_url(file), "other") as other:
        assert other.test_records() == ()
        assert other.draft() is None
        with pytest.raises(StoreError, match="no test record"):
            other.add_test_record(primed(95.0, replaces=number), site_mark(GARDEN, ZONE))


def test_a_damaged_record_is_told_by_its_number(store: Store, file: Path) -> None:
    raw = sqlite3.connect(file)
    raw.execute(
        "INSERT INTO test_records (id, site, at, kind, who, record, mark) "
        "VALUES (5, 'plot', '2026-04-11 09:00:00.000000', 'flush', 'Ines', '{}', '{}')"
    )
    raw.commit()
    raw.close()
    with pytest.raises(StoreError, match=r"test record \(5\) that cannot be read"):
        store.test_records()


def test_a_draft_is_replaced_whole_and_cleared(store: Store, file: Path) -> None:
    assert store.draft() is None
    store.save_draft("one", AT)
    store.save_draft("two", AT + timedelta(minutes=1))
    with Store(store_url(file), "plot", service=False) as again:
        assert again.draft() == "two"
        again.clear_draft()
    assert store.draft() is None


def test_the_learned_pace_of_clogging_survives_a_restart(store: Store) -> None:
    """A garden that clogs twice as fast as expected: what the runs taught is not forgotten overnight."""
    flows = joined([(z.id, fresh_flow(z, AT)) for z in GARDEN.zones])
    for day in range(1, 40):
        at = AT + timedelta(days=day)
        flows = learn_flow(
            flows, ZONE, modelled_l=40.0, measured_l=40.0 * (1 - 0.004 * day), measured_sd_l=0.4, at=at
        )
        store.write(
            [
                RecordLearning(z, at, f.value, f.sd, f.slope_per_day, f.slope_var, f.covariance)
                for z in flows.zones
                for f in (flows.factor(z),)
            ]
        )
    saved = dict(store.load_saved(at, ZoneInfo("Europe/Berlin")).flow_factors)
    assert saved == {z: flows.factor(z) for z in flows.zones}
    assert saved[ZONE].slope_per_day < 1.5 * FRESH_SLOPE


def test_a_store_that_did_not_keep_the_pace_restores_the_one_expected(store: Store) -> None:
    store.write([RecordLearning(ZONE, AT, 0.9, 0.02)])
    saved = store.load_saved(AT, ZoneInfo("Europe/Berlin"))
    assert saved.flow_factors == ((ZONE, FlowFactor(0.9, 0.02, AT)),)
