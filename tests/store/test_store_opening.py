"""Opening a store: lost, damaged, foreign, older and newer files."""

from __future__ import annotations

import os
import sqlite3
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import pytest
from alembic.autogenerate import compare_metadata
from alembic.migration import MigrationContext
from alembic.script import ScriptDirectory

import scheduler.store
from scheduler.site.errors import StoreError
from scheduler.store import migrating
from scheduler.store.engine import make_engine
from scheduler.store.store import Store, store_url
from scheduler.store.tables import metadata

AT = datetime(2026, 7, 3, 4, 30, tzinfo=UTC)
FROZEN = Path(__file__).with_name("frozen_0001.sql")


@pytest.fixture
def file(tmp_path: Path) -> Path:
    return tmp_path / "plot.db"


def made(file: Path, requests: int = 200) -> Path:
    with Store(store_url(file), "plot") as store:
        for n in range(requests):
            store.add_request("measured", "Ines", "x" * 40, float(n), AT)
    return file


def freeze(file: Path, *, version: str = "0001") -> Path:
    connection = sqlite3.connect(file)
    connection.executescript(FROZEN.read_text())
    connection.execute("UPDATE alembic_version SET version_num = ?", (version,))
    connection.commit()
    connection.close()
    return file


# --- connections are as the store needs them ----------------------------------------------------------


def test_a_commit_is_synced_to_the_card(file: Path) -> None:
    made(file, 0)
    engine = make_engine(store_url(file))
    with engine.connect() as connection:
        ask = lambda name: connection.exec_driver_sql(f"PRAGMA {name}").scalar_one()  # noqa: E731
        assert ask("journal_mode") == "wal"
        assert ask("synchronous") == 2  # FULL, SQLite documentation of PRAGMA synchronous
        assert ask("foreign_keys") == 1
        assert ask("busy_timeout") == 5000
    engine.dispose()


@pytest.mark.parametrize("url", ["postgresql://x/y", "plot.db", "", "mysql://root@h/d"])
def test_another_address_than_sqlite_is_refused_in_words(url: str) -> None:
    with pytest.raises(StoreError, match="sqlite"):
        Store(url, "plot")


# --- lost and damaged files ---------------------------------------------------------------------------


def test_a_command_never_makes_a_store(file: Path) -> None:
    with pytest.raises(StoreError, match="has not run here yet"):
        Store(store_url(file), "plot", service=False)
    assert not file.exists()


def test_a_missing_folder_is_named(tmp_path: Path) -> None:
    with pytest.raises(StoreError, match="nowhere"):
        Store(store_url(tmp_path / "nowhere" / "plot.db"), "plot")


def test_a_store_that_vanished_is_not_silently_made_anew(file: Path) -> None:
    made(file)
    with Store(store_url(file), "plot") as store:
        backup = store.backup_beside(AT.date())
    file.unlink()
    with pytest.raises(StoreError, match=f"cp {backup} {file}"):
        Store(store_url(file), "plot")
    assert not file.exists()


def test_an_emptied_store_is_refused(file: Path) -> None:
    file.touch()
    with pytest.raises(StoreError, match="empty file"):
        Store(store_url(file), "plot")
    assert file.stat().st_size == 0


def test_a_damaged_store_is_refused_and_the_backup_named_restores_it(file: Path) -> None:
    made(file)
    with Store(store_url(file), "plot") as store:
        backup = store.backup_beside(AT.date())
    assert backup is not None
    whole = file.read_bytes()
    # Overwrite pages in the middle, as a failing card does.
    file.write_bytes(whole[:8192] + os.urandom(8192) + whole[16384:])
    damaged = file.read_bytes()
    with pytest.raises(StoreError, match="damaged") as refused:
        Store(store_url(file), "plot")
    assert str(backup) in str(refused.value)
    assert file.read_bytes() == damaged  # left as found, for whoever wants to rescue more
    file.unlink()
    for name in (f"{file}-wal", f"{file}-shm"):
        Path(name).unlink(missing_ok=True)
    file.write_bytes(backup.read_bytes())
    with Store(store_url(file), "plot") as store:
        assert len(store.unanswered_requests()) == 200


def test_a_damaged_head_is_refused(file: Path) -> None:
    made(file)
    file.write_bytes(os.urandom(100) + file.read_bytes()[100:])
    with pytest.raises(StoreError, match="damaged"):
        Store(store_url(file), "plot")


