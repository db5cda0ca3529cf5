"""Every action is taken in by the real controller, done once, and told by what really became of it."""

from __future__ import annotations

from pathlib import Path

import pytest

from scheduler.control.effects import Alert, RaiseAlert, SendClose
from scheduler.control.events import RequestKind
from scheduler.service.practised import MARK, PRACTICE_OVER
from scheduler.site.errors import StoreError
from scheduler.store.store import Store
from tests.support.page_garden import PASSWORD, WHO, PageGarden, form_of, heading, plain, token


def _asked(page: PageGarden) -> list[tuple[str, str | None, float | None]]:
    requests = page.store.requests_since(page.driver.start)
    return [(a.request.kind, a.request.subject, a.request.amount) for a in requests]


# ---- Stop and start again ----------------------------------------------------------------------------------


def test_a_stop_closes_at_once_and_says_when_the_node_has_confirmed(started: PageGarden) -> None:
    sent = started.client.post("/stop", data=form_of(started.client))
    assert heading(sent.text) == "Kept, not answered yet"
    assert "No valve is proven shut. If you are not sure, shut the hand tap" in plain(sent.text)

    started.take_requests()
    assert SendClose(None) in started.driver.effects
    page = started.client.get(str(sent.url)).text
    assert heading(page) == "Stopped, but not confirmed"
    assert "shut the hand tap at the barrels" in plain(page)

    started.hear()
    page = started.client.get(str(sent.url)).text
    assert heading(page) == "Stopped, and every valve is shut"
    assert "Look again" not in plain(page)
    assert heading(started.client.get("/").text).startswith(f"All watering is stopped by {WHO}.")


def test_a_stop_without_a_service_says_that_nothing_is_done_yet(started: PageGarden) -> None:
    started.lock.release()
    sent = started.client.post("/stop", data=form_of(started.client))
    assert heading(sent.text) == "Kept, not done"
    assert "shut the hand tap at the barrels" in plain(sent.text)


def test_a_stop_where_no_node_was_ever_heard_says_so(tmp_path: Path) -> None:
    page = PageGarden(tmp_path)
    page.let_in()
    page.serve()
    page.settle()
    sent = page.client.post("/stop", data=form_of(page.client))
    page.take_requests()
    shown = page.client.get(str(sent.url)).text
    assert heading(shown) == "Stopped, but no node was ever heard"
    assert "shut the hand tap at the barrels" in plain(shown)
    assert "Close orders" not in plain(shown)
    page.close()


def test_a_stop_that_cannot_be_kept_says_so(started: PageGarden, monkeypatch: pytest.MonkeyPatch) -> None:
    form = form_of(started.client)

    def full(*_: object, **__: object) -> None:
        raise StoreError("The disk is full.")

    monkeypatch.setattr(Store, "add_request_once", full)
    sent = started.client.post("/stop", data=form)
    assert sent.status_code == 503
    assert heading(sent.text) == "Not stopped"
    assert "The disk is full." in plain(sent.text)
    assert "shut the hand tap at the barrels" in plain(sent.text)


def test_a_practice_that_is_over_takes_no_order_and_keeps_none(
    started: PageGarden, monkeypatch: pytest.MonkeyPatch
) -> None:
    """In a sentence of its own, without a word of the command line's surroundings."""
    stop, form = form_of(started.client), token(started.client, "/tell")
    started.lock.release()
    (started.store_path.parent / MARK).write_text(started.now().isoformat(), encoding="utf-8")
    monkeypatch.setattr("scheduler.web.acting.ask", lambda *_, **__: pytest.fail("it was asked"))
    sent = started.client.post("/stop", data=stop)
    assert sent.status_code == 400
    assert f"Nothing was stopped. {PRACTICE_OVER}" in plain(sent.text)
    assert "FALLINGHEAD" not in sent.text
    orders = (("water", {"subject": "sage", "amount": "1"}), ("again", {}), ("took", {"amount": ""}))
    for name, fields in orders:
        sent = started.client.post(f"/tell/{name}", data={"token": form, "once": "a" * 16, **fields})
        assert sent.status_code == 400
        assert PRACTICE_OVER in plain(sent.text) and "Nothing was stopped" not in plain(sent.text)
    assert _asked(started) == []


