"""A real browser on the page of a running garden: daemon, Mosquitto and the node's program in MicroPython.

The browser is Chromium: the one that FALLINGHEAD_CHROMIUM names, one of the system, or playwright's own
(``playwright install --with-deps chromium``).
"""

from __future__ import annotations

import os
import re
import shutil
import threading
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from urllib.parse import urlsplit

import pytest
import uvicorn
from playwright.sync_api import Browser, BrowserContext, Locator, Page, expect, sync_playwright
from starlette.testclient import TestClient

from scheduler.control.events import RequestKind
from scheduler.web.app import make_app, make_office
from scheduler.web.facts import Garden
from scheduler.web.keys import Keys
from tests.end_to_end.garden_under_test import GardenUnderTest
from tests.support.many_gardens import one_of_many
from tests.support.page_actions import ACTS, Kept, day_of
from tests.support.page_browser import answered_by, window
from tests.support.page_garden import HOST, PageGarden

pytestmark = [pytest.mark.end_to_end, pytest.mark.slow]

PASSWORD = "rain falls on tin"
# Long enough for a busy machine; nothing waits so long when all is well.
PATIENCE_MS = 30_000
expect.set_options(timeout=PATIENCE_MS)
PHONE = {"width": 360, "height": 740}


@dataclass
class Running:
    garden: GardenUnderTest
    keys: Keys
    url: str
    browser: Browser

    def phone(self, *, script: bool = True) -> BrowserContext:
        context = self.browser.new_context(base_url=self.url, viewport=PHONE, java_script_enabled=script)
        context.set_default_timeout(PATIENCE_MS)
        return context

    def entered(self, who: str, *, script: bool = True) -> tuple[BrowserContext, Page]:
        """A phone whose owner has just given the password."""
        if not self.keys.has_password:
            assert self.keys.set_password(self.keys.new_code(), PASSWORD, who)
        context = self.phone(script=script)
        page = context.new_page()
        page.goto("/enter")
        page.get_by_label("Your name, for the books").fill(who)
        page.get_by_label("Password").fill(PASSWORD)
        page.get_by_role("button", name="Enter").click()
        expect(page.get_by_role("button", name="Stop all watering")).to_be_visible()
        return context, page

    def chosen(self, subject: str) -> str | None:
        with self.garden.store() as store:
            return {c.subject: c.value for c in store.choices_now()}.get(subject)

    def asked(self, kind: RequestKind) -> int:
        with self.garden.store() as store:
            asked = store.requests_since(datetime(2012, 1, 1, tzinfo=UTC))
        return sum(a.request.kind == kind for a in asked)


def _browser_path() -> str | None:
    named = os.environ.get("FALLINGHEAD_CHROMIUM")
    return named or shutil.which("chromium") or shutil.which("google-chrome")


@pytest.fixture(scope="module")
def running(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Running]:
    folder = tmp_path_factory.mktemp("browser")
    garden = GardenUnderTest(folder)
    try:
        garden.start()
        environment = {
            "FALLINGHEAD_STATE": str(garden.state),
            "FALLINGHEAD_BROKER_USER": "person",
            "FALLINGHEAD_BROKER_PASSWORD": garden.broker.passwords["person"],
        }
        page = Garden(garden.site, environment=environment)
        keys = Keys(folder / "page.json", page.now)
        app = make_app(page, keys, hosts=["127.0.0.1"], tls=False)
        server = uvicorn.Server(
            uvicorn.Config(app, host="127.0.0.1", port=0, log_level="error", ws="none", lifespan="off")
        )
        thread = threading.Thread(target=server.run)
        thread.start()
        garden.wait(lambda: server.started, 30, "the page is served")
        port = server.servers[0].sockets[0].getsockname()[1]
        with sync_playwright() as driver:
            browser = driver.chromium.launch(executable_path=_browser_path(), args=["--no-sandbox"])
            yield Running(garden, keys, f"http://127.0.0.1:{port}", browser)
            browser.close()
        server.should_exit = True
        thread.join(30)
        page.close()
    finally:
        garden.close()