def test_a_cut_short_store_is_refused(file: Path) -> None:
    made(file)
    file.write_bytes(file.read_bytes()[:-4096])
    with pytest.raises(StoreError, match="damaged"):
        Store(store_url(file), "plot")


def test_another_programs_database_is_left_alone(file: Path) -> None:
    other = sqlite3.connect(file)
    other.execute("CREATE TABLE recipes (id INTEGER)")
    other.commit()
    other.close()
    before = file.read_bytes()
    with pytest.raises(StoreError, match="not a store of ours"):
        Store(store_url(file), "plot")
    other = sqlite3.connect(file)
    assert [r[0] for r in other.execute("SELECT name FROM sqlite_master")] == ["recipes"]
    other.close()
    assert len(before) == file.stat().st_size


# --- backups ------------------------------------------------------------------------------------------


def test_a_backup_is_one_whole_file_made_in_use(file: Path, tmp_path: Path) -> None:
    target = tmp_path / "copy.db"
    with Store(store_url(file), "plot") as store:
        for n in range(20):
            store.add_request("measured", "Ines", None, float(n), AT)
        store.backup_to(target)
        store.add_request("measured", "Ines", None, 99.0, AT)
    copy = sqlite3.connect(target)
    assert copy.execute("PRAGMA integrity_check").fetchone() == ("ok",)
    assert copy.execute("SELECT count(*) FROM requests").fetchone() == (20,)
    copy.close()
    assert not list(tmp_path.glob("copy.db-*")) and not list(tmp_path.glob("*.half"))


def test_a_week_of_backups_is_kept(file: Path) -> None:
    with Store(store_url(file), "plot") as store:
        for n in range(10):
            store.backup_beside(date(2026, 7, 1) + timedelta(days=n))
    names = sorted(p.name for p in file.parent.glob("*.backup-*"))
    assert names == [f"plot.db.backup-2026-07-{d:02d}" for d in range(4, 11)]


def test_a_backup_that_cannot_be_written_leaves_the_old_one(file: Path, tmp_path: Path) -> None:
    target = tmp_path / "copy.db"
    target.write_bytes(b"the last good copy")
    with Store(store_url(file), "plot") as store:
        (tmp_path / "copy.db.half").mkdir()  # the name of the unfinished copy is taken
        with pytest.raises((StoreError, OSError)):
            store.backup_to(target)
    assert target.read_bytes() == b"the last good copy"


# --- versions -----------------------------------------------------------------------------------------


def test_a_step_that_fails_leaves_the_old_store(file: Path) -> None:
    freeze(file)
    spoiler = sqlite3.connect(file)
    spoiler.execute("CREATE TABLE calibrations (id INTEGER)")  # in the way of the second table of the step
    spoiler.commit()
    spoiler.close()
    with pytest.raises(StoreError):
        Store(store_url(file), "plot")
    left = sqlite3.connect(file)
    assert left.execute("SELECT version_num FROM alembic_version").fetchone() == ("0001",)
    names = {r[0] for r in left.execute("SELECT name FROM sqlite_master WHERE type = 'table'")}
    assert "measured" not in names
    left.close()


def test_a_newer_store_is_refused(file: Path) -> None:
    freeze(file, version="0999")
    with pytest.raises(StoreError, match=r"0999.*newer program"):
        Store(store_url(file), "plot")


def test_a_command_does_not_migrate(file: Path) -> None:
    freeze(file)
    with pytest.raises(StoreError, match="restart the service"):
        Store(store_url(file), "plot", service=False)
    assert not file.with_name("plot.db.before-0002").exists()


def test_the_steps_lead_to_the_tables_in_code(file: Path) -> None:
    made(file, 0)
    engine = make_engine(store_url(file))
    with engine.connect() as connection:
        context = MigrationContext.configure(connection, opts={"render_as_batch": True})
        assert compare_metadata(context, metadata) == []
        assert context.get_current_revision() == migrating.VERSION
    engine.dispose()


def test_the_named_steps_are_the_shipped_ones() -> None:
    folder = Path(next(iter(scheduler.store.__path__))) / "migrations"
    shipped = [s.revision for s in ScriptDirectory(str(folder)).walk_revisions()]
    assert tuple(reversed(shipped)) == migrating.STEPS
    assert migrating.STEPS[-1] == migrating.VERSION