def test_pages_of_a_practice_that_is_over_have_no_form_to_act_and_say_why(started: PageGarden) -> None:
    low = Alert("near_empty", "", "The barrels are nearly empty.", "Top up.", False, started.now())
    started.store.write([RaiseAlert(low)])
    sent = started.client.post("/stop", data=form_of(started.client))
    started.take_requests()
    pages = ("/", "/tell", "/care", "/plant/sage", "/away", "/weeks", "/calendar", sent.url.path)
    assert 'href="/tell#again"' in started.client.get("/").text
    assert (
        'action="/stop"' in started.client.get("/").text
        and 'action="/tell/' in started.client.get("/tell").text
    )
    started.lock.release()
    (started.store_path.parent / MARK).write_text(started.now().isoformat(), encoding="utf-8")
    for path in pages:
        shown = started.client.get(path)
        assert shown.status_code == 200 and PRACTICE_OVER in plain(shown.text), path
        assert 'method="post"' not in shown.text and "/enter?again" not in shown.text, path
        assert 'href="/tell' not in shown.text, path


def test_a_practice_whose_mark_cannot_be_read_is_told_as_that_and_takes_no_order(
    started: PageGarden,
) -> None:
    started.lock.release()
    (started.store_path.parent / MARK).write_text("", encoding="utf-8")
    shown = started.client.get("/")
    assert shown.status_code == 400 and "it is no time" in plain(shown.text)
    assert 'method="post"' not in shown.text


def test_after_a_stop_watering_starts_again_when_asked(started: PageGarden) -> None:
    started.client.post("/stop", data=form_of(started.client))
    started.take_requests()
    assert "Watering goes on; the next run is planned anew." in started.tell("again")
    assert "stopped" not in heading(started.client.get("/").text)


# ---- The rest ----------------------------------------------------------------------------------------------

ASKS: list[tuple[str, dict[str, str], tuple[RequestKind, str | None, float | None], str]] = [
    (
        "hold",
        {"subject": "bed", "day": "2012-07-25"},
        ("hold", "bed", 115.98),
        "Bed: held until Wednesday 25",
    ),
    ("measured", {"amount": "58,5"}, ("measured", None, 0.585), "Level 58.5 cm noted"),
    ("took", {"amount": "20"}, ("took", None, 20.0), "20.0 L noted as taken from the barrels."),
    ("gave", {"subject": "sage", "amount": "3 L"}, ("gave", "sage", 3.0), "3.0 L noted for Sage"),
    ("topped-up", {"amount": "100 L"}, ("topped_up", None, 100.0), "100 L noted as topped up."),
    ("rained", {"amount": "6"}, ("rained", "2012-07-20", 6.0), "6.0 mm of rain noted for Friday 20 July."),
    ("rank", {"subject": "thyme", "amount": "1"}, ("rank", "thyme", 1.0), "Thyme has rank 1 from now on"),
    ("ration", {"subject": "first-rank"}, ("ration", "first-rank", None), "to the plants of the first rank"),
    ("reserve", {}, ("reserve", "released", None), "The reserve of 40.0 L is released"),
    ("reserve", {"back": "1"}, ("reserve", None, None), "The reserve of 40.0 L is kept again."),
]


def test_each_form_becomes_one_request_and_the_answer_is_shown(started: PageGarden) -> None:
    for number, (name, fields, (kind, subject, amount), answer) in enumerate(ASKS, 1):
        words = started.tell(name, **fields)
        assert answer in words, name
        found = _asked(started)
        assert len(found) == number
        assert found[-1][:2] == (kind, subject)
        assert found[-1][2] == (pytest.approx(amount, abs=0.02) if amount is not None else None)
        assert f"Request {number}: " in words and WHO in words


