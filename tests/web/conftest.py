from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.support.page_garden import PageGarden


@pytest.fixture(autouse=True)
def nudges(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """No broker is asked for; whom a nudge would have gone to."""
    sent: list[str] = []
    monkeypatch.setattr("scheduler.link.nudge.nudge", lambda site, **_: sent.append(site) or True)
    return sent


@pytest.fixture(autouse=True)
def quick_hashes(monkeypatch: pytest.MonkeyPatch) -> None:
    """Passwords are hashed in no time; that they really take it is held in test_rights.py."""
    monkeypatch.setattr("scheduler.web.keys.ARGON2_KIB", 64)
    monkeypatch.setattr("scheduler.web.keys.ARGON2_PASSES", 1)


@pytest.fixture
def page(tmp_path: Path) -> Iterator[PageGarden]:
    """A garden before its first start."""
    found = PageGarden(tmp_path)
    yield found
    found.close()


@pytest.fixture
def started(page: PageGarden) -> PageGarden:
    """In the morning, with a plan for today; the visitor is let in."""
    page.start()
    page.let_in()
    return page
