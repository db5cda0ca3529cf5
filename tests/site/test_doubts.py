"""Sizes that look like a slip of the pen are told with what was read, and no garden is refused for them."""

from __future__ import annotations

import pytest

from scheduler.site.doubts import place_doubts, size_doubts
from scheduler.site.examples import EXAMPLES, example_text
from scheduler.site.model import Site
from scheduler.site.reading import read_site_text


def garden(old: str, new: str) -> Site:
    text = example_text("five-drums")
    assert old in text
    return read_site_text(text.replace(old, new), "garden.toml")


@pytest.mark.parametrize("name", EXAMPLES)
def test_no_example_is_doubted(name: str) -> None:
    site = read_site_text(example_text(name), name)
    assert size_doubts(site) == [] and place_doubts(site) == []


def test_a_garden_on_the_other_side_of_the_world_than_its_clock_is_doubted() -> None:
    """122.3 E is 8.15 h ahead of Greenwich by the sun (15 degrees an hour), Seattle's winter clock 8 h
    behind: 16.15 h apart, which around the day is 7.85 h."""
    (said,) = place_doubts(garden('"122.3 W"', '"122.3 E"'))
    assert "Read longitude 122.3 E with the time zone America/Los_Angeles" in said and " 8 h off" in said


@pytest.mark.parametrize(
    ("longitude", "zone"),
    [
        # Clocks far from the sun's time that are so by law (places and offsets: the time zone database).
        ("76.0 E", "Asia/Shanghai"),  # Kashgar: UTC+8 at 5.1 h of sun
        ("8.8 W", "Europe/Madrid"),
        ("157.4 W", "Pacific/Kiritimati"),  # UTC+14 at -10.5 h: the same clock a day on
        ("171.8 W", "Pacific/Apia"),
        ("10.0 E", "Etc/UTC"),
    ],
)
def test_a_clock_that_is_odd_by_law_is_not_doubted(longitude: str, zone: str) -> None:
    text = example_text("five-drums").replace('"122.3 W"', f'"{longitude}"')
    site = read_site_text(text.replace('"America/Los_Angeles"', f'"{zone}"'), "garden.toml")
    assert place_doubts(site) == []


def test_a_canopy_far_too_wide_for_its_pot_is_doubted_with_both_figures() -> None:
    text = example_text("five-drums")
    canopy = next(line for line in text.splitlines() if line.startswith("canopy = "))
    soil = next(line for line in text.splitlines() if line.startswith(("soil = ", "container = ")))
    site = read_site_text(
        text.replace(canopy, 'canopy = "30 m2"').replace(soil, 'container = "30 L"'), "garden.toml"
    )
    said = size_doubts(site)
    assert said and "a canopy of 30.0 m2 over a pot of 30.0 L" in said[0]


def test_a_flow_of_a_hundredfold_is_doubted_once_for_all_plants() -> None:
    site = garden('flow = "3.0 L/h"', 'flow = "300 L/h"')
    (said,) = size_doubts(site)
    assert "tomato-2 (300 L/h)" in said and "at 1.00 m of head" in said