def _heading(page: Page, text: str) -> None:
    expect(page.get_by_role("heading", level=1)).to_have_text(text)


def test_from_the_first_code_to_water_and_a_stop_that_closes_the_valve(running: Running) -> None:
    """The whole way of a household on its first day."""
    garden, context = running.garden, running.phone()
    page = context.new_page()
    faults: list[str] = []
    page.on("console", lambda said: faults.append(said.text) if said.type == "error" else None)
    page.on("request", lambda sent: faults.append(sent.url) if not sent.url.startswith(running.url) else None)
    page.goto("/")
    page.get_by_label("Code from the log").fill(running.keys.new_code())
    page.get_by_label("A new password").fill(PASSWORD)
    page.get_by_label("Your name, for the books").fill("Ines")
    page.get_by_role("button", name="Set the password and enter").click()

    drawn = page.locator(".section.narrow")
    expect(drawn).to_be_visible()
    for look, style in (
        ("wall", "stroke"),
        ("water", "fill"),
        ("grade.now", "stroke"),
        ("mark.full", "fill"),
    ):
        ink = drawn.locator(f".{look}").first.evaluate(f"e => getComputedStyle(e).{style}")
        assert ink.startswith("rgb"), look  # not "none": it is seen

    page.get_by_role("link", name="sage").click()
    page.locator("#water").get_by_label("How much").fill("4")
    page.get_by_role("button", name="Water", exact=True).click()
    _heading(page, "The order is sent; the valve has not reported yet")
    garden.wait(lambda: garden.water.is_open, 20, "the valve opens")

    page.get_by_role("button", name="Stop all watering").click()
    _heading(page, "Stopped, and every valve is shut")
    assert garden.water.shut
    assert 0.0 < garden.water.given_l < 4.0

    page.get_by_role("link", name="To the garden").click()
    expect(page.get_by_role("heading", level=1)).to_contain_text("All watering is stopped by Ines.")
    page.get_by_role("link", name="Start again").click()
    page.get_by_role("button", name="Start again").click()
    _heading(page, "Done")
    with garden.store() as store:
        stop = store.stop_state()
    assert stop is not None and not stop.stopped and stop.who == "Ines"
    assert faults == []
    context.close()


def test_a_run_is_told_as_done_when_the_node_has_reported_it(running: Running) -> None:
    context, page = running.entered("Ines")
    page.goto("/tell")
    form = page.locator("#water")
    form.get_by_label("Zone or plant").select_option("bed")
    form.get_by_label("How much").fill("0.2")
    form.get_by_role("button").click()
    _heading(page, "Watered")  # the page looks again by itself
    expect(page.locator(".todo")).to_contain_text("L went out")
    context.close()


def test_without_javascript_a_stop_closes_the_valve_and_says_so(running: Running) -> None:
    garden = running.garden
    context, page = running.entered("Ben", script=False)
    garden.order(4.0)
    page.goto("/")
    page.get_by_role("button", name="Stop all watering").click()
    for _ in range(20):
        if page.get_by_role("heading", level=1).text_content() == "Stopped, and every valve is shut":
            break
        page.get_by_role("link", name="Look again").click()
    _heading(page, "Stopped, and every valve is shut")
    assert garden.water.shut
    page.goto("/tell")
    page.get_by_role("button", name="Start again").click()
    _heading(page, "Done")
    context.close()


def test_when_the_line_is_lost_it_is_said_and_nothing_is_done_twice(running: Running) -> None:
    context, page = running.entered("Ines")
    before = running.asked("took")
    page.goto("/tell")
    form = page.locator("#took")
    form.get_by_label("How much").fill("2")
    answers = iter(["lost on the way back", "lost on the way there"])

    def bad_line(route: object) -> None:
        lost = next(answers, None)
        if lost == "lost on the way back":
            route.fetch(max_redirects=0)  # type: ignore[attr-defined]
        route.continue_() if lost is None else route.abort()  # type: ignore[attr-defined]

    page.route("**/tell/took", bad_line)
    form.get_by_role("button", name="Tell what I took").click()
    expect(form.get_by_role("status")).to_contain_text("No connection: it is not known whether this arrived.")
    _heading(page, "Done")
    assert running.asked("took") == before + 1
    context.close()


