"""The clocks of a running service, and how far the wall clock can be trusted."""

from __future__ import annotations

import ctypes
import os
import time
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Protocol

from scheduler.control.clock import ClockTrust, Now

# systemd-timesyncd makes this file when it has synchronised since boot (systemd.io, TIME SYNCHRONIZATION).
TIMESYNC_FILE = Path("/run/systemd/timesync/synchronized")
# The kernel says here whether it set the clock from a battery-backed one at boot.
HARDWARE_CLOCK_FILE = Path("/sys/class/rtc/rtc0/hctosys")
BOOT_ID_FILE = Path("/proc/sys/kernel/random/boot_id")
# struct timex: status is the int after the modes and four longs; STA_UNSYNC (include/uapi/linux/timex.h).
TIMEX_BYTES = 512
STA_UNSYNC = 0x40
# A person vouches for the clock (a container whose host keeps it): "synced", "stale" or "unknown".
TRUST_VARIABLE = "FALLINGHEAD_CLOCK_TRUST"
# A clock this far before the last time written down has gone back.
BACKWARD_S = 120.0
# Once synchronised since boot, a crystal is off by a minute a month at worst (20 ppm, common value).
STALE_MAX_S = 30 * 86400.0


class Clock(Protocol):
    def now(self) -> Now: ...

    def delay_s(self, virtual_s: float) -> float:
        """The real seconds that ``virtual_s`` of this clock take."""
        ...


class SystemClock:
    """The machine's own clocks."""

    def __init__(self, trust: Callable[[datetime, float], ClockTrust]) -> None:
        self._trust = trust

    def now(self) -> Now:
        wall, monotonic_s = datetime.now(UTC), time.monotonic()
        return Now(wall, monotonic_s, self._trust(wall, monotonic_s))

    def delay_s(self, virtual_s: float) -> float:
        return virtual_s


class FastClock:
    """A clock that starts at ``start`` and runs ``factor`` times as fast; for the practice garden."""

    def __init__(
        self, start: datetime, factor: float, *, monotonic_s: Callable[[], float] = time.monotonic
    ) -> None:
        if factor <= 0:
            raise ValueError(f"a clock must run forward, not {factor} times as fast")
        self._start = start
        self._factor = factor
        self._monotonic_s = monotonic_s
        self._zero_s = monotonic_s()

    def now(self) -> Now:
        passed_s = (self._monotonic_s() - self._zero_s) * self._factor
        return Now(self._start + timedelta(seconds=passed_s), passed_s, "synced")

    def delay_s(self, virtual_s: float) -> float:
        return virtual_s / self._factor


class WallTrust:
    """Judges the wall clock: called with it and the monotonic clock, says how far to trust it.

    ``synced``: synchronised since boot, by the mark of timesyncd or by the kernel's own flag.
    ``stale``: it was so earlier in this boot, or a battery-backed clock set it at boot, and it is not before
    the last time that was written down. ``unknown``: anything else; then nothing starts by time of day.
    """

    def __init__(
        self,
        *,
        last_saved: datetime | None = None,
        synced_boot: str | None = None,
        said: str | None = None,
        timesync_file: Path = TIMESYNC_FILE,
        hardware_clock_file: Path = HARDWARE_CLOCK_FILE,
        kernel_synced: Callable[[], bool] | None = None,
        boot: str | None = None,
    ) -> None:
        self._last_saved = last_saved
        self._said = said
        self._timesync_file = timesync_file
        self._kernel_synced = kernel_synced or _kernel_says_synced
        self._hardware_clock = _reads_one(hardware_clock_file)
        self.boot = boot if boot is not None else boot_id()
        # Synchronised earlier in this boot, as an earlier life of the service wrote down.
        self._was_synced = synced_boot is not None and synced_boot == self.boot
        self._synced_at_s: float | None = None

    def __call__(self, wall: datetime, monotonic_s: float) -> ClockTrust:
        if self._said == "synced" or self._said == "stale" or self._said == "unknown":
            return "synced" if self._said == "synced" else "stale" if self._said == "stale" else "unknown"
        if self._timesync_file.exists() or self._kernel_synced():
            self._was_synced, self._synced_at_s = True, monotonic_s
            return "synced"
        if self._last_saved is not None and (self._last_saved - wall).total_seconds() > BACKWARD_S:
            return "unknown"
        if self._was_synced and monotonic_s - (self._synced_at_s or 0.0) < STALE_MAX_S:
            return "stale"
        return "stale" if self._hardware_clock and self._last_saved is not None else "unknown"

    def saved(self, wall: datetime) -> None:
        """``wall`` was written down: the clock must not go back behind it."""
        if self._last_saved is None or wall > self._last_saved:
            self._last_saved = wall

    @property
    def was_synced(self) -> bool:
        """Synchronised at some time since boot."""
        return self._was_synced


def said_trust() -> str | None:
    """What a person says of the clock, in the environment."""
    return os.environ.get(TRUST_VARIABLE)


def boot_id() -> str:
    try:
        return BOOT_ID_FILE.read_text().strip()
    except OSError:
        return ""


def _reads_one(path: Path) -> bool:
    try:
        return path.read_text().strip() == "1"
    except OSError:
        return False


def _libc() -> ctypes.CDLL | None:
    try:
        return ctypes.CDLL(None, use_errno=True)
    except OSError:
        return None


_LIBC = _libc()


def _kernel_says_synced() -> bool:
    """adjtimex(2) in reading mode; False where there is none."""
    if _LIBC is None or not hasattr(_LIBC, "adjtimex"):
        return False
    buffer = ctypes.create_string_buffer(TIMEX_BYTES)
    if _LIBC.adjtimex(buffer) < 0:
        return False
    status_at = 5 * ctypes.sizeof(ctypes.c_long)
    status = int.from_bytes(buffer.raw[status_at : status_at + 4], "little")
    return not status & STA_UNSYNC
