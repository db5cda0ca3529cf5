"""One daemon per garden: a lock on a file beside the store, let go by the kernel however the process ends."""

from __future__ import annotations

import fcntl
import os
from pathlib import Path

from scheduler.site.errors import LockedError


class SiteLock:
    """Held from ``take`` until ``release`` or the end of the process. LockedError names the holder."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self._file: int | None = None

    def take(self) -> None:
        try:
            file = os.open(self.path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o640)
        except OSError as error:
            raise LockedError(f"The lock {self.path} cannot be opened: {error.strerror}.") from error
        try:
            fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError as error:
            holder = os.pread(file, 32, 0).decode("ascii", "replace").strip() or "of unknown number"
            os.close(file)
            raise LockedError(
                f"This garden is served already, by process {holder} (lock {self.path}). "
                "Two services would water twice; stop that one first."
            ) from error
        os.ftruncate(file, 0)
        os.pwrite(file, f"{os.getpid()}\n".encode(), 0)
        self._file = file

    def release(self) -> None:
        # The file stays: deleting it would let a third process lock a new one beside the old.
        if self._file is not None:
            os.close(self._file)
            self._file = None

    def __enter__(self) -> SiteLock:
        self.take()
        return self

    def __exit__(self, *_: object) -> None:
        self.release()


def lock_path(store_path: Path) -> Path:
    return store_path.with_name(store_path.name + ".lock")


def is_served(store_path: Path) -> bool:
    """Whether a daemon holds the garden of that store now. Leaves the lock as it was."""
    try:
        file = os.open(lock_path(store_path), os.O_RDONLY | os.O_CLOEXEC)
    except OSError:
        return False
    try:
        # Shared: two that look at once do not take each other for a daemon.
        fcntl.flock(file, fcntl.LOCK_SH | fcntl.LOCK_NB)
    except OSError:
        return True
    finally:
        os.close(file)
    return False