def test_what_was_chosen_is_shown_until_it_is_taken_back(started: PageGarden) -> None:
    for name, fields, *_ in ASKS[6:9]:
        started.tell(name, **fields)
    words = plain(started.client.get("/tell").text)
    assert "Chosen here: Thyme 1." in words
    assert "Now: to the plants of the first rank alone." in words
    assert "Now released: 40.0 L." in words
    assert "rank 1, chosen here (3 in the site file)" in plain(started.client.get("/plant/thyme").text)
    assert "The reserve is released" in plain(started.client.get("/").text)
    started.tell("reserve", back="1")
    started.tell("rank", subject="thyme", amount="1", back="1")
    words = plain(started.client.get("/tell").text)
    assert "Now kept: 40.0 L." in words and "Chosen here" not in words


def test_what_was_told_can_be_taken_back(started: PageGarden) -> None:
    started.tell("took", amount="20")
    assert "20.0 L taken back from what was told." in started.tell("took", amount="20", back="1")
    assert _asked(started)[-1] == ("took", None, -20.0)


def test_a_hold_can_be_ended(started: PageGarden) -> None:
    started.tell("hold", subject="bed", day="2012-07-25")
    assert "Bed: held by Ann until Wednesday 25 July 00:00." in plain(started.client.get("/").text)
    assert "Bed: no longer held" in started.tell("hold", subject="bed", back="1")


def test_water_is_confirmed_by_the_run_and_not_by_the_click(started: PageGarden) -> None:
    sent = started.client.post(
        "/tell/water", data=form_of(started.client) | {"subject": "tomato", "amount": "2"}
    )
    started.take_requests()
    assert (
        heading(started.client.get(str(sent.url)).text) == "The order is sent; the valve has not reported yet"
    )
    order = started.driver.orders()[-1]
    started.driver.node.opens(order)
    started.hear()
    started.driver.wait(order.open_ms / 1000.0, every_s=60)
    started.driver.node.ends(order)
    started.hear()
    page = started.client.get(str(sent.url)).text
    assert heading(page) == "Watered"
    (booking,) = [
        b for b in started.store.bookings_since(started.now().date()) if b.order_id == order.order_id
    ]
    assert f"{booking.volume_l:.1f} L went out" in plain(page)


def test_water_whose_order_opened_nothing_is_not_told_as_watered(started: PageGarden) -> None:
    sent = started.client.post(
        "/tell/water", data=form_of(started.client) | {"subject": "tomato", "amount": "2"}
    )
    started.take_requests()
    started.driver.wait(300.0, every_s=60)  # the node speaks, and knows of no order
    started.settle()
    page = started.client.get(str(sent.url)).text
    assert heading(page) == "Not watered"
    assert "No water went out. It never began." in plain(page)


CANNOT: list[tuple[str, dict[str, str], str]] = [
    ("water", {"subject": "rose", "amount": "2"}, "There is no zone or plant 'rose'"),
    ("water", {"subject": "sage", "amount": "-2"}, "an amount is more than nothing"),
    ("water", {"subject": "sage", "amount": "two"}, "two"),
    ("gave", {"subject": "bed", "amount": "2"}, "There is no plant 'bed'"),
    ("measured", {"amount": "-3"}, "counted from the outlet upwards"),
    ("measured", {"amount": "300"}, "Read 3.00 m above the outlet; the level must lie between"),
    ("measured", {"amount": "95"}, "Read 95.0 cm above the outlet; the level must lie between"),
    ("rained", {"amount": "-1"}, "rain is 0 or more"),
    ("rained", {"amount": "3", "day": "tomorrow"}, "write it as 2031-07-01"),
    ("hold", {"subject": "bed"}, "Say until which day"),
    ("hold", {"subject": "bed", "day": "2012-07-01"}, "has begun already"),
    ("rank", {"subject": "sage", "amount": "first"}, "a rank is a whole number"),
    ("ration", {"subject": "evenly"}, "There is no way 'evenly'"),
    ("took", {"amount": "1e400 L"}, "1e400"),
]


