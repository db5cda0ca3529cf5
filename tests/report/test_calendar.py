"""The calendar feed: RFC 5545 to the octet, the right instant in every zone, entries that stay themselves."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import pytest
from icalendar import Calendar
from typer.testing import CliRunner

from scheduler.agronomy.weather import DayWeather
from scheduler.cli import present
from scheduler.cli.main import app
from scheduler.control.effects import RecordChoice, RecordDay, RecordHold, RecordPlan, RecordStop
from scheduler.planning.ahead import ComingRun
from scheduler.report.answers import CalendarAnswer, CalendarEntryAnswer
from scheduler.report.calendar import calendar_answer, calendar_feed
from scheduler.report.status import coming_runs
from scheduler.site.examples import example_site
from tests.support.page_garden import PageGarden


@dataclass
class Foreseen:
    """The weeks ahead as a test says them."""

    runs: tuple[ComingRun, ...] = ()
    days_left: tuple[int | None, int | None, int | None] = (None, None, None)
    first: date = date(2012, 7, 20)

    def coming_runs(self) -> tuple[ComingRun, ...]:
        return self.runs


@pytest.fixture(scope="module")
def garden(tmp_path_factory: pytest.TempPathFactory) -> Iterator[PageGarden]:
    """In the morning, with a plan for today."""
    made = PageGarden(tmp_path_factory.mktemp("calendar"))
    made.start()
    yield made
    made.close()


def answer_of(garden: PageGarden, ahead: Foreseen | None = None) -> CalendarAnswer:
    return calendar_answer(garden.site, garden.store, garden.now(), ahead)  # type: ignore[arg-type]


def of_kind(answer: CalendarAnswer, kind: str) -> list[CalendarEntryAnswer]:
    return [e for e in answer.entries if e.kind == kind]


def unfolded(feed: bytes) -> list[str]:
    """Content lines (RFC 5545 3.1): a line break and a blank before the rest of a long line."""
    return feed.decode("utf-8").replace("\r\n ", "").removesuffix("\r\n").split("\r\n")


def test_the_plan_of_today_stands_in_it_at_its_instant(garden: PageGarden) -> None:
    plan = garden.store.last_plan()
    assert plan is not None and plan.runs
    runs = of_kind(answer_of(garden), "run")
    assert {r.title.split(":")[0] for r in runs} == {garden.site.zone(r.zone).name for r in plan.runs}
    lines = unfolded(calendar_feed(answer_of(garden)))
    first = min(r.start for r in plan.runs)
    # RFC 5545 3.3.5, form 2: the UTC instant, which every calendar shows in its own zone.
    assert f"DTSTART:{first.astimezone(UTC):%Y%m%dT%H%M%SZ}" in lines


def test_the_feed_keeps_to_rfc_5545_line_by_line(garden: PageGarden) -> None:
    ahead = Foreseen((ComingRun(garden.site.zones[0].id, date(2012, 7, 24), 12.0),), (2, 5, 9))
    feed = calendar_feed(answer_of(garden, ahead))
    # 3.1: lines end in CRLF and have no more than 75 octets, the line break apart.
    assert feed.endswith(b"\r\n") and b"\n" not in feed.replace(b"\r\n", b"")
    assert all(len(line) <= 75 for line in feed.split(b"\r\n"))
    lines = unfolded(feed)
    assert (lines[0], lines[-1]) == ("BEGIN:VCALENDAR", "END:VCALENDAR")
    # 3.6: each of these once in the object; 3.6.1: each of those once in an event.
    assert sum(x.startswith("PRODID:") for x in lines) == 1 and lines.count("VERSION:2.0") == 1
    events = re.findall(r"BEGIN:VEVENT\n(.*?)END:VEVENT", "\n".join(lines), re.DOTALL)
    assert len(events) == len(answer_of(garden, ahead).entries) >= 3
    for event in events:
        for name in ("UID", "DTSTAMP", "DTSTART"):
            assert len(re.findall(rf"^{name}[;:]", event, re.MULTILINE)) == 1, event
        # 3.3.11: a comma and a semicolon in a text are escaped.
        for text in re.findall(r"^(?:SUMMARY|DESCRIPTION):(.*)$", event, re.MULTILINE):
            assert not re.search(r"(?<!\\)[,;]", text), text
    # RFC 7986 5.7: the value's type is always written.
    assert "REFRESH-INTERVAL;VALUE=DURATION:PT1H" in lines
    # A general library reads it without an error.
    calendar = Calendar.from_ical(feed)
    assert all(not event.errors for event in calendar.walk("VEVENT"))


def test_what_is_only_foreseen_is_tentative_and_a_whole_day_of_the_garden(garden: PageGarden) -> None:
    zone = garden.site.zones[0].id
    ahead = Foreseen((ComingRun(zone, date(2012, 11, 4), 12.0),))  # a day of 25 hours there
    (entry,) = of_kind(answer_of(garden, ahead), "foreseen")
    assert (entry.first, entry.last, entry.certain) == (date(2012, 11, 4), date(2012, 11, 4), False)
    lines = unfolded(calendar_feed(answer_of(garden, ahead)))
    # RFC 5545 3.6.1: the end of a day's event is the day after.
    assert "DTSTART;VALUE=DATE:20121104" in lines and "DTEND;VALUE=DATE:20121105" in lines
    assert "STATUS:TENTATIVE" in lines


def test_a_run_is_the_same_entry_foreseen_planned_and_planned_anew(garden: PageGarden) -> None:
    plan = garden.store.last_plan()
    assert plan is not None
    run = plan.runs[0]
    (before, *_) = [
        e for e in of_kind(answer_of(garden), "run") if e.start == run.start.replace(microsecond=0)
    ]
    foreseen = Foreseen((ComingRun(run.zone, plan.day, 9.0),))
    # What is planned already is not there a second time.
    assert [e.uid for e in answer_of(garden, foreseen).entries].count(before.uid) == 1
    later = replace(run, start=run.start + timedelta(minutes=7), run_s=run.run_s + 60.0)
    garden.store.write([RecordPlan(replace(plan, runs=(later, *plan.runs[1:]), made_at=garden.now()))])
    after = next(e for e in answer_of(garden, foreseen).entries if e.uid == before.uid)
    assert after.start == before.start + timedelta(minutes=7)  # type: ignore[operator]
    # Before any plan of that day it was the same entry too.
    empty = replace(plan, day=plan.day - timedelta(days=1), runs=())
    garden.store.write([RecordPlan(empty)])
    assert [e.uid for e in of_kind(answer_of(garden, foreseen), "foreseen")] == [before.uid]
    garden.store.write([RecordPlan(plan)])


def test_openings_between_which_the_water_soaks_in_are_one_entry(garden: PageGarden) -> None:
    plan = garden.store.last_plan()
    assert plan is not None
    run = replace(plan.runs[0], pulses=2)
    second = replace(run, start=run.start + timedelta(minutes=40), pulse=2)
    garden.store.write([RecordPlan(replace(plan, runs=(run, second)))])
    (entry,) = of_kind(answer_of(garden), "run")
    assert entry.end is not None and entry.end >= second.start + timedelta(seconds=run.run_s)
    assert "in 2 openings" in entry.words
    garden.store.write([RecordPlan(plan)])


def test_a_zone_that_is_held_is_not_foreseen(garden: PageGarden) -> None:
    zone = garden.site.zones[0].id
    ahead = Foreseen((ComingRun(zone, date(2012, 7, 24), 9.0),))
    hold = RecordHold(zone, datetime(2012, 7, 26, tzinfo=UTC), "Ann", garden.now())
    garden.store.write([hold])
    assert of_kind(answer_of(garden, ahead), "foreseen") == []
    garden.store.write([replace(hold, until=garden.now() - timedelta(hours=1))])
    assert len(of_kind(answer_of(garden, ahead), "foreseen")) == 1


def test_the_day_on_which_water_runs_short_is_told_with_its_doubt(garden: PageGarden) -> None:
    (entry,) = of_kind(answer_of(garden, Foreseen(days_left=(2, 5, 9))), "runs_short")
    assert entry.first == date(2012, 7, 25) and not entry.certain
    assert "by Sunday 22 July" in entry.words and "by Sunday 29 July" in entry.words


def test_while_watering_is_stopped_no_run_is_announced(garden: PageGarden) -> None:
    garden.store.write([RecordStop(True, "Ann", garden.now())])
    answer = answer_of(garden, Foreseen((ComingRun(garden.site.zones[0].id, date(2012, 7, 24), 9.0),)))
    assert [e.kind for e in answer.entries] == ["stopped"]
    assert b"Ann" not in calendar_feed(answer)  # whoever has the link reads it
    garden.store.write([RecordStop(False, "Ann", garden.now())])
    assert "stopped" not in [e.kind for e in answer_of(garden).entries]


def test_a_drained_garden_announces_nothing_but_its_winter(garden: PageGarden) -> None:
    garden.store.write([RecordChoice("winter", "2012-07-18/2012-09-01", "Ann", garden.now())])
    answer = answer_of(garden, Foreseen((ComingRun(garden.site.zones[0].id, date(2012, 7, 24), 9.0),)))
    (entry,) = answer.entries
    assert (entry.kind, entry.first, entry.last) == ("drained", date(2012, 7, 18), date(2012, 9, 1))
    assert b"Ann" not in calendar_feed(answer)
    garden.store.write([RecordChoice("winter", None, "Ann", garden.now())])
    assert of_kind(answer_of(garden), "run")


def test_days_of_care_stand_on_their_day_and_overdue_ones_on_today(garden: PageGarden) -> None:
    """Filter twice a month, flush monthly (Akvopedia, Drip irrigation): 20 days after the first day the
    filter is overdue and the flush is to come."""
    today = garden.now().astimezone(garden.site.place.timezone).date()
    first = today - timedelta(days=20)
    garden.store.write([RecordDay(DayWeather(first, 12.0, 25.0, 0.0), ())])
    assert garden.store.first_balanced_day() == first
    care = {e.title: e for e in of_kind(answer_of(garden), "care")}
    assert care["Filter cleaned"].first == today
    assert care["Lines flushed"].first == first + timedelta(days=30)
    assert "Never told so far. When it is done: fallinghead care filter." in care["Filter cleaned"].words


def test_the_command_lists_writes_and_prints(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, garden: PageGarden
) -> None:
    site = example_site("five-drums")
    folder = tmp_path / "state"
    folder.mkdir()
    other = PageGarden(folder, site=site)
    other.serve()
    assert other.store.last_plan() is None
    monkeypatch.setenv("FALLINGHEAD_STATE", str(folder))
    monkeypatch.setattr(present, "now", garden.now)
    file = tmp_path / "garden.ics"
    run = CliRunner().invoke
    assert "nothing is coming that is known of" in run(app, ["calendar", "five-drums"]).output
    assert run(app, ["calendar", "five-drums", "--ics", str(file)]).output.startswith("Written:")
    assert file.read_bytes().startswith(b"BEGIN:VCALENDAR\r\n")
    read = CalendarAnswer.model_validate(json.loads(run(app, ["calendar", "five-drums", "--json"]).output))
    assert (read.timezone, read.entries) == ("America/Los_Angeles", [])
    other.close()


def test_what_todays_plan_leaves_out_is_foreseen_for_tomorrow(garden: PageGarden) -> None:
    plan = garden.store.last_plan()
    assert plan is not None
    zone = garden.site.zones[0].id
    ahead = Foreseen((ComingRun(zone, plan.day, 5.0),), first=plan.day)
    (run,) = coming_runs(ahead, replace(plan, runs=()))  # type: ignore[arg-type]
    assert run.day == plan.day + timedelta(days=1)
    (run,) = coming_runs(ahead, None)  # type: ignore[arg-type]
    assert run.day == plan.day
