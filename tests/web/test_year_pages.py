"""Winter, absences, care and put-off messages by the page: each is done when the service says so."""

from __future__ import annotations

from datetime import timedelta

import pytest

from scheduler.control.effects import Alert, RaiseAlert, RecordChoice
from scheduler.store.store import Telling
from tests.support.page_garden import PageGarden, form_of, heading, plain


def words(page: PageGarden, path: str = "/") -> str:
    answer = page.client.get(path)
    assert answer.status_code == 200, path
    return plain(answer.text)


def test_a_drained_garden_says_so_and_is_drawn_without_water(started: PageGarden) -> None:
    started.driver.node.level_m = None
    told = started.tell("winter", until="2012-09-15")
    assert "Done" in told and "Drained since Friday 20 July 2012, probably until Saturday 15" in told
    before = words(started)
    assert "Valve of Pots and of Bed: to be half open, but the node last said shut" in before
    assert "There is nothing to do" not in before
    assert heading(started.client.get("/").text).startswith("Drained for the winter since today")
    started.tell("care", subject="valves")
    started.driver.wait(8 * 3600.0, every_s=900.0)
    started.hear()
    page = started.client.get("/").text
    assert heading(page) == (
        "Drained for the winter since today, until about Saturday 15 September. Nothing is watered."
    )
    said = plain(page)
    assert "Nothing until the garden is brought back." in said
    assert "no water until the garden is back" in said
    assert "Drained, as told: the barrels are empty" in said
    assert 'class="water"' not in page and "barrel unknown" not in page and 'class="barrel"' in page
    assert "All watering is stopped" not in said and "level is not known" not in said
    assert "Valve of" not in said


def test_water_that_is_still_there_is_told_before_it_freezes(started: PageGarden) -> None:
    started.tell("winter")
    said = words(started)
    assert "The sensor says that water stands" in said and "let it out before it freezes" in said
    assert 'class="water"' in started.client.get("/").text  # drawn as it is, not as it is told


def test_a_garden_brought_back_asks_for_each_check_until_it_is_told(started: PageGarden) -> None:
    started.tell("winter")
    told = started.tell("winter", back="1")
    assert "Brought back" in told
    page = started.client.get("/").text
    assert heading(page) == "Brought back from the winter today; 7 checks are still to be told as done."
    assert "To do: Drains and taps of the barrels shut, barrels rinsed," in plain(page)
    for task in ("barrels", "filter", "flush", "joints", "level"):
        started.store.write([RecordChoice(f"care {task}", "2012-07-20", "Ann", started.now())])
    started.tell("care", subject="drains")
    assert "1 check is still to be told as done" in words(started)
    assert "To do: Emitters measured with catch cans." in words(started)
    started.tell("care", subject="cans")
    assert "Brought back" not in words(started)


def test_nothing_is_called_done_before_the_service_took_it_in(started: PageGarden) -> None:
    sent = started.client.post("/tell/winter", data=form_of(started.client))
    assert heading(sent.text) == "Kept, not answered yet"
    assert "Drained" not in heading(started.client.get("/").text)
    started.take_requests()
    assert heading(started.client.get(str(sent.url)).text) == "Done"
    assert heading(started.client.get("/").text).startswith("Drained")


@pytest.mark.parametrize(
    ("name", "fields", "why"),
    [
        ("winter", {"day": "2012-08-01"}, "still to come"),
        ("winter", {"day": "soon"}, "Read &#39;soon&#39; as the day"),
        ("away", {"day": "2012-07-25"}, "both the first and the last day"),
        ("away", {"day": "2012-07-25", "until": "2012-07-21"}, "ends before it begins"),
        ("care", {"subject": "polish"}, "no task"),
        ("quiet", {"subject": "valve_not_shut", "day": "2012-08-01"}, "no message that may wait"),
        ("quiet", {"subject": "run_short"}, "before which day"),
    ],
)
def test_a_slip_is_refused_in_words(started: PageGarden, name: str, fields: dict[str, str], why: str) -> None:
    assert plain(why) in started.tell(name, **fields)


def test_days_away_stand_on_the_page_and_have_a_list_for_the_helper(started: PageGarden) -> None:
    assert "nobody said that they are away" in words(started, "/away").lower()
    told = started.tell("away", day="2012-07-22", until="2012-08-04")
    assert "Away from Sunday 22 July 2012 to Saturday 4 August 2012 noted" in told
    page = started.client.get("/").text
    assert heading(page).startswith("All is well")
    assert "Nobody at home from Sunday 22 July to Saturday 4 August." in plain(page)
    assert "There is nothing to do." in plain(page)
    listed = words(started, "/away")
    assert "Nobody at home from Sunday 22 July to Saturday 4 August." in listed
    assert "shut the hand tap at the barrels" in listed
    started.tell("away", back="1")
    assert "Nobody at home" not in words(started)


def test_care_is_told_with_one_tap_and_shown_with_its_day(started: PageGarden) -> None:
    before = words(started, "/care")
    assert "Filter cleaned last: never told" in before
    started.tell("care", subject="filter")
    after = words(started, "/care")
    assert "Filter cleaned last: today due: Friday 3 August" in after
    started.tell("care", subject="flush", day="2012-06-01")
    assert "Lines flushed last: Friday 1 June due since Sunday 1 July" in words(started, "/care")
    page = started.client.get("/").text
    assert heading(page).startswith("All is well") and "Care is due: lines flushed." in plain(page)
    assert "What to look at stands below." in plain(page)


def test_a_message_is_put_off_on_the_page_and_who_was_told_stands_there(started: PageGarden) -> None:
    now = started.now()
    alert = Alert("run_short", "bed", f"{started.site.name}: bed gave less.", "Clean.", False, now)
    urgent = Alert("valve_not_shut", "", f"{started.site.name}: a valve is open.", "Go.", True, now)
    started.store.write([RaiseAlert(alert), RaiseAlert(urgent)])
    for person, status in (("Ann", "told"), ("Ben", "failed")):
        at = now + timedelta(minutes=1)
        started.store.save_telling(Telling("run_short", "bed", now, person, status, at))
    said = words(started, "/care")
    assert "reached Ann Bed gave less." in said and "could not be sent to Ben" in said
    assert started.client.get("/care").text.count("Put off") == 1  # what is urgent has no such button
    assert "Not sent before Wednesday 1 August 2012" in started.tell(
        "quiet", subject="run_short", day="2012-08-01"
    )
    assert "Put off to Wednesday 1 August: run short" in words(started, "/care")
    started.tell("quiet", subject="run_short", back="1")
    assert "Put off to" not in words(started, "/care")


def test_who_may_only_look_sees_care_without_buttons(started: PageGarden) -> None:
    started.hands.ahead = timedelta(minutes=31)
    page = started.client.get("/care").text
    assert "Done today" not in page and "Filter cleaned" in page
