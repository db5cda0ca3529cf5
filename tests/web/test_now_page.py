"""The first page says how the garden stands, in each state, and never shows what is not known."""

from __future__ import annotations

import re
import time
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import pytest

from scheduler.control.effects import Alert, AlertKind, ClearAlert, RaiseAlert, RecordStop
from scheduler.control.orders import Order
from scheduler.service.practised import MARK
from scheduler.web.showing import sentence
from tests.support.gardens import small_garden
from tests.support.page_garden import PageGarden, heading, plain, token
from tests.support.page_states import STATES

# What may go over the wire for the first view (the project's own target).
FIRST_VIEW_BYTES = 60_000


def _page(page: PageGarden) -> str:
    answer = page.client.get("/")
    assert answer.status_code == 200
    return answer.text


def _raise(page: PageGarden, kind: AlertKind, text: str) -> None:
    alert = Alert(kind, "", f"{page.site.name}: {text}", "Look at it.", False, page.now())
    page.store.write([RaiseAlert(alert)])


def test_when_all_is_well_there_is_nothing_to_do(started: PageGarden) -> None:
    page = _page(started)
    assert heading(page) == "All is well: 2 zones are watered next, today from 05:00."
    assert "There is nothing to do." in plain(page)


def test_water_is_told_with_its_error_its_reserve_and_its_age(started: PageGarden) -> None:
    page = _page(started)
    words = plain(page)
    # No line ends before a sign or within what it stands for.
    assert re.search(r"60\.\d\xa0cm\xa0±\xa0\d\.\d\xa0cm", page) and "</b>\xa0±\xa0" in page
    # 60 cm in two drums of 58 cm: 2 * pi/4 * 5.8^2 * 6 dm3 = 317.0 L; a reserve of 40 L.
    assert "317 L in all above the outlet, 40 L of it kept as reserve" in words
    assert "277 L ± " in words
    assert re.search(r"Level 60\.\d cm ± \d\.\d cm above the outlet, read just now", words)


def test_days_left_are_a_span_and_the_next_run_has_its_reasons(tmp_path: Path) -> None:
    page = PageGarden(tmp_path, ahead=True)
    page.start()
    page.let_in()
    words = plain(_page(page))
    page.close()
    assert "As far as can be foreseen: Pots on Saturday 21 July, about " in words
    assert re.search(r"How long does it last\? \d+ to (over )?\d+ days", words)
    assert re.search(r"Pots, today 05:00, open \d+ min for \d+\.\d L\. Tomato is due", words)
    assert "so 13.9 L take" in words


def test_owners_of_us_units_read_gallons_and_inches(tmp_path: Path) -> None:
    page = PageGarden(tmp_path, site=replace(small_garden(), units="us"))
    page.start()
    page.let_in()
    words = plain(_page(page))
    # 317.0 L are 83.7 US gallons of 3.785 L, 60 cm are 23.6 in.
    gallons = re.search(r"(\d\d\.\d) gal in all", words)
    assert gallons is not None and float(gallons[1]) == pytest.approx(83.7, abs=0.2)
    assert re.search(r"Level 23\.[67] in", words)
    assert not re.search(r"\d (L|cm|mm)\b", words)
    page.close()


def test_a_node_that_hung_here_before_says_nothing_of_the_valves_of_now(started: PageGarden) -> None:
    heard = started.driver.node.says(started.driver.now)
    old = replace(heard, node="zz-old", valves=tuple(replace(v, position="fault") for v in heard.valves))
    started.store.flush([], [(old, started.driver.now.wall)])
    assert started.garden.look().unshut == ()
    ours = replace(heard, valves=tuple(replace(v, position="open") for v in heard.valves))
    started.store.flush([], [(ours, started.driver.now.wall)])
    assert {position for _, position in started.garden.look().unshut} == {"open"}


def test_barrels_that_hold_much_are_not_called_empty_for_a_plant_out_of_reach(started: PageGarden) -> None:
    words = "277 L stand above the reserve, but too low for Bed (it no longer reaches Thyme)."
    _raise(started, "near_empty", words)
    page = plain(_page(started))
    assert "too low for Bed" in page
    assert "nearly empty" not in page


def test_of_a_practice_that_is_over_nobody_is_sent_to_a_service(started: PageGarden) -> None:
    started.lock.release()
    assert "is not running" in plain(_page(started))
    (started.store_path.parent / MARK).write_text(started.now().isoformat(), encoding="utf-8")
    words = plain(_page(started))
    assert "a practice that is over" in words
    assert "is not running" not in words and "systemctl" not in words