def test_two_phones_stop_at_once_and_both_are_answered(running: Running) -> None:
    garden = running.garden
    before = running.asked("stop")
    garden.order(4.0)
    phones = [running.entered(who) for who in ("Ines", "Ben")]
    for _, page in phones:
        page.get_by_role("button", name="Stop all watering").click(no_wait_after=True)
    for _, page in phones:
        _heading(page, "Stopped, and every valve is shut")
    assert garden.water.shut
    assert running.asked("stop") == before + 2
    page = phones[0][1]
    page.goto("/tell")
    page.get_by_role("button", name="Start again").click()
    _heading(page, "Done")
    for context, _ in phones:
        context.close()


def test_a_garden_is_drained_and_brought_back_and_care_is_told(running: Running) -> None:
    context, page = running.entered("Ines")
    page.goto("/tell")
    winter = page.locator("#winter")
    winter.get_by_role("button", name="It is drained").click()
    _heading(page, "Done")
    assert running.chosen("winter") is not None
    page.goto("/")
    expect(page.get_by_role("heading", level=1)).to_contain_text("Drained for the winter since today")
    page.goto("/tell")
    form = page.locator("#water")
    form.get_by_label("How much").fill("1")
    form.get_by_role("button").click()
    _heading(page, "Refused")
    expect(page.locator(".todo")).to_contain_text("drained for the winter")
    page.goto("/")
    page.get_by_role("link", name="Tell that it is back").click()
    winter.get_by_role("button", name="The garden is back").click()
    _heading(page, "Done")
    assert (running.chosen("winter") or "").startswith("back ")
    page.goto("/care")
    page.get_by_role("button", name="Done today: Filter cleaned").click()
    _heading(page, "Done")
    context.close()


def test_each_form_does_what_it_says_and_the_store_holds_it(running: Running) -> None:
    """One after the other on one phone; what takes back stands behind what it takes back."""
    garden, (context, page) = running.garden, running.entered("Ines")
    today = datetime.now(garden.site.place.timezone).date()
    for act in ACTS:
        page.goto(act.page)
        form = page.locator(act.form)
        for label, value in act.fields.items():
            _fill(form.get_by_label(label), day_of(value, today))
        with page.expect_request(lambda sent: sent.method == "POST") as pressed:
            form.get_by_role("button", name=act.button, exact=True).click()
        sent = urlsplit(pressed.value.url).path
        assert act.action == (f"{sent} back" if "back=1" in (pressed.value.post_data or "") else sent)
        _heading(page, "Done")
        with garden.store() as store:
            assert act.kept(Kept(store, garden.site, datetime.now(UTC))), act.action
        if act.then is not None:
            page.goto(act.then[0])
            expect(page.get_by_role("heading", level=1)).to_contain_text(act.then[1])
    context.close()


def _fill(field: Locator, value: str) -> None:
    if field.evaluate("e => e.tagName") == "SELECT":
        field.select_option(value)
    else:
        field.fill(value)


def test_a_calendars_link_is_made_and_ended_and_the_page_is_left(running: Running) -> None:
    keys, (context, page) = running.keys, running.entered("Ines")
    page.goto("/calendar")
    page.get_by_role("button", name="Make a link").click()
    link = page.get_by_label("Give it this link:")
    expect(link).to_have_value(re.compile(r"/calendar/\S+\.ics$"))
    first = keys.calendar_link()
    assert first is not None and first in link.input_value()
    page.get_by_role("button", name="Make a new link").click()
    expect(link).not_to_have_value(re.compile(re.escape(first)))
    assert not keys.calendar_link_is_right(first)
    page.get_by_role("button", name="End the link").click()
    expect(page.get_by_text("There is no link now.")).to_be_visible()
    assert keys.calendar_link() is None

    (cookie,) = context.cookies()
    assert keys.session(cookie["value"]) is not None
    page.get_by_role("link", name="Leave").click()
    page.get_by_role("button", name="Leave").click()
    _heading(page, "The password of this garden")
    assert keys.session(cookie["value"]) is None
    context.close()


