"""Pictures of every page in every state, to be opened and looked at, and what axe-core finds wrong with it.

PYTHONPATH=. python -m tests.web.look_at_pages FOLDER [STATE ...]
"""

from __future__ import annotations

import re
import sys
import tempfile
from pathlib import Path
from unittest.mock import patch

from tests.support.axe import faults_of
from tests.support.page_browser import HEIGHTS, Theme, answered_by, chromium, window
from tests.support.page_states import STATES

THEMES: tuple[Theme, ...] = ("light", "dark")
# Beside the first page of each state, in the state in which most stands on them.
OTHERS = (
    "/day",
    "/weeks",
    "/weeks/what-if",
    "/weeks/tested",
    "/weeks/change",
    "/weeks/change?what=raise&amount=30",
    "/weeks/season",
    "/tell",
    "/care",
    "/away",
    "/calendar",
    "/enter",
    "/first",
    "/leave",
)
ALL_PAGES = ("short", "week-on")


def main(folder: Path, wanted: list[str]) -> None:
    folder.mkdir(parents=True, exist_ok=True)
    with chromium() as browser, patch("scheduler.link.nudge.nudge", lambda site, **_: True):
        for state in wanted or STATES:
            with tempfile.TemporaryDirectory() as made:
                garden = STATES[state](Path(made))
                plant = f"/plant/{garden.site.plants[0].id}"
                paths = ("/", plant, *OTHERS) if state in ALL_PAGES else ("/",)
                for width in HEIGHTS:
                    for theme in THEMES:
                        context = window(browser, width, theme)
                        page = context.new_page()
                        answered_by(page, garden.client)
                        for path in paths:
                            garden.hands.monotonic_s += 10.0  # within the limit of looks a minute
                            page.goto(path)
                            name = re.sub(r"\W+", "-", path.strip("/")) or "now"
                            file = folder / f"{state}_{name}_{width}_{theme}.png"
                            # The bar with the stop stays at the foot of the window; here, of the page.
                            page.evaluate(
                                "document.querySelector('.stop')?.style.setProperty('position', 'static')"
                            )
                            page.screenshot(path=file, full_page=True)
                            print(file.name, *(faults_of(page) or ("no violation",)))
                        context.close()
                garden.close()


if __name__ == "__main__":
    main(Path(sys.argv[1]), sys.argv[2:])