def test_while_an_answer_is_awaited_it_is_not_said_that_there_is_nothing_to_do(started: PageGarden) -> None:
    assert "There is nothing to do." in plain(_page(started))
    sent = started.client.post(
        "/tell/took", data={"token": token(started.client, "/tell"), "once": "a" * 16, "amount": "20"}
    )
    assert heading(sent.text) == "Kept, not answered yet"
    words = plain(_page(started))
    assert "1 request waits for an answer." in words and "is still to be answered" in words
    assert "There is nothing to do." not in words
    started.lock.release()
    (started.store_path.parent / MARK).write_text(started.now().isoformat(), encoding="utf-8")
    words = plain(_page(started))
    assert "1 request waits for an answer." in words and "answered no more" in words
    assert "There is nothing to do." not in words
    told = plain(started.client.get(str(sent.url)).text)
    assert "The practice was over before this was answered." in told
    assert "it acts when it starts" not in told


def test_last_run_is_told_as_wanted_against_given(started: PageGarden) -> None:
    order = _run_to_its_end(started)
    words = plain(_page(started))
    booking = next(
        b for b in started.store.bookings_since(started.now().date()) if b.order_id == order.order_id
    )
    given, wanted = re.findall(r"Did the last run give what it should\? ([\d.]+) L of ([\d.]+) L", words)[0]
    assert float(given) == pytest.approx(booking.volume_l, abs=0.06)
    assert float(wanted) == pytest.approx(13.9, abs=0.3)
    assert "the level could not tell" in words or "the level in the barrels says" in words


def _run_to_its_end(page: PageGarden) -> Order:
    driver = page.driver
    while not driver.orders():
        driver.wait(300)
    order = driver.orders()[0]
    driver.node.opens(order)
    driver.wait(60, every_s=30)
    page.hear()
    assert re.match(r"Watering now: Pots, until about 05:\d\d\.", heading(_page(page)))
    driver.wait(order.open_ms / 1000.0, every_s=120)
    driver.node.ends(order)
    page.hear()
    return order


# ---- What may be wrong ------------------------------------------------------------------------------------


def test_before_the_first_start_nothing_is_known_and_the_garden_is_drawn(page: PageGarden) -> None:
    page.let_in()
    text = _page(page)
    assert heading(text) == "Nothing is known of this garden yet: its service has not run here."
    words = plain(text)
    assert "Not known. It was never read." in words
    assert "Tell a measured level" not in words  # nobody would take it up
    assert "whether it gets water is not known" in words
    assert "not known without the level" in words
    assert not re.search(r"\d L ", words)


def test_on_the_first_day_the_first_reading_is_waited_for(page: PageGarden) -> None:
    page.driver.node.level_m = None
    page.serve()
    page.begin()
    page.let_in()
    assert heading(_page(page)) == "The first day: no water level was read yet, so nothing is opened."
    page.tell("measured", amount="50")
    assert re.search(r"Level 50\.0 cm ± \d\.\d cm above the outlet, measured by hand ", plain(_page(page)))


def test_what_weighs_most_is_told_first(started: PageGarden) -> None:
    started.driver.wait(26 * 3600, every_s=1800)
    started.hear()
    _raise(started, "supply_low", "the valve's supply is at 11.5 V.")
    page = _page(started)
    assert not heading(page).startswith("The weather forecast is")
    assert "The weather forecast is 26 h old" in plain(page)
    assert plain(page).count("Watering goes on with the mean of the last days.") == 1


def test_an_unknown_level_is_not_the_last_level(started: PageGarden) -> None:
    started.driver.node.level_m = None
    started.driver.wait(7 * 3600, every_s=600)
    started.hear()
    text = _page(started)
    assert "The water level is not known" in heading(text)
    words = plain(text)
    assert "It was last known on Friday 20 July" in words
    assert "317 L" not in words
    assert 'class="water"' not in text
    assert "barrel unknown" in text
    assert "Tell a measured level" in words
    assert "Nothing until the level is known." in words


def test_a_silent_node_is_one_thing_to_do(started: PageGarden) -> None:
    started.driver.wait(3 * 3600, every_s=600, speaking=False)
    started.settle()
    text = _page(started)
    assert heading(text).startswith("The valve node is not heard")
    assert "Whether the valves are shut is not known." in plain(text)
    assert "Look at power and radio of the shed box." in plain(text)


