"""From the version of a store file to ours, step by step, with a copy of the file made first."""

from __future__ import annotations

from pathlib import Path

import sqlalchemy as sa
from sqlalchemy.engine import Connection, Engine

from scheduler.site.errors import StoreError
from scheduler.store.engine import reading, writing

# The newest step in migrations/versions; a test compares.
VERSION = "0002"
STEPS = ("0001", "0002")


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


def upgrade(connection: Connection, to: str) -> None:
    # Loaded here: 12 MB that a service whose store is up to date never needs.
    from alembic import command
    from alembic.config import Config

    config = Config()
    config.set_main_option("script_location", str(Path(__file__).parent / "migrations"))
    config.set_main_option("path_separator", "os")
    config.attributes["connection"] = connection
    command.upgrade(config, to)