def test_what_cannot_be_is_refused_in_words_before_it_is_kept(started: PageGarden) -> None:
    for name, fields, said in CANNOT:
        words = started.tell(name, **fields)
        assert "That cannot be" in words, fields
        assert said in words, words
    assert _asked(started) == []


def test_what_the_controller_refuses_is_shown_as_refused(started: PageGarden) -> None:
    words = started.tell("took", amount="9000")
    assert "Refused" in words
    assert "a slip of the key or of the unit?" in words


def test_there_is_no_other_thing_to_ask(started: PageGarden) -> None:
    assert started.client.post("/tell/open", data=form_of(started.client)).status_code == 404
    assert started.client.get("/asked/77").status_code == 404


# ---- Once --------------------------------------------------------------------------------------------------


def test_a_form_sent_twice_is_done_once(started: PageGarden) -> None:
    form = form_of(started.client) | {"amount": "20"}
    first = started.client.post("/tell/took", data=form)
    started.take_requests()
    second = started.client.post("/tell/took", data=form)
    assert second.url == first.url
    assert _asked(started) == [("took", None, 20.0)]
    started.take_requests()
    assert len(started.store.hand_water_since(started.now().date())) == 1


def test_a_form_sent_again_after_the_page_was_started_anew_is_done_once(started: PageGarden) -> None:
    form = form_of(started.client) | {"amount": "20"}
    number, new = started.store.add_request_once(form["once"], "took", WHO, None, 20.0, started.now())
    assert new
    sent = started.client.post("/tell/took", data=form)
    assert sent.url.path == f"/asked/{number}"
    assert _asked(started) == [("took", None, 20.0)]


def test_two_phones_that_ask_the_same_ask_twice(started: PageGarden) -> None:
    other = started.visitor()
    entered = other.post("/enter", data={"token": token(other, "/enter"), "password": PASSWORD, "who": "Ben"})
    assert entered.status_code == 200
    started.tell("took", amount="20")
    assert "Ben" in started.tell("took", other, amount="20")
    assert _asked(started) == [("took", None, 20.0)] * 2


def test_names_of_sendings_are_kept_for_so_many_requests_and_then_go(
    started: PageGarden, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("scheduler.store.writing.ONCE_KEPT", 5)
    for n in range(3):
        started.store.add_request_once(f"early-{n}", "took", WHO, None, 1.0, started.now())
    for _ in range(5):
        started.store.add_request("took", WHO, None, 1.0, started.now())
    number, _ = started.store.add_request_once("late", "took", WHO, None, 1.0, started.now())
    assert started.store.mark("once:early-0") is None
    assert started.store.mark("once:late") == str(number)


def test_a_request_nudges_the_service(started: PageGarden, nudges: list[str]) -> None:
    started.tell("took", amount="20")
    assert nudges == [started.site.id]


# ---- The pages of a plant and of a day ---------------------------------------------------------------------


def test_a_plants_page_tells_its_need_its_soil_and_its_emitters(started: PageGarden) -> None:
    words = plain(started.client.get("/plant/sage").text)
    assert "Sage" in words and "Wants " in words
    assert "b1" in words and "L/h" in words
    assert started.client.get("/plant/rose").status_code == 404


def test_a_day_tells_its_plan_and_what_people_did(started: PageGarden) -> None:
    started.tell("took", amount="20")
    page = started.client.get("/day")
    assert page.url.path == "/day/2012-07-20"
    words = plain(page.text)
    assert "From 05:00, open " in words
    assert f"{WHO}: Water taken from the barrels: 20.0 L" in words
    empty = plain(started.client.get("/day/2012-07-01").text)
    assert "No plan was made for this day" in empty
    assert "Nothing is in the books of this day." in empty
    to_come = plain(started.client.get("/day/2012-07-21").text)
    assert "This day is still to come." in to_come and "No plan was made" not in to_come
    assert started.client.get("/day/yesterday").status_code == 404
    assert started.client.get("/day/9999-12-31").status_code == 404