def test_a_valve_not_proven_shut_comes_before_everything(started: PageGarden) -> None:
    _raise(started, "valve_not_shut", "a valve is not proven shut")
    started.store.write([RecordStop(True, "Ben", started.now())])
    text = _page(started)
    assert heading(text).startswith("A valve is not proven shut")
    assert "Go and shut the hand tap at the barrels." in plain(text)
    assert 'class="standing go-now"' in text
    assert "All watering is stopped by Ben." in plain(text)


def test_the_valve_that_is_to_be_looked_at_is_named(tmp_path: Path) -> None:
    page = STATES["valve-not-shut"](tmp_path)
    words = plain(_page(page))
    page.close()
    assert "Then look at the valve of Pots, which the node last called open." in words


def test_a_stop_says_who_and_whether_the_valves_are_shut(started: PageGarden) -> None:
    started.store.write([RecordStop(True, "Ben", started.now())])
    text = _page(started)
    assert heading(text) == "All watering is stopped by Ben. The node says that every valve is shut."
    assert "start again" in plain(text).lower()


def test_after_a_stop_without_a_service_no_valve_is_said_to_be_shut(started: PageGarden) -> None:
    started.store.write([RecordStop(True, "Ben", started.now())])
    started.lock.release()
    text = plain(_page(started))
    assert "Whether the valves are shut is not known: nobody listens to the node." in text
    assert "Shut the hand tap at the barrels." in text
    assert "every valve is shut" not in text


def test_a_service_that_is_away_is_told(started: PageGarden) -> None:
    started.lock.release()
    assert heading(_page(started)).startswith("The service that waters this garden is not running")


def test_an_unknown_clock_is_told(started: PageGarden) -> None:
    _raise(started, "clock_unknown", "the time of day is not known")
    assert heading(_page(started)) == "The time of day is not known to the Pi: nothing starts by the clock."


def test_a_stale_forecast_is_told_with_its_age(started: PageGarden) -> None:
    started.driver.wait(26 * 3600, every_s=1800)
    started.hear()
    page = _page(started)
    assert "The weather forecast is 26 h old" in plain(page)


def test_other_alerts_are_told_in_their_own_words_until_they_are_over(started: PageGarden) -> None:
    _raise(started, "supply_low", "the valve's supply is at 11.5 V.")
    assert heading(_page(started)) == "The valve's supply is at 11.5 V."
    started.store.write([ClearAlert("supply_low", "", started.now())])
    assert heading(_page(started)).startswith("All is well")


def test_a_damaged_store_is_told_and_the_page_still_stands(started: PageGarden) -> None:
    for ending in ("-wal", "-shm", ""):
        started.store_path.with_name(started.store_path.name + ending).unlink(missing_ok=True)
    started.store_path.write_bytes(b"this is no store" * 300)
    text = _page(started)
    assert heading(text).startswith("What is kept of this garden cannot be read")


# ---- Size -------------------------------------------------------------------------------------------------


def test_the_first_view_is_small_and_asks_nothing_of_anybody_else(started: PageGarden) -> None:
    page = _page(started)
    parts = re.findall(r'(?:href|src)="(/static/[^"]+)"', page)
    began = time.perf_counter()
    sizes = {"/": len(started.client.get("/").content)}
    print(f"server time of the first page, drawing and all: {1000 * (time.perf_counter() - began):.0f} ms")
    for part in parts:
        answer = started.client.get(part)
        assert answer.status_code == 200, part
        sizes[part] = len(answer.content)
    print(f"bytes before packing: {sizes}")
    assert len(sizes) == 4
    assert sum(sizes.values()) < FIRST_VIEW_BYTES
    assert not re.findall(r'(?:href|src|action)="(?:https?:)?//', page)
    assert " style=" not in page
    assert "<style" not in page
    assert not re.search(r"<script(?! src=)", page)
    assert not re.search(r" on[a-z]+=", page)


def test_a_mark_changes_when_the_page_does(started: PageGarden) -> None:
    def mark() -> str:
        return str(started.client.get("/fresh").json()["mark"])

    before = mark()
    assert mark() == before
    assert f'data-mark="{before}"' in _page(started)
    started.store.write([RecordStop(True, "Ben", started.now() + timedelta(seconds=1))])
    assert mark() != before


