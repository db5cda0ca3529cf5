"""What care was done: as told, and as a test that told something."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import pytest

from scheduler.site.examples import example_site
from scheduler.store.caring import care_last
from scheduler.store.store import Store, store_url
from scheduler.survey.tests_done import Can, CatchCans, Flush, LineFlushed, site_mark

AT = datetime(2026, 4, 11, 18, 0, tzinfo=UTC)
GARDEN = example_site("five-drums")
ZONE = GARDEN.zones[0]


@pytest.fixture
def store(tmp_path: Path):
    with Store(store_url(tmp_path / "plot.db"), GARDEN.id) as opened:
        yield opened


def cans(store: Store, volume_l: float | None, at: datetime = AT, replaces: int | None = None) -> int:
    caught = tuple(Can(emitter=e.id, volume_l=volume_l) for e in ZONE.emitters)
    record = CatchCans(zone=ZONE.id, at=at, who="Ines", level_m=0.5, run_s=600.0, cans=caught)
    return store.add_test_record(record.model_copy(update={"replaces": replaces}), site_mark(GARDEN, ZONE.id))


def last(store: Store) -> dict[str, date]:
    return care_last(store, GARDEN.place.timezone)


def test_cans_that_caught_something_were_done_on_their_day(store: Store) -> None:
    cans(store, 0.4)
    assert last(store)["cans"] == date(2026, 4, 11)


@pytest.mark.parametrize("volume_l", [None, 0.0], ids=["none measured", "all dry"])
def test_cans_that_told_nothing_are_still_to_be_done(store: Store, volume_l: float | None) -> None:
    """As the list of tests that are due has it; records of an older version may be such."""
    cans(store, volume_l)
    assert "cans" not in last(store)
    cans(store, 0.4, AT - timedelta(days=300))
    assert last(store)["cans"] == date(2025, 6, 15)


def test_a_record_that_was_corrected_counts_by_its_correction(store: Store) -> None:
    """Typed under a wrong day, and put right."""
    wrong = cans(store, 0.4)
    cans(store, 0.4, AT - timedelta(days=2), replaces=wrong)
    assert last(store)["cans"] == date(2026, 4, 9)


def test_a_flushing_on_the_record_is_the_flushing_done(store: Store) -> None:
    record = Flush(zone=ZONE.id, at=AT, who="Ines", lines=(LineFlushed(line="wall", clear=True),))
    store.add_test_record(record, site_mark(GARDEN, ZONE.id))
    assert last(store)["flush"] == date(2026, 4, 11)
