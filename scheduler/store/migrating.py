"""From the version of a store file to ours, step by step, with a copy of the file made first."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import sqlalchemy as sa
from sqlalchemy.engine import Connection, Engine

from scheduler.site.errors import StoreError
from scheduler.store.engine import make_engine, reading, writing

# The newest step in migrations/versions; a test compares.
VERSION = "0004"
STEPS = ("0001", "0002", "0003", "0004")
# A season's store takes a second or two; a slow card some more.
MIGRATE_S_MAX = 300.0


def version_of(engine: Engine) -> str | None:
    """The version a store file has; None: there is nothing in it. StoreError: it is no store of ours."""
    with reading(engine) as connection:
        names = set(sa.inspect(connection).get_table_names())
        if not names:
            return None
        if "alembic_version" not in names:
            raise StoreError(f"The file {engine.url.database} is a database, but not a store of ours.")
        return connection.execute(sa.text("SELECT version_num FROM alembic_version")).scalar_one_or_none()


def check_version(engine: Engine) -> str | None:
    """As ``version_of``; StoreError when the store was written by a newer program than this."""
    version = version_of(engine)
    if version is not None and version not in STEPS:
        raise StoreError(
            f"The store {engine.url.database} has version {version}; this program knows "
            f"versions up to {VERSION}. "
            "Install the newer program again, or restore the backup made before it was installed."
        )
    return version


def migrate(engine: Engine) -> None:
    """All steps in one transaction: a store is of the old version or of the new one, never between."""
    with writing(engine) as connection:
        upgrade(connection, "head")


def migrate_apart(url: str) -> None:
    """As ``migrate``, in a process of its own: else Alembic's 12 MB stay for the service's life."""
    command = [
        sys.executable,
        "-c",
        "import sys; from scheduler.store.migrating import main; main(sys.argv[1])",
    ]
    here = str(Path(__file__).parents[2])
    paths = os.pathsep.join(p for p in (here, os.environ.get("PYTHONPATH", "")) if p)
    try:
        ran = subprocess.run(  # noqa: S603 - our own interpreter and code
            [*command, url],
            env=os.environ | {"PYTHONPATH": paths},
            capture_output=True,
            text=True,
            timeout=MIGRATE_S_MAX,
            check=False,
        )
    except (OSError, subprocess.TimeoutExpired) as error:
        raise StoreError(f"The store {url} could not be brought to version {VERSION}: {error}.") from error
    if ran.returncode != 0:
        said = ran.stderr.strip().splitlines()
        raise StoreError(said[-1] if said else f"The store {url} could not be brought to version {VERSION}.")


def main(url: str) -> None:
    """The process of ``migrate_apart``: one line on stderr and status 3 when it fails."""
    engine = make_engine(url)
    try:
        migrate(engine)
    except StoreError as error:
        print(" ".join(str(error).split()), file=sys.stderr)
        sys.exit(error.exit_code)
    finally:
        engine.dispose()


def upgrade(connection: Connection, to: str) -> None:
    # Loaded here: 12 MB that a service whose store is up to date never needs.
    from alembic import command
    from alembic.config import Config

    config = Config()
    config.set_main_option("script_location", str(Path(__file__).parent / "migrations"))
    config.set_main_option("path_separator", "os")
    config.attributes["connection"] = connection
    command.upgrade(config, to)
