"""Sizes that look like a slip of the pen are told with what was read, and no garden is refused for them."""

from __future__ import annotations

import pytest

from scheduler.site.doubts import size_doubts
from scheduler.site.examples import EXAMPLES, example_text
from scheduler.site.model import Site
from scheduler.site.reading import read_site_text


def garden(old: str, new: str) -> Site:
    text = example_text("five-drums")
    assert old in text
    return read_site_text(text.replace(old, new), "garden.toml")


@pytest.mark.parametrize("name", EXAMPLES)
def test_no_example_is_doubted(name: str) -> None:
    assert size_doubts(read_site_text(example_text(name), name)) == []


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
