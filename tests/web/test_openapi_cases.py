"""A share of the requests drawn from the page's own description; the rest by hand (``openapi_cases``)."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.support.page_garden import PageGarden, plain
from tests.web.openapi_cases import Page, cases


def test_no_drawn_request_makes_the_page_fall_over(tmp_path: Path) -> None:
    page = Page(tmp_path)
    cases(page, 2)
    page.garden.close()
    # All sorts came through: taken, sent on to another page, refused as misread.
    assert {200, 303, 422} <= set(page.answers) and page.answers.total() >= 30


@pytest.mark.parametrize("origin", ["http://[", "https://[::1", "null", "//", "http://elsewhere.example"])
def test_an_origin_that_is_none_is_another_site(started: PageGarden, origin: str) -> None:
    answer = started.client.post("/stop", data={"token": "x"}, headers={"Origin": origin})
    assert answer.status_code == 403 and "sent by another site" in plain(answer.text)
