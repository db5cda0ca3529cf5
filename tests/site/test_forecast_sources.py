from __future__ import annotations

import re

import pytest

from scheduler.site.errors import SiteFileError
from scheduler.site.examples import example_text
from scheduler.site.reading import read_site_text

DRUMS = example_text("five-drums")
# The example names one source, whichever it is.
SECTION = re.compile(r"(?ms)^\[forecast\]\n.*?(?=^\[|\Z)")


def with_forecast(*lines: str) -> str:
    text, count = SECTION.subn("[forecast]\n" + "\n".join(lines) + "\n\n", DRUMS)
    assert count == 1
    return text


def test_sources_are_kept_in_their_order() -> None:
    text = with_forecast(
        'service = "met-norway"',
        'then = ["open-meteo", "file"]',
        'contact = "g@example.org"',
        'path = "w.csv"',
    )
    forecast = read_site_text(text, "t").forecast
    assert forecast.services == ("met-norway", "open-meteo", "file")
    assert forecast.contact == "g@example.org"


def test_one_source_alone_is_as_before() -> None:
    forecast = read_site_text(with_forecast('service = "open-meteo"'), "t").forecast
    assert forecast.services == ("open-meteo",) and forecast.contact == "" and forecast.path is None


@pytest.mark.parametrize(
    ("lines", "key", "remedy"),
    [
        (['service = "met-norway"'], "contact", "names no address"),
        (['service = "open-meteo"', 'then = ["us-weather"]'], "contact", "names no address"),
        (['service = "open-meteo"', 'then = ["open-meteo"]'], "then", "twice"),
        (['service = "open-meteo"', 'then = ["file"]'], "path", "name the weather file"),
        (['service = "open-meteo"', 'path = "w.csv"'], "path", "take it out"),
        (['service = "open-meteo"', 'then = ["almanac"]'], "then", "open-meteo"),
    ],
)
def test_a_mistake_in_the_sources_is_told_with_its_key(lines: list[str], key: str, remedy: str) -> None:
    with pytest.raises(SiteFileError) as caught:
        read_site_text(with_forecast(*lines), "t")
    assert [p.key for p in caught.value.problems] == [f"forecast, {key}"]
    assert remedy in str(caught.value)
