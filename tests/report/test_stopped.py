"""A zone that is stopped by a plant out of reach: which one, whom, since when; and no "0 days"."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import pytest

from scheduler.control.effects import Booking, RecordPlan
from scheduler.planning.plan import Plan, Reason, SkippedZone
from scheduler.report.status import status_answer, status_words
from scheduler.report.stopped import stopped_since, stopped_words, stopped_zones
from tests.support.page_states import short

TODAY = date(2012, 7, 20)  # a Friday


def test_the_status_says_who_goes_without_and_that_the_rest_of_the_water_is_for_the_others(
    tmp_path: Path,
) -> None:
    page = short(tmp_path)
    answer = status_answer(page.site, page.store, page.now(), running=True)
    said = " ".join(status_words(page.site, answer))
    page.close()
    (stopped,) = answer.stopped
    assert (stopped.zone, stopped.plants, stopped.since) == ("bed", ["thyme"], TODAY)
    assert answer.days_left_middle == 0
    assert "Not watered from today: Bed, for at this level the water does not reach Thyme." in said
    assert "above the reserve are left for the others." in said
    assert "0 days" not in said


def test_it_is_stopped_since_the_first_day_after_its_last_run(tmp_path: Path) -> None:
    page = short(tmp_path)
    plan = page.store.last_plan()
    page.close()
    assert plan is not None and plan.day == TODAY
    bed = next(z for z in plan.skipped if z.zone == "bed")
    not_due = SkippedZone("bed", (Reason("not_due", "Not due."),))

    def since(before: dict[int, Plan], *bookings: Booking) -> int:
        return (TODAY - stopped_since("bed", list(before.values()), bookings, TODAY)).days

    def ago(days: int, *skipped: SkippedZone) -> Plan:
        return replace(plan, day=TODAY - timedelta(days=days), runs=(), skipped=skipped)

    dry = {n: ago(n, bed) for n in (1, 3)} | {2: ago(2, not_due)}
    assert since({}) == 0
    assert since(dry) == 3  # that it was not due on a day between says nothing of it
    assert since(dry | {4: ago(4), 6: ago(6, bed)}, booked(4)) == 3
    assert since({1: ago(1), 2: ago(2, bed)}, booked(1)) == 0
    assert since(dry, booked(1, zone="pots")) == 3  # another zone's water is none for this one


def booked(days: int, litres: float = 3.0, zone: str = "bed") -> Booking:
    day = TODAY - timedelta(days=days)
    at = datetime(day.year, day.month, day.day, 18, tzinfo=UTC)
    return Booking(f"{zone}-{days}", zone, day, at, 600.0, None, (("thyme", litres),), litres, litres, litres)


def test_a_day_on_which_it_was_stopped_at_dawn_and_watered_later_is_a_watered_day(tmp_path: Path) -> None:
    page = short(tmp_path)
    plan = page.store.last_plan()
    page.close()
    assert plan is not None
    dawn = replace(plan, day=TODAY - timedelta(days=2), runs=())
    ran = (replace(plan.runs[0], zone="bed"),)
    later = replace(dawn, made_at=dawn.made_at + timedelta(hours=4), runs=ran, skipped=())
    after = replace(dawn, day=TODAY - timedelta(days=1))
    before = (dawn, later, after)
    assert stopped_since("bed", before, [booked(2)], TODAY) == TODAY - timedelta(days=1)
    # What was planned and did not come is no water.
    assert stopped_since("bed", before, [], TODAY) == TODAY - timedelta(days=2)
    assert stopped_since("bed", before, [booked(2, 0.0)], TODAY) == TODAY - timedelta(days=2)


@pytest.mark.parametrize(
    ("days", "told"),
    [
        (range(1, 30), "since Thursday 21 June: Bed"),
        (range(1, 31), "for 30 days or more: Bed"),
        ((1, 29, 33, 36), "for 30 days or more: Bed"),  # not due on the thirtieth day itself
        ((1, 60), "since Thursday 19 July: Bed"),
    ],
)
def test_of_what_goes_on_for_longer_than_is_told_it_is_said_so(
    tmp_path: Path, days: Iterable[int], told: str
) -> None:
    page = short(tmp_path)
    plan = page.store.last_plan()
    assert plan is not None
    page.store.write(
        [
            RecordPlan(replace(plan, day=TODAY - timedelta(days=n), made_at=plan.made_at - timedelta(days=n)))
            for n in days
        ]
    )
    (stopped,) = stopped_zones(page.site, page.store, plan, TODAY)
    page.close()
    assert stopped_words(page.site, stopped, TODAY).startswith(told)
    assert stopped.or_earlier is told.startswith("for")


def test_of_a_plan_of_another_day_nothing_is_said(tmp_path: Path) -> None:
    page = short(tmp_path)
    found = stopped_zones(page.site, page.store, page.store.last_plan(), TODAY + timedelta(days=1))
    page.close()
    assert found == []
