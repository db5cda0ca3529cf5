"""A rehearsed season day by day: a row a day, and beside it all that happened on it, in an owner's words."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta

import pytest

from scheduler.control.effects import Alert
from scheduler.rehearsal.season_json import _told
from scheduler.report.answers import RehearseAnswer
from scheduler.report.season import day_rows, lead_words, season_rows, season_words
from scheduler.site.examples import example_site
from scheduler.site.model import Site

SITE = example_site("five-drums")
TOMATOES = [p.id for p in SITE.plants if SITE.zone_of(p.id).id == "pots"]
DAYS = (date(2012, 8, 20), date(2012, 8, 21), date(2012, 8, 22))


def season() -> RehearseAnswer:
    """Three days made up: water held back, two warnings on one evening, the reserve reached."""
    nothing = {"planned_l": 0.0, "given_l": 0.0, "delivery_error": None, "runs": 0}
    rained, usable, short = (0.0, 3.2, None), (90.04, 12.0, 0.0), ([], [*TOMATOES, "fig"], None)
    return RehearseAnswer.model_validate(
        {
            "plants": [],
            "zones": [
                {"id": "pots", **nothing, "withheld_from": DAYS[0]},
                {"id": "border", **nothing, "withheld_from": None},
            ],
            "worst_need_error": None,
            "worst_delivery_error": None,
            "fixed_timer_worst_error": None,
            "store": [],
            "days": [
                {
                    "date": day,
                    "rain_mm": rained[n],
                    "et0_mm": 4.0,
                    "watered_l": {"pots": 20.0 if n == 0 else 0.0, "border": 0.0},
                    "usable_l": usable[n],
                    "short": short[n],
                }
                for n, day in enumerate(DAYS)
            ],
            "alerts": [
                # 06:30 UTC is the evening before in Seattle.
                {"at": "2012-08-21T06:30Z", "kind": "runs_out", "text": "", "days_before_floor": 1.6},
                {"at": "2012-08-21T06:40Z", "kind": "near_empty", "text": "", "days_before_floor": 1.6},
                {"at": "2012-08-22T18:00Z", "kind": "near_empty", "text": "", "days_before_floor": -0.2},
            ],
            "floor_reached": "2012-08-22T13:00Z",
            "rules_broken": [],
        }
    )


def test_a_day_is_a_row_of_litres_who_stood_short_and_all_that_happened_with_its_lead() -> None:
    columns, rows = day_rows(SITE, season())
    assert [name for name, _ in columns] == [
        "day",
        "rain",
        *(z.name for z in SITE.zones),
        "left",
        "stood short",
        "what happened",
    ]
    assert rows[0] == [
        "Mon 20 Aug",
        "-",
        "20.0 L",
        "-",
        "90.0 L",
        "",
        "Tomatoes in pots: less than wanted; told: water will run out, 2 days ahead; "
        "told: barrels nearly empty, 2 days ahead",
    ]
    assert rows[1][1] == "3.2 mm" and rows[1][5] == "all of Tomatoes in pots, Young fig"
    assert rows[2][1] == "?" and rows[2][5] == "not known yet"  # unknown rain is not 0
    assert rows[2][6] == (
        "told: barrels nearly empty; about down to the level below which nothing is watered"
    )


@pytest.mark.parametrize(
    ("hours", "words"),
    [
        (0.3, ", up to 1 hour ahead"),
        (1.0, ", up to 1 hour ahead"),
        (5.0, ", up to 5 hours ahead"),
        (20.0, ", up to 20 hours ahead"),
        (24.0, ", 1 day ahead"),
        (30.0, ", 1 day ahead"),
        (61.0, ", 3 days ahead"),
        (0.0, ""),
        (-5.0, ""),
    ],
)
def test_a_lead_is_hours_under_a_day_and_one_day_is_no_days(hours: float, words: str) -> None:
    assert lead_words(hours / 24.0) == words
    end = datetime(2012, 8, 22, 7, tzinfo=UTC)
    told = Alert("near_empty", "", "", "", urgent=True, at=end - timedelta(hours=hours))
    assert _told(told, end) == f"told: nearly empty{words}"


def test_a_warning_of_no_end_has_no_lead() -> None:
    assert lead_words(None) == ""


def test_the_floor_is_told_without_saying_that_watering_was_over() -> None:
    """It may lie above the reserve, rain lifts the water again, and each zone has its own."""
    (line,) = [words for words in season_words(SITE, season()) if "nothing is watered" in words]
    assert line.startswith("On 22 August the store was first about down to")


def of_plants(*plants: tuple[str, float, int]) -> RehearseAnswer:
    """The three days with plants made up: each wanted so many litres on so many days that count."""
    printed = season().model_dump(mode="json")
    printed["plants"] = [
        {
            "id": plant,
            "zone": SITE.zone_of(plant).id,
            "wanted_l": wanted_l,
            "planned_l": wanted_l,
            "given_l": wanted_l,
            "fixed_timer_l": 2.0 if days else 0.0,
            "need_error": None,
            "delivery_error": None,
            "fixed_timer_error": None,
            "counted_days": days,
        }
        for plant, wanted_l, days in plants
    ]
    return RehearseAnswer.model_validate(printed)


def test_what_is_not_known_is_no_nought() -> None:
    """A plant that was not due wanted nothing that can be told; of no day that counts nothing is known."""
    ((_, _, rows),) = season_rows(
        SITE, of_plants(("fig", 0.0, 3), (TOMATOES[0], 0.0, 0), (TOMATOES[1], 4.0, 3))
    )
    assert [row[1:4] + row[6:7] for row in rows] == [
        ["-", "0.0 L", "0.0 L", "2.0 L"],
        ["-", "-", "-", "-"],
        ["4.0 L", "4.0 L", "4.0 L", "2.0 L"],
    ]


def test_a_zone_of_which_few_days_count_says_how_many() -> None:
    lines = season_words(SITE, of_plants(("fig", 0.0, 3), (TOMATOES[0], 4.0, 1)))
    assert "Days that count above, of the season's 3: Tomatoes in pots 1." in lines
    assert "On the days that count no watering fell due for Young fig." in lines
    none = season_words(SITE, of_plants((TOMATOES[0], 0.0, 0)))
    assert "Days that count above, of the season's 3: Tomatoes in pots none." in none
    whole = season_words(SITE, of_plants(("fig", 1.0, 3)))
    assert not [words for words in whole if "that count" in words]


def test_crops_whose_dates_are_of_another_year_are_named() -> None:
    """Tomato: 35 + 40 + 50 + 30 = 155 days (FAO-56 Table 11, California), so one of April 2011 was over."""

    def planted(on: date) -> Site:
        plants = (replace(p, planted=on) if p.id in TOMATOES[:2] else p for p in SITE.plants)
        return replace(SITE, plants=tuple(plants))

    (coming,) = [w for w in season_words(planted(date(2026, 5, 1)), season()) if "Not planted" in w]
    assert (
        "Tomato by the door, tomato-2 (1 May 2026)" in coming
        and "a day of planting of the rehearsed year" in coming
    )
    (over,) = [w for w in season_words(planted(date(2011, 4, 1)), season()) if "Past the end" in w]
    assert "Tomato by the door, tomato-2 (1 April 2011)" in over
    assert not [w for w in season_words(SITE, season()) if "Not planted" in w or "Past the end" in w]
