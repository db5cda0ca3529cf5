"""A zone that is stopped by a plant out of reach: which one, whom, since when; and no "0 days"."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path

from scheduler.planning.plan import Plan, PlannedRun, Reason, SkippedZone
from scheduler.report.status import status_answer, status_words
from scheduler.report.stopped import stopped_since, stopped_zones
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
    ran = (replace(plan.runs[0], zone="bed"),)

    def since(before: dict[int, Plan]) -> int:
        return (TODAY - stopped_since("bed", list(before.values()), TODAY)).days

    def ago(days: int, runs: tuple[PlannedRun, ...] = (), skipped: tuple[SkippedZone, ...] = ()) -> Plan:
        return replace(plan, day=TODAY - timedelta(days=days), runs=runs, skipped=skipped)

    dry = {n: ago(n, skipped=(bed,)) for n in (1, 3)} | {2: ago(2, skipped=(not_due,))}
    assert since({}) == 0
    assert since(dry) == 3  # that it was not due on a day between says nothing of it
    assert since(dry | {4: ago(4, ran), 6: ago(6, skipped=(bed,))}) == 3
    assert since({1: ago(1, ran), 2: ago(2, skipped=(bed,))}) == 0


def test_of_a_plan_of_another_day_nothing_is_said(tmp_path: Path) -> None:
    page = short(tmp_path)
    found = stopped_zones(page.site, page.store, page.store.last_plan(), TODAY + timedelta(days=1))
    page.close()
    assert found == []
