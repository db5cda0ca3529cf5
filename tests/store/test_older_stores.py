"""Files of every version that was in the field open with this program, and nothing in them is lost.

The frozen files were made with the steps of their own time and are never edited; what must be found again is
read from them by SQLite alone.
"""

from __future__ import annotations

import sqlite3
from dataclasses import dataclass
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from scheduler.store import migrating
from scheduler.store.store import Store, store_url

OLD = migrating.STEPS
AT = datetime(2026, 7, 3, 4, 30, tzinfo=UTC)
# What a step moved elsewhere: table, column, and where its values are now.
MOVED = {("bookings", "measured_l"): "SELECT order_id, measured_l FROM measured"}
# Not what a garden told: the version itself, and SQLite's own count.
NOT_KEPT = {"alembic_version", "sqlite_sequence"}

A_RECORD = (
    "INSERT INTO test_records (site, at, kind, who, record, mark) "
    "VALUES ('plot', '2026-07-03 10:00:00', 'zone_flow', 'Ines', '{}', 'm')"
)


@dataclass(frozen=True, slots=True)
class Opened:
    version: str
    file: Path
    before: dict[str, list[dict[str, Any]]]


def thawed(file: Path, version: str) -> Path:
    connection = sqlite3.connect(file)
    connection.executescript(Path(__file__).with_name(f"frozen_{version}.sql").read_text())
    connection.close()
    return file


def rows(file: Path) -> dict[str, list[dict[str, Any]]]:
    connection = sqlite3.connect(file)
    connection.row_factory = sqlite3.Row
    names = [r[0] for r in connection.execute("SELECT name FROM sqlite_master WHERE type = 'table'")]
    found = {n: [dict(r) for r in connection.execute(f"SELECT * FROM {n} ORDER BY rowid")] for n in names}
    connection.close()
    return {n: found[n] for n in names if n not in NOT_KEPT}


def test_every_version_that_ever_was_is_frozen() -> None:
    frozen = sorted(p.name for p in Path(__file__).parent.glob("frozen_*.sql"))
    assert frozen == [f"frozen_{version}.sql" for version in migrating.STEPS]


@pytest.fixture(scope="module", params=OLD)
def opened(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Opened:
    """Thawed, and brought to this program's version once for all claims."""
    version = str(request.param)
    file = thawed(tmp_path_factory.mktemp("old") / "plot.db", version)
    before = rows(file)
    Store(store_url(file), "plot").close()
    return Opened(version, file, before)


def test_an_older_store_opens_with_every_row_it_had(opened: Opened) -> None:
    assert sum(map(len, opened.before.values())) >= 13  # else there is nothing to lose
    after = rows(opened.file)
    for table, old in opened.before.items():
        assert len(after[table]) >= len(old), table
        for was, now in zip(old, after[table], strict=False):
            for column, value in was.items():
                if (table, column) not in MOVED:
                    assert now[column] == value, (table, column)
    connection = sqlite3.connect(opened.file)
    for (table, column), found in MOVED.items():
        had = {r["order_id"]: r[column] for r in opened.before[table] if r.get(column) is not None}
        assert had.items() <= dict(connection.execute(found).fetchall()).items()
    assert connection.execute("PRAGMA integrity_check").fetchone() == ("ok",)
    assert connection.execute("PRAGMA foreign_key_check").fetchall() == []
    assert connection.execute("SELECT version_num FROM alembic_version").fetchone() == (migrating.VERSION,)
    connection.close()


def test_a_copy_of_the_older_store_stays_beside_it(opened: Opened) -> None:
    beside = opened.file.with_name(f"plot.db.before-{migrating.VERSION}")
    assert beside.exists() == (opened.version != migrating.VERSION)
    if beside.exists():
        assert rows(beside) == opened.before


def test_a_test_record_of_an_older_store_is_still_never_changed(opened: Opened) -> None:
    connection = sqlite3.connect(opened.file)
    if not opened.before.get("test_records"):
        connection.execute(A_RECORD)
    for statement in ("UPDATE test_records SET who = 'Jon'", "DELETE FROM test_records"):
        with pytest.raises(sqlite3.IntegrityError, match="a test record is never"):
            connection.execute(statement)
    connection.close()


def test_what_an_older_store_says_of_the_garden_is_understood(opened: Opened) -> None:
    with Store(store_url(opened.file), "plot") as store:
        assert [i.order.order_id for i in store.open_intents()] == ["order-3"]
        assert store.litres_since(date(2026, 6, 1)) == {"fig": 13.0}
        assert [r.id for r in store.unanswered_requests()] == [2]
        stop = store.stop_state()
        assert stop is not None and stop.who == "Ines"
        notes = [b.note for b in store.bookings_since(date(2026, 6, 1))]
        assert notes == ["", "" if opened.version < "0002" else "the node restarted"]
        if opened.version >= "0002":
            calibration = store.last_calibration()
            assert calibration is not None and calibration.offset_m == -0.02
            assert [(z.plant, z.depletion_mm) for z in store.root_zones_since(date(2026, 6, 1))] == [
                ("fig", 6.0)
            ]
        first = store.measured_since(datetime(2026, 1, 1, tzinfo=UTC))[0]
        assert (first.order_id, first.booked_l, first.measured_l) == ("order-1", 6.5, 6.2)
        assert first.measured_sd_l is None  # the first version did not keep it: unknown, not 0
        (learned,) = store.last_learning()
        assert (learned.zone, learned.flow_factor, learned.flow_factor_sd) == ("beds", 0.97, 0.02)
        last = store.last_reading()
        assert last is not None and last.belief.level_m == 0.9
        saved = store.load_saved(AT, ZoneInfo("UTC"))  # all that a start of the service reads
        assert [i.order.order_id for i in saved.open_intents] == ["order-3"] and saved.stopped_by == "Ines"
        assert saved.base is None or opened.version >= "0002"
        assert [h.zone for h in store.holds_now()] == ([] if opened.version < "0003" else ["beds"])
        hand = [(h.plant, h.litres) for h in store.hand_water_since(date(2026, 6, 1))]
        assert hand == ([] if opened.version < "0003" else [("fig", 5.0)])
        assert store.draft() == (None if opened.version < "0004" else '{"step": 2}')
        assert store.add_request("stop", "Ines", None, None, AT) == 3
