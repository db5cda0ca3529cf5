"""What is left of a practice: its store in a folder of its own, and the time of that garden, at which the
commands look at it.

The folder is looked at as any other: ``FALLINGHEAD_STATE=FOLDER fallinghead status SITE``.
"""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Mapping
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path

from scheduler.service.places import STATE_VARIABLE
from scheduler.site.errors import UsageError

# Its text is when the practice ended, by the garden's time.
MARK = "practice-ended"
PRACTICE_OVER = "This practice is over: no valve moves in it, and nothing can be told any more."
# The same for whoever types commands, with the way out.
FOLDER_OF_IT = (
    "FALLINGHEAD_STATE names the folder of a practice that is over: no valve moves there and nothing can be "
    "told there any more. For a garden of your own: unset FALLINGHEAD_STATE FALLINGHEAD_SITE"
)


def check_keep(folder: Path) -> None:
    """UsageError: the folder holds anything but an earlier practice, or cannot be one."""
    if folder.exists() and not folder.is_dir():
        raise UsageError(f"read --keep {folder}; it is no folder: name one for the practice alone")
    if folder.is_dir() and any(folder.iterdir()) and not (folder / MARK).is_file():
        raise UsageError(
            f"read --keep {folder}; other things are in it: name a new folder, for the practice alone"
        )


def keep_practice(store: Path, folder: Path, site_id: str, ended_at: datetime) -> None:
    """Copy the store of a practice that is over into its folder, in the place of an earlier one.

    UsageError when that cannot be written."""
    check_keep(folder)
    target = folder / f"{site_id}.db"
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for old in (folder / MARK, *(target.with_name(target.name + end) for end in ("", "-wal", "-shm"))):
            old.unlink(missing_ok=True)
        with closing(sqlite3.connect(store)) as source, closing(sqlite3.connect(target)) as copy:
            source.backup(copy)
        (folder / MARK).write_text(ended_at.astimezone(UTC).isoformat() + "\n", encoding="utf-8")
    except (OSError, sqlite3.Error) as error:
        raise UsageError(f"the practice could not be kept in {folder} ({error})") from error


def practice_ended(environment: Mapping[str, str] | None = None) -> datetime | None:
    """When the practice ended whose folder is looked at; None: it is a real garden's. UsageError: its mark
    cannot be read."""
    folder = (os.environ if environment is None else environment).get(STATE_VARIABLE)
    return practice_ended_in(Path(folder)) if folder else None


def check_can_ask(kind: str, environment: Mapping[str, str] | None = None) -> None:
    """UsageError: it is a practice that is over, in which nobody answers a request of that kind. A command is
    told how to leave it; a page, which names its ``environment``, is not."""
    if practice_ended(environment) is not None:
        nothing = "Nothing was stopped. " if kind == "stop" else ""
        raise UsageError(f"{nothing}{FOLDER_OF_IT if environment is None else PRACTICE_OVER}")


def practice_ended_in(folder: Path) -> datetime | None:
    """The same of the folder in which a store lies."""
    mark = folder / MARK
    if not mark.is_file():
        return None
    try:
        return datetime.fromisoformat(mark.read_text(encoding="utf-8").strip())
    except ValueError:
        raise UsageError(
            f"read {mark}; it is no time: remove that folder, and practise again with --keep"
        ) from None