def test_a_plant_that_the_water_does_not_reach_is_told_first_and_drawn_with_a_cross(tmp_path: Path) -> None:
    page = STATES["short"](tmp_path)
    text = page.client.get("/").text
    page.close()
    words = plain(text)
    assert "1 plant is not reached at this level: Thyme." in words
    assert heading(text).startswith("Water is short")
    assert "Long section of Bed" in text  # though the next run is of another zone
    assert text.count('class="mark cross" d="M') >= 2  # in both sizes of the drawing, and in its key
    assert ">not reached</text>" in text
    # The sentence, the days and the litres agree, for it is said what each counts.
    assert "the store would run short today." in heading(text)
    assert (
        "How long does it last? Not for all plants. Not watered from today: Bed, for at this level the water "
        "does not reach Thyme."
    ) in words
    assert "Until the water reaches it, Bed cannot be watered, and that counts as short." in words
    usable = re.search(r"([\d.]+ L) ± [\d.]+ L can be used\.", words)
    assert usable is not None and f"The {usable[1]} that can be used are left for the others." in words


def test_a_zone_that_is_not_there_is_not_drawn(started: PageGarden) -> None:
    assert "Long section of Pots" in started.client.get("/?zone=nowhere").text
    assert "Long section of Bed" in started.client.get("/?zone=bed").text


def test_what_to_top_up_is_said_when_the_water_will_not_last(tmp_path: Path) -> None:
    page = PageGarden(tmp_path, ahead=True)
    page.driver.node.level_m = 0.16
    page.serve()
    page.begin()
    page.let_in()
    words = plain(_page(page))
    page.close()
    found = re.search(r"To last through Thu 02 August in nine of ten ways, top up (\d+\.?\d*) L now", words)
    assert found is not None, words
    assert "through an air gap" in words


def test_what_is_sought_among_many_ways_of_the_weather_is_not_sought_at_each_look(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It took four times as long as all the rest of the page together."""
    page = STATES["short"](tmp_path)
    before = re.search(r"top up [\d.]+ L now", plain(_page(page)))
    assert before is not None
    monkeypatch.setattr("scheduler.planning.ahead.store_trajectories", None)  # is called no more
    after = re.search(r"top up [\d.]+ L now", plain(_page(page)))
    assert after is not None and after[0] == before[0]
    page.close()


def test_what_was_said_some_days_ago_bears_its_day(started: PageGarden) -> None:
    at = started.now() - timedelta(days=2)
    started.store.write(
        [RaiseAlert(Alert("runs_out", "", "The stored water lasts until Monday.", "", False, at))]
    )
    local = at.astimezone(started.site.place.timezone)
    said = f"Told on {local:%A} {local.day} {local:%B}: The stored water lasts until Monday."
    assert said in plain(_page(started)) and said in plain(started.client.get("/care").text)


def test_of_empty_barrels_it_is_said_what_can_be_used_now_and_everything_else_agrees(tmp_path: Path) -> None:
    page = STATES["empty"](tmp_path)
    text = _page(page)
    page.close()
    words = plain(text)
    assert heading(text) == "The barrels are empty down to the reserve: nothing more can be used."
    assert "Water is short" not in words and "or release the reserve" in words  # there is nothing to choose
    assert "0 L ± 6 L can be used" in words and "How long does it last? Short today." in words
    assert 'href="/tell#topped-up"' in text


def test_a_note_of_the_books_stands_as_a_sentence_among_others() -> None:
    assert sentence("the node restarted") == "The node restarted."
    assert sentence("") == ""


def test_rain_that_will_run_over_stands_in_the_first_view(tmp_path: Path) -> None:
    page = STATES["storm"](tmp_path)
    text = _page(page)
    page.close()
    assert heading(text).startswith("All is well")
    words = plain(text)
    assert "What to look at stands below. Rain is to come: " in words
    assert re.search(
        r"\d+ L or more are likely to run over in the next 3 days\. What you want to use of", words
    )


def test_what_was_so_long_ago_when_it_was_said_is_told_by_the_clock(tmp_path: Path) -> None:
    page = STATES["level-jumped"](tmp_path)
    facts = page.garden.look()
    text = _page(page)
    page.close()
    assert facts.status is not None
    (alert,) = facts.status.alerts
    assert "1 h ago the level fell by 100 mm" in alert.text
    then = alert.since.astimezone(facts.site.place.timezone) - timedelta(hours=1)
    assert heading(text).startswith(f"About {then:%H:%M} the level fell by 100 mm")
    assert "Tell a measured level" in plain(text)


def test_a_run_that_broke_off_asks_for_nothing_at_once(tmp_path: Path) -> None:
    page = STATES["power-failed"](tmp_path)
    words = plain(_page(page))
    page.close()
    assert "A run of Pots broke off before its end. What comes: The rest is watered once more today" in words
