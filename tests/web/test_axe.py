"""axe-core, the rules of WCAG 2.2 A and AA and its own good practice, on every page in a real Chromium.

Here each page is tried on a phone in the light by every rule, and on a desk in the dark by those that see
colour and layout. By hand, every page in every state, by every rule, at three widths in both:
`python -m tests.web.look_at_pages FOLDER`.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from unittest.mock import patch

import pytest
from playwright.sync_api import Browser
from starlette.testclient import TestClient

from scheduler.web.app import make_app
from tests.support.axe import SEEN, faults_of
from tests.support.many_gardens import one_of_many
from tests.support.page_browser import Theme, answered_by, chromium, window
from tests.support.page_garden import HOST, PageGarden
from tests.support.page_states import STATES

pytestmark = [pytest.mark.slow]

PAGES = (
    "/",
    "/plant/tomato",
    "/day",
    "/weeks",
    "/weeks/what-if",
    "/tell",
    "/care",
    "/away",
    "/calendar",
    "/round",
    "/leave",
    "/nowhere",
)
DOORS = ("/enter", "/first")


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


@pytest.mark.parametrize(("width", "theme", "rules"), [(360, "light", None), (1280, "dark", SEEN)])
def test_no_page_breaks_a_rule(
    browser: Browser, garden: PageGarden, width: int, theme: Theme, rules: Sequence[str] | None
) -> None:
    context = window(browser, width, theme)
    page = context.new_page()
    found = {}
    for client, paths in ((garden.client, PAGES), (TestClient(garden.client.app, f"https://{HOST}"), DOORS)):
        answered_by(page, client)
        for path in paths:
            page.goto(path)
            found[path] = faults_of(page, rules)
    context.close()
    assert found == {path: [] for path in (*PAGES, *DOORS)}


def test_a_page_that_breaks_rules_is_found_out(browser: Browser) -> None:
    page = browser.new_page()
    page.set_content('<main><p style="color:#ccc;background:#fff">faint</p><img src="x"></main>')
    assert {fault.split(":")[0] for fault in faults_of(page)} >= {
        "image-alt",
        "color-contrast",
        "html-has-lang",
    }
    page.close()
