"""axe-core, the rules of WCAG 2.2 A and AA and its own good practice, on every page in a real Chromium.

Here each page is tried on a phone in the light by every rule, and on a desk in the dark by those that see
colour and layout. By hand, every page in every state, by every rule, at three widths in both:
`python -m tests.web.look_at_pages FOLDER`.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from pathlib import Path
from unittest.mock import patch

import pytest
from playwright.sync_api import Browser
from starlette.testclient import TestClient

from scheduler.agronomy.weather import DayWeather
from scheduler.control.effects import RecordDay, RootZoneRecord
from scheduler.report.answers import ReportAnswer
from scheduler.report.garden_report_page import report_page
from scheduler.report.sheet import sheet_answer
from scheduler.report.sheet_page import sheet_page
from scheduler.site.model import Site
from scheduler.web.app import make_app
from tests.support.axe import SEEN, faults_of
from tests.support.many_gardens import one_of_many
from tests.support.page_browser import HEIGHTS, answered_by, chromium, window
from tests.support.page_garden import HOST, PageGarden
from tests.support.page_states import STATES

pytestmark = [pytest.mark.slow]

PAGES = (
    "/",
    "/plant/tomato",
    "/day",
    "/weeks",
    "/weeks/what-if",
    "/weeks/tested",
    "/weeks/change?what=raise&amount=30",
    "/weeks/season",
    "/tell",
    "/care",
    "/away",
    "/calendar",
    "/round",
    "/leave",
    "/nowhere",
)
DOORS = ("/enter", "/first")
# The pages with tables, forms and drawings: the others are made of the same.
RICH = ("/", "/plant/tomato", "/day", "/weeks", "/tell", "/care", "/round")


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with chromium() as found:
        yield found


@pytest.fixture(scope="module")
def garden(tmp_path_factory: pytest.TempPathFactory) -> Iterator[PageGarden]:
    """Little water, a plant that is not reached, nobody at home; beside it a round of gardens in trouble."""
    base = tmp_path_factory.mktemp("axe")
    with patch("scheduler.link.nudge.nudge", lambda site, **_: True):
        found = STATES["short"](base)
    folder = base / "gardens"
    for number in (1, 2):
        one = one_of_many(folder, number, found.now())
        one.alert("valve_not_shut", found.now(), urgent=True)
    app = make_app(found.garden, found.keys, hosts=[HOST], tls=True, round_of=[str(folder)], wait_s=0.0)
    found.client = TestClient(app, base_url=f"https://{HOST}", cookies=found.client.cookies)
    yield found
    found.close()


@dataclass
class Judged:
    """What was found wrong with each page: by every rule on a phone in the light, and with the rich ones by
    those that see on a desk in the dark, the same page looked at again."""

    phone: dict[str, list[str]] = field(default_factory=dict)
    desk: dict[str, list[str]] = field(default_factory=dict)
    wide_px: dict[str, int] = field(default_factory=dict)  # on the phone


@pytest.fixture(scope="module")
def judged(browser: Browser, garden: PageGarden) -> Judged:
    found = Judged()
    stranger = TestClient(garden.client.app, f"https://{HOST}")
    for client, paths in ((garden.client, PAGES), (stranger, DOORS)):
        context = window(browser, 360, "light")
        page = context.new_page()
        answered_by(page, client)
        for path in paths:
            page.goto(path)
            found.phone[path] = faults_of(page)
            found.wide_px[path] = page.evaluate("document.documentElement.scrollWidth")
            if path in RICH:
                page.set_viewport_size({"width": 1280, "height": HEIGHTS[1280]})
                page.emulate_media(color_scheme="dark")
                found.desk[path] = faults_of(page, SEEN)
                page.set_viewport_size({"width": 360, "height": HEIGHTS[360]})
                page.emulate_media(color_scheme="light")
        context.close()
    return found


def test_no_page_breaks_a_rule_on_a_phone_in_the_light(judged: Judged) -> None:
    assert judged.phone == {path: [] for path in (*PAGES, *DOORS)}


def test_no_page_is_wider_than_a_phone(judged: Judged) -> None:
    assert {path: px for path, px in judged.wide_px.items() if px > 360} == {}


def test_none_breaks_one_of_colour_or_room_on_a_desk_in_the_dark(judged: Judged) -> None:
    assert judged.desk == {path: [] for path in RICH}


def test_on_a_phone_the_stop_takes_little_of_it_and_is_hit_and_tables_fit_or_show_that_they_go_on(
    browser: Browser, garden: PageGarden
) -> None:
    context = window(browser, 360, "light")
    page = context.new_page()
    answered_by(page, garden.client)
    page.goto("/plant/tomato")
    bar, button, height = page.evaluate(
        "[...['form.stop', 'form.stop button'].map("
        "q => document.querySelector(q).getBoundingClientRect().height), innerHeight]"
    )
    assert bar < height / 11
    assert button >= 44  # WCAG 2.2, 2.5.5
    table = "document.querySelector('.scroll[aria-labelledby=h-emitters]')"
    assert page.evaluate(f"{table}.scrollWidth <= {table}.clientWidth")
    # What travels along with the table covers the shade at the edge once the end is reached.
    kinds = page.evaluate(f"getComputedStyle({table}).backgroundAttachment").split(", ")
    assert kinds == ["local", "local", "scroll", "scroll"]
    page.goto("/")
    lefts = page.evaluate(
        "[...document.querySelectorAll('.section.narrow .level')].map(t => t.getBoundingClientRect().left)"
    )
    assert lefts and min(lefts) >= 8  # no level's name is cut off, nor would it be with a digit more
    context.close()


def test_the_tables_of_the_weeks_fit_on_a_phone_whoever_stood_short(browser: Browser, tmp_path: Path) -> None:
    page_of = STATES["week-on"](tmp_path)
    yesterday = page_of.now().date() - timedelta(days=1)
    weather = DayWeather(yesterday, tmin_c=13.0, tmax_c=28.0, rain_mm=0.0)
    short = (
        RootZoneRecord(p.id, yesterday, 40.0, 5.0, 4.0, "test", 3.2, 0.4, 0.73) for p in page_of.site.plants
    )
    page_of.store.write([RecordDay(weather, tuple(short))])
    context = window(browser, 360, "light")
    page = context.new_page()
    answered_by(page, page_of.client)
    page.goto("/weeks")
    tables = page.evaluate(
        "[...document.querySelectorAll('.scroll')].map("
        "t => [t.getAttribute('aria-labelledby'), t.scrollWidth <= t.clientWidth])"
    )
    assert tables == [["h-short", True], ["h-litres", True]]
    assert faults_of(page) == []
    context.close()
    page_of.close()


def test_a_refusal_before_any_page_is_a_page_by_the_rules_too(browser: Browser, garden: PageGarden) -> None:
    refused = garden.client.get("/", headers={"host": "<b>other</b>.example"})
    assert refused.status_code == 421
    page = browser.new_page()
    page.set_content(refused.text)
    assert faults_of(page) == []
    page.close()


def test_no_printed_page_breaks_a_rule(browser: Browser, garden: PageGarden) -> None:
    site, now = garden.site, garden.now()
    page = browser.new_page()
    for text in (sheet_page(site, sheet_answer(site, (), now)), report_page(site, _report(site, now))):
        page.set_content(text)
        assert faults_of(page) == []
    page.close()


def _report(site: Site, now: datetime) -> ReportAnswer:
    """One row of everything."""
    day, zone, plant = now.date(), site.zones[0].id, site.plants[0]
    litres = {"used_l": 9.0, "rain_l": 3.0, "given_l": 6.0}
    barrels = {"caught_l": 5.0, "overflow_l": 0.0, "taken_l": 0.0, "leak_l": None}
    per_zone = {"watered_l": {z.id: 1.0 for z in site.zones}, "minutes": {z.id: 3.0 for z in site.zones}}
    days = [
        {"date": day, "rain_mm": 1.0, "et0_mm": None, "added_l": 0.0, "held_l": 90.0, "short": [plant.id]}
        | barrels
        | per_zone
    ]
    run = {"at": now, "zone": zone, "level_m": None, "minutes": 3.0, "volume_l": 2.0, "note": "ended early"}
    return ReportAnswer.model_validate(
        litres
        | barrels
        | {"garden": site.name, "first": day, "last": day, "known_days": 1, "rain_share": 0.3}
        | {"topped_up_l": 0.0, "leak_l": 0.0, "days": days, "flow": [], "credits": ["Weather by nobody."]}
        | {"plants": [{"id": plant.id, "name": plant.name, "days_short": 1} | litres]}
        | {"runs": [run | {"volume_low_l": 1.0, "volume_high_l": 3.0}]}
        | {"care": [{"at": now, "who": "Ann", "step": "filter", "zone": None}]}
        | {"faults": [{"at": now, "cleared_at": None, "kind": "run_short", "text": "Little came."}]}
        | {"worth_changing": [{"change": "clean the filter", "evidence": "little came"}]}
    )


def test_a_page_that_breaks_rules_is_found_out(browser: Browser) -> None:
    page = browser.new_page()
    page.set_content('<main><p style="color:#ccc;background:#fff">faint</p><img src="x"></main>')
    assert {fault.split(":")[0] for fault in faults_of(page)} >= {
        "image-alt",
        "color-contrast",
        "html-has-lang",
    }
    page.close()


def test_what_is_faint_in_the_dark_alone_is_found_when_the_light_changes(browser: Browser) -> None:
    """The look of a page that stays open is judged anew."""
    page = browser.new_page()
    page.set_content(
        "<style>p{color:#111;background:#fff}@media (prefers-color-scheme:dark){p{color:#eee}}</style>"
        "<main><p>faint at night</p></main>"
    )
    page.emulate_media(color_scheme="light")
    assert faults_of(page, SEEN) == []
    page.emulate_media(color_scheme="dark")
    assert [fault.split(":")[0] for fault in faults_of(page, SEEN)] == ["color-contrast"]
    page.close()