def test_an_office_is_entered_by_a_code_left_and_entered_by_its_password(
    running: Running, started: PageGarden, tmp_path: Path
) -> None:
    one_of_many(tmp_path / "gardens", 1, started.now())
    keys = Keys(tmp_path / "office.json", started.now)
    office = make_office(
        "The round", [str(tmp_path / "gardens")], keys, hosts=[HOST], tls=True, now=started.now
    )
    context = window(running.browser, 360, "light")
    page = context.new_page()
    answered_by(page, TestClient(office, base_url=f"https://{HOST}"))
    page.goto("/")
    page.get_by_label("Code from the log").fill(keys.new_code())
    page.get_by_label("A new password").fill(PASSWORD)
    page.get_by_role("button", name="Set the password and enter").click()
    expect(page.get_by_role("heading", level=1)).to_contain_text("1 garden")
    assert keys.has_password
    page.get_by_role("link", name="Leave").click()
    page.get_by_role("button", name="Leave").click()
    page.get_by_label("Password").fill(PASSWORD)
    page.get_by_role("button", name="Enter").click()
    expect(page.get_by_role("heading", level=1)).to_contain_text("1 garden")
    context.close()


def test_a_day_to_last_through_is_asked_by_its_form(running: Running, started: PageGarden) -> None:
    context = window(running.browser, 360, "light")
    page = context.new_page()
    answered_by(page, started.client)
    page.goto("/weeks")
    page.get_by_label("It is to last through").fill("2012-07-25")
    page.get_by_role("button", name="Work it out").click()
    expect(page.locator("#lasts")).to_contain_text("Through Wednesday 25 July it lasts")
    context.close()


def test_the_keyboard_alone_reaches_the_stop_and_every_form(running: Running) -> None:
    context, page = running.entered("Ines")
    page.goto("/tell")
    page.evaluate(
        "window.reached = new Set(); document.addEventListener('focusin', (e) => "
        "window.reached.add(e.target.closest('form')?.getAttribute('action')))"
    )
    for _ in range(110):
        page.keyboard.press("Tab")
    reached = set(page.evaluate("[...window.reached]"))
    assert {"/stop", "/tell/again", "/tell/hold", "/tell/measured", "/tell/rained"} <= reached
    assert {"/tell/away", "/tell/care", "/tell/winter"} <= reached
    hidden = page.evaluate(
        "[...document.querySelectorAll('main button')].filter(b => {"
        "b.focus(); const r = b.getBoundingClientRect();"
        "return r.bottom > document.querySelector('.stop').getBoundingClientRect().top + 1}).length"
    )
    assert hidden == 0  # the focus is never under the stop's bar (WCAG 2.2, 2.4.11)
    context.close()


def test_on_a_phone_the_round_is_no_wider_than_the_screen_whatever_file_it_names(
    running: Running, started: PageGarden, tmp_path: Path
) -> None:
    folder = tmp_path / "gardens"
    one = one_of_many(folder, 1, started.now())
    one.file.write_text("no site file", encoding="utf-8")
    long = one.file.parent.rename(folder / ("a-garden-with-a-long-name" * 4))
    round_app = make_app(started.garden, started.keys, hosts=[HOST], tls=True, round_of=[str(folder)])
    client = TestClient(round_app, base_url=f"https://{HOST}", cookies=started.client.cookies)
    text, style = client.get("/round").text, client.get("/static/page.css").text
    assert long.name in text  # the long word is on the page
    page = running.browser.new_page(viewport=PHONE)
    page.set_content(text)
    page.add_style_tag(content=style)
    assert page.evaluate("document.documentElement.scrollWidth") == PHONE["width"]
    button = page.get_by_role("button", name="Stop all watering").bounding_box()
    assert button is not None and button["x"] >= 0 and button["x"] + button["width"] <= PHONE["width"]
    page.close()
