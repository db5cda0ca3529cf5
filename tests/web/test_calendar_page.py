"""The link of the calendar: made by who may act, opens the feed and nothing else, ends when it is told to."""

from __future__ import annotations

import re

from scheduler.control.effects import RecordStop
from tests.support.page_garden import HOST, PASSWORD, PageGarden, form_of, plain, token


def link_of(page: PageGarden) -> str:
    found = re.search(r'value="(https://[^"]+\.ics)"', page.client.get("/calendar").text)
    return found[1] if found is not None else ""


def make_link(page: PageGarden, what: str = "new") -> str:
    sent = page.client.post(f"/calendar/{what}", data={"token": token(page.client, "/calendar")})
    assert sent.url.path == "/calendar"
    return link_of(page)


def test_there_is_no_link_until_somebody_makes_one(started: PageGarden) -> None:
    assert "There is no link now" in plain(started.client.get("/calendar").text)
    assert started.visitor().get(f"/calendar/{'A' * 43}.ics").status_code == 404
    link = make_link(started)
    # 256 bits in base 64.
    assert re.fullmatch(rf"https://{HOST}/calendar/[\w-]{{43}}\.ics", link)


def test_a_calendar_program_reads_the_coming_runs_without_a_session(started: PageGarden) -> None:
    answer = started.visitor().get(make_link(started))
    assert answer.status_code == 200
    assert answer.headers["content-type"] == "text/calendar; charset=utf-8"
    plan = started.store.last_plan()
    assert plan is not None
    assert f"DTSTART:{plan.runs[0].start:%Y%m%dT%H%M%SZ}" in answer.text


def test_the_page_says_all_that_the_link_shows_and_the_feed_names_nobody(started: PageGarden) -> None:
    link = make_link(started)
    words = plain(started.client.get("/calendar").text)
    for shown in ("each zone is watered", "runs short", "care is due", "stopped or the garden drained"):
        assert shown in words, shown
    assert "and nothing else" not in words
    started.store.write([RecordStop(True, "Rosalind", started.now())])
    feed = started.visitor().get(link).text
    assert "Watering is stopped" in feed and "Rosalind" not in feed


def test_the_link_opens_nothing_else(started: PageGarden) -> None:
    link = make_link(started)
    stranger = started.visitor()
    stranger.get(link)
    for path in ("/", "/day", "/tell", "/calendar", "/plant/sage"):
        assert stranger.get(path).url.path == "/enter", path
    form = form_of(started.client)
    assert stranger.post("/stop", data=form, follow_redirects=False).headers["location"].startswith("/enter")


def test_a_new_link_ends_the_old_one_and_ending_ends_both(started: PageGarden) -> None:
    first = make_link(started)
    second = make_link(started)
    assert first != second
    assert started.visitor().get(first).status_code == 404
    assert started.visitor().get(second).status_code == 200
    assert make_link(started, "end") == ""
    assert started.visitor().get(second).status_code == 404


def test_a_new_password_ends_the_link(started: PageGarden) -> None:
    link = make_link(started)
    started.let_in(started.visitor())
    assert started.visitor().get(link).status_code == 404


def test_the_link_outlives_a_restart_and_does_not_stand_in_the_file(started: PageGarden) -> None:
    link = make_link(started)
    kept = started.keys.path.read_text(encoding="utf-8")
    assert link.removesuffix(".ics").rsplit("/", 1)[1] not in kept and PASSWORD not in kept
    again = type(started.keys)(started.keys.path, started.now)
    assert again.calendar_link_is_right(link.removesuffix(".ics").rsplit("/", 1)[1])


def test_a_file_of_keys_from_before_there_were_links_is_read(started: PageGarden) -> None:
    kept = started.keys.path.read_text(encoding="utf-8")
    started.keys.path.write_text(kept.replace('"calendar": null, ', ""), encoding="utf-8")
    assert "calendar" not in started.keys.path.read_text(encoding="utf-8")
    assert "There is no link now" in plain(started.client.get("/calendar").text)
