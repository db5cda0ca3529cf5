"""APScheduler as the service uses it: its timers only put something on the queue, and close no valve.

Times are UTC, jobs live in memory and are made anew at each start, late ones run once within their grace.
Its waits are relative to the wall clock, so the loop calls ``wake_up`` when that jumps, and keeps a deadline
of its own for the wake-up on the monotonic clock.
"""

from __future__ import annotations

import random
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from apscheduler.executors.pool import ThreadPoolExecutor
from apscheduler.jobstores.memory import MemoryJobStore
from apscheduler.schedulers.background import BackgroundScheduler
from apscheduler.triggers.cron import CronTrigger
from apscheduler.triggers.date import DateTrigger

# A timer this late still runs, once; a choice of this project: a night's sleep of the machine.
GRACE_S = 6 * 3600
# The copy of the store is made when nobody waters and nobody looks (local time), outside 02:00-03:00, the
# hour that clock changes skip or repeat.
BACKUP_HOUR = 13
# So that a thousand gardens do not ask the forecast service in the same second.
WEATHER_JITTER_S = 90.0


class Timers:
    """Named one-shot timers and the daily copy. ``start`` and ``stop`` from the loop's thread."""

    def __init__(self) -> None:
        # The scheduler itself, its store and its one worker thread: nothing is pickled, nothing on disk.
        self._scheduler: Any = BackgroundScheduler(
            jobstores={"default": MemoryJobStore()},
            executors={"default": ThreadPoolExecutor(1)},
            job_defaults={"coalesce": True, "max_instances": 1, "misfire_grace_time": GRACE_S},
            timezone=UTC,
        )

    def start(self) -> None:
        self._scheduler.start()

    def stop(self) -> None:
        if self._scheduler.running:
            # A shutdown under a job that is just handed out kills the scheduler's thread with a traceback: no
            # new ones first, then wait for its lock, which the listing takes.
            self._scheduler.pause()
            self._scheduler.get_jobs()
            self._scheduler.shutdown(wait=False)

    def once(self, name: str, in_s: float, call: Callable[[], None]) -> None:
        """``call`` after ``in_s`` real seconds; a newer timer of that name replaces an older one."""
        at = datetime.now(UTC) + timedelta(seconds=max(0.0, in_s))
        self._scheduler.add_job(call, DateTrigger(at), id=name, replace_existing=True)

    def with_jitter(self, name: str, call: Callable[[], None], jitter_s: float = WEATHER_JITTER_S) -> None:
        self.once(name, random.uniform(0.0, jitter_s), call)  # noqa: S311 - spreads load, keeps no secret

    def daily(self, name: str, zone: ZoneInfo, call: Callable[[], None], hour: int = BACKUP_HOUR) -> None:
        trigger = CronTrigger(hour=hour, minute=17, timezone=zone)
        self._scheduler.add_job(call, trigger, id=name, replace_existing=True)

    def wake_up(self) -> None:
        """Look at the wall clock again: it jumped."""
        self._scheduler.wakeup()
