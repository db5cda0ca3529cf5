"""Barrels of every shape in a site file: read as written, and each mistake told on its own line."""

from __future__ import annotations

import re

import pytest

from scheduler.site.errors import SiteFileError
from scheduler.site.examples import example_text
from scheduler.site.model import Barrel
from scheduler.site.reading import read_site_text
from scheduler.site.schema import site_schema

DRUMS = example_text("five-drums")
TAPER = """
shape = "taper"
base_height = "45 cm"
height = "85 cm"
diameter = "50 cm"
top_diameter = "60 cm"
"""
TABLE = """
shape = "table"
base_height = "45 cm"
table = [
  { depth = "20 cm", volume = "40 L" },
  { depth = "60 cm", volume = "140 L" },
  { depth = "85 cm", volume = "55 gal" },
]
"""


def with_drums_as(entry: str) -> str:
    """The example with its five drums described in another way."""
    text, count = re.subn(
        r'shape = "upright".*?diameter = "57.15 cm"\n', entry.strip() + "\n", DRUMS, flags=re.S
    )
    assert count == 1
    return text


def barrel(entry: str) -> Barrel:
    return read_site_text(with_drums_as(entry), "garden.toml").tank.barrels[0]


def test_a_taper_is_read_with_its_bulge_and_its_lean() -> None:
    read = barrel(TAPER + 'middle_diameter = "62 cm"\ntilt = "1/2 in"\n')
    assert (read.shape, read.diameter_m, read.top_diameter_m) == ("taper", 0.5, 0.6)
    assert (read.middle_diameter_m, read.tilt_m) == (0.62, pytest.approx(0.0127))


def test_a_makers_table_is_read_in_mixed_units_and_ends_at_its_last_row() -> None:
    read = barrel(TABLE)
    assert read.height_m == 0.85
    assert read.table == ((0.2, 40.0), (0.6, 140.0), (0.85, pytest.approx(208.198, abs=1e-3)))
    assert barrel(TABLE + 'height = "70 cm"\n').height_m == 0.7


@pytest.mark.parametrize(
    ("entry", "old", "new", "on_line", "remedy"),
    [
        (
            TAPER,
            'top_diameter = "60 cm"\n',
            "",
            "[[tank.barrel]]",
            "needs diameter and top_diameter and height",
        ),
        (TAPER, 'top_diameter = "60 cm"', 'top_diameter = "60"', 'top_diameter = "60"', "unit"),
        (TAPER, 'shape = "taper"', 'shape = "upright"', "top_diameter", 'of shape "taper"'),
        (TAPER, 'height = "85', 'middle_diameter = "45 cm"\nheight = "85', "middle_d", "is no bulge"),
        (TAPER, 'height = "85', 'tilt = "20 cm"\nheight = "85', "tilt =", "lean by more than 15 degrees"),
        (TAPER, 'height = "85', 'tilt = "-2 cm"\nheight = "85', "tilt =", "from 0 to 50 cm"),
        (TAPER, 'shape = "taper"', 'shape = "tapered"', "tapered", "did you mean 'taper'?"),
        (
            TAPER,
            'diameter = "50 cm"',
            'bottom_diameter = "50 cm"',
            "bottom_diameter",
            "did you mean 'diameter'?",
        ),
        (TABLE, 'volume = "140 L"', 'volume = "30 L"', 'volume = "30 L"', "more than the 40.0 L of the row"),
        (TABLE, 'depth = "60 cm"', 'depth = "20 cm"', '"20 cm", volume = "140', "more than the 20.0 cm"),
        (TABLE, 'volume = "140 L"', 'litres = "140 L"', "litres", "there is no such key here"),
        (TABLE, 'volume = "140 L"', 'volume = "140"', 'volume = "140"', "unit"),
        (TABLE, "table = [", 'height = "90 cm"\ntable = [', 'height = "90', "add a row for the overflow"),
        (TABLE, "table = [", 'tilt = "1 cm"\ntable = [', "tilt", "holds for a level barrel only"),
        (TABLE, "table = [", 'diameter = "50 cm"\ntable = [', "diameter", 'of shape "table" has no diameter'),
        (TABLE, 'shape = "table"', 'shape = "box"', "table = [", 'of shape "box" has no table'),
    ],
)
def test_a_mistake_in_a_barrel_is_told_on_its_line(
    entry: str, old: str, new: str, on_line: str, remedy: str
) -> None:
    assert old in entry
    text = with_drums_as(entry.replace(old, new, 1))
    with pytest.raises(SiteFileError) as caught:
        read_site_text(text, "garden.toml")
    line = next(n for n, row in enumerate(text.splitlines(), 1) if on_line in row)
    found = [(p.line, p.remedy) for p in caught.value.problems]
    assert any(at == line and remedy in what for at, what in found), found


def test_an_empty_table_is_told_once() -> None:
    text = with_drums_as('shape = "table"\nbase_height = "45 cm"\ntable = []\n')
    with pytest.raises(SiteFileError) as caught:
        read_site_text(text, "garden.toml")
    assert ["at least one row" in p.remedy for p in caught.value.problems] == [True]


@pytest.mark.parametrize(("entry", "litres"), [(TAPER, 953), (TABLE, 981)])
def test_a_reserve_is_held_against_what_such_barrels_hold(entry: str, litres: int) -> None:
    # By hand: 5 (pi/12) (0.85 x 0.91 - 0.06 x 0.760641) m3; 5 (208.198 - 12) L.
    text = with_drums_as(entry).replace('reserve = "100 L"', 'reserve = "2000 L"')
    with pytest.raises(SiteFileError, match=f"hold only {litres} L above the outlet"):
        read_site_text(text, "garden.toml")


def test_a_row_of_two_mistakes_is_not_called_short_of_water_too() -> None:
    text = with_drums_as(TABLE.replace('depth = "60 cm"', 'depth = "60"'))
    with pytest.raises(SiteFileError) as caught:
        read_site_text(text, "garden.toml")
    assert len(caught.value.problems) == 1


def test_the_schema_knows_every_shape_and_measure() -> None:
    properties = site_schema()["properties"]["tank"]["properties"]["barrel"]["items"]["properties"]
    assert properties["shape"]["enum"] == ["upright", "lying", "box", "taper", "table"]
    assert {"top_diameter", "middle_diameter", "tilt", "table"} <= set(properties)
    assert properties["table"]["items"]["required"] == ["depth", "volume"]
