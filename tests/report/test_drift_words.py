"""When a falling zone will be so far below its curve that it is to be tested again, in plain words."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest

from scheduler.report.drift import answer_of
from scheduler.site.examples import example_site
from scheduler.survey.drift import Drift, ZoneDrift
from scheduler.survey.intervals import Measured

SITE = example_site("five-drums")
TESTED = datetime(2031, 4, 1, 12, tzinfo=UTC)
APRIL, MAY, JUNE = (datetime(2031, month, 3, 12, tzinfo=UTC) for month in (4, 5, 6))


def told(index: tuple[float, float, float], *leaves: datetime | None) -> str:
    """The words of the pots, whose fall is 3 % in 30 days; ``leaves``: as it runs, soonest, latest."""
    value, low, high = index
    pots, border = (
        ZoneDrift(
            z.id,
            44,
            "falling",
            0.4,
            1.0,
            Measured(value, 0.01, low, high),
            Measured(-0.001, 0.0001, -0.0012, -0.0008),
            None,
            None,
            None,
            *leaves,
        )
        for z in SITE.zones
    )
    found = Drift({"pots": pots, "border": border}, None, ())
    return answer_of(SITE, found, dict.fromkeys(found.zones, TESTED), ()).zones[0].text


def test_it_says_what_is_below_what_and_by_when() -> None:
    assert told((0.93, 0.92, 0.94), MAY, APRIL, JUNE) == (
        "Tomatoes in pots: 93 % (92 % to 94 %) of the curve tested on 2031-04-01, at a level of 40.0 cm; "
        "falling by 3.0 % in 30 days, 10 % below that curve by about 2031-05-03 (at the soonest 2031-04-03, "
        "at the latest 2031-06-03); 44 proven runs."
    )


@pytest.mark.parametrize(
    ("index", "leaves", "words"),
    [
        (
            (0.93, 0.89, 0.97),
            (MAY, APRIL, None),
            "10 % below that curve by about 2031-05-03 (at the soonest now, "
            "at the latest more than a year on)",
        ),
        ((0.97, 0.96, 0.98), (None, None, None), "at this pace not 10 % below that curve within a year"),
        (
            (0.97, 0.96, 0.98),
            (None, JUNE, None),
            "at this pace not 10 % below that curve within a year (at the soonest 2031-06-03)",
        ),
        ((0.88, 0.86, 0.9), (MAY, MAY, JUNE), "already 10 % below that curve or more"),
    ],
)
def test_now_never_and_already_are_told_as_they_are(
    index: tuple[float, float, float], leaves: tuple[datetime | None, ...], words: str
) -> None:
    assert f"falling by 3.0 % in 30 days, {words}; 44 proven runs." in told(index, *leaves)
