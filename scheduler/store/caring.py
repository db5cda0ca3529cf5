"""What care a garden has had and what is due, from its store."""

from __future__ import annotations

from datetime import date, datetime
from zoneinfo import ZoneInfo

from scheduler.control.care import CareDue, care_done, care_due
from scheduler.control.winter import winter_of
from scheduler.store.store import Store
from scheduler.survey.tests_due import standing, told_something

# A test record of the kind is the task done as well.
_TESTS = {"flush": "flush", "catch_cans": "cans", "wet_walk": "joints"}


def care_last(store: Store, zone: ZoneInfo) -> dict[str, date]:
    """When each task was last done: as told, as a level measured by hand, or as a test record."""
    found = care_done(store.choices_now())
    also: list[tuple[str, datetime]] = []
    measured = store.last_calibration()
    if measured is not None:
        also.append(("level", measured.at))
    tested = [t for t in standing(store.test_records()) if told_something(t)]
    also += [(_TESTS[t.record.kind], t.record.at) for t in tested if t.record.kind in _TESTS]
    for task, at in also:
        day = at.astimezone(zone).date()
        found[task] = max(day, found.get(task, day))
    return found


def care_due_by(store: Store, zone: ZoneInfo, last_day: date) -> tuple[CareDue, ...]:
    """What is due up to a day; nothing while the garden is drained."""
    winter = winter_of(store.choices_now())
    if winter.drained is not None:
        return ()
    begun = max(store.first_balanced_day() or date.min, winter.back or date.min)
    return care_due(
        care_last(store, zone),
        first_day=begun if begun > date.min else None,
        back_since=winter.back,
        last_day=last_day,
    )
