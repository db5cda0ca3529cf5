"""A real Chromium before the page of a garden, without a server between.

What the browser asks for is answered by the application itself, in the same thread, so that a test may move
clock, store and node between two looks.
"""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Literal

from playwright.sync_api import Browser, BrowserContext, Page, Route, sync_playwright
from starlette.testclient import TestClient

from tests.support.page_garden import HOST

Theme = Literal["light", "dark"]
HEIGHTS = {360: 740, 768: 1024, 1280: 900}


def browser_path() -> str | None:
    """The one that FALLINGHEAD_CHROMIUM names, one of the system, or (None) playwright's own."""
    named = os.environ.get("FALLINGHEAD_CHROMIUM")
    return named or shutil.which("chromium") or shutil.which("google-chrome")


@contextmanager
def chromium() -> Iterator[Browser]:
    with sync_playwright() as driver:
        browser = driver.chromium.launch(executable_path=browser_path(), args=["--no-sandbox"])
        yield browser
        browser.close()


def window(browser: Browser, width: int, theme: Theme, *, script: bool = True) -> BrowserContext:
    return browser.new_context(
        base_url=f"https://{HOST}",
        viewport={"width": width, "height": HEIGHTS[width]},
        color_scheme=theme,
        java_script_enabled=script,
        reduced_motion="reduce",
    )


def answered_by(page: Page, client: TestClient) -> None:
    """From now on ``client`` answers what the page asks of the garden; anything else is refused. The client
    keeps the cookies."""

    def answer(route: Route) -> None:
        asked = route.request
        if not asked.url.startswith(f"https://{HOST}/"):
            route.abort()
            return
        headers = {k: v for k, v in asked.headers.items() if k in ("content-type", "accept")}
        got = client.request(asked.method, asked.url, content=asked.post_data_buffer, headers=headers)
        kept = {
            k: v
            for k, v in got.headers.items()
            if k not in ("content-encoding", "content-length", "set-cookie")
        }
        route.fulfill(status=got.status_code, headers=kept, body=got.content)

    page.unroute_all()
    page.route("**/*", answer)
