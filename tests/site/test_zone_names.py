"""A time zone written by the name of its time is guessed from where the garden lies, or not at all."""

from __future__ import annotations

import pytest

from scheduler.site.zone_names import zone_remedy

PORTLAND, CHICAGO, MIAMI = (45.5, -122.7), (41.9, -87.6), (25.8, -80.2)


# The names that the file "backward" of the tz database links US/Pacific, US/Central, ... to.
@pytest.mark.parametrize(
    ("word", "place", "name"),
    [
        ("Pacific", PORTLAND, "America/Los_Angeles"),
        ("Pacific time", PORTLAND, "America/Los_Angeles"),
        ("Central", CHICAGO, "America/Chicago"),
        ("eastern", MIAMI, "America/New_York"),
        ("Hawaii", (21.3, -157.9), "Pacific/Honolulu"),
        ("US/Mountian", None, None),
    ],
)
def test_in_the_us_the_name_of_a_time_gets_the_city_it_is_named_after(
    word: str, place: tuple[float, float] | None, name: str | None
) -> None:
    told = zone_remedy(word, *(place or (None, None)))
    assert told == f"did you mean {name!r}?" if name else "did you mean" not in told


# Vancouver, Winnipeg, Monterrey, Toronto, Sydney; and a garden whose place was not read.
@pytest.mark.parametrize(
    "place", [(49.3, -123.1), (49.9, -97.1), (25.7, -100.3), (43.7, -79.4), (-33.9, 151.2), (None, None)]
)
@pytest.mark.parametrize("word", ["Pacific", "Central", "Eastern"])
def test_elsewhere_it_gets_no_guess(word: str, place: tuple[float | None, float | None]) -> None:
    told = zone_remedy(word, *place)
    assert "did you mean" not in told and "the city that its time is named after" in told


def test_a_city_is_still_guessed_wherever_the_garden_lies() -> None:
    assert zone_remedy("Paris", *PORTLAND) == "did you mean 'Europe/Paris'?"
    assert zone_remedy("America/Los_Angles") == "did you mean 'America/Los_Angeles'?"
    assert zone_remedy("Canada/Pacfic") == "did you mean 'Canada/Pacific'?"
