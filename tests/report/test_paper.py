"""No page ends a line between a figure and its unit."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from jinja2 import Environment

from scheduler.report.paper import Page, template
from tests.support.page_garden import PageGarden

JOINED = "\N{NO-BREAK SPACE}"


def shown(text: str, said: str = "") -> str:
    environment = Environment(autoescape=True)
    environment.template_class = Page
    return environment.from_string(text).render(said=said)


@pytest.mark.parametrize(
    "figure", ["57.7 L", "9.8 %", "2.4 L/h", "39.5 cm", "2 h", "12 gal", "21 °C", "0.92 psi"]
)
def test_a_figure_and_its_unit_are_one_word_in_words_and_in_values(figure: str) -> None:
    joined = figure.replace(" ", JOINED)
    assert shown(f"<p>about {figure}, then</p>") == f"<p>about {joined}, then</p>"
    assert shown("<p>{{ said }}.</p>", figure) == f"<p>{joined}.</p>"


def test_what_is_sent_or_is_no_unit_stays_as_it_is() -> None:
    for text in (
        '<input value="raise barrels 30 cm">',
        '<path d="M2 2 L 10 h 3">',
        "<p>3 lavenders, 14 days, 2 Lilies</p>",
    ):
        assert shown(text) == text


def test_the_report_and_the_page_of_a_garden_are_made_so(tmp_path: Path) -> None:
    assert isinstance(template("report.html"), Page)
    garden = PageGarden(tmp_path)
    garden.start()
    garden.let_in()
    text = garden.client.get("/").text
    garden.close()
    words = re.sub(r"<[^>]*>", "", text)
    assert re.search(rf"\d{JOINED}L\b", words)
    assert not re.search(r"\d (L|%|cm)\b", words)
