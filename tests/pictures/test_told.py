"""Words of warnings in a season's picture lie over no other, however near their days."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from scheduler.pictures.season import DayPoint, PlantTotal, RunPoint, SeasonPicture, draw_season
from scheduler.pictures.style import drawing
from scheduler.pictures.told import ROWS, place_told

FIRST = date(2031, 7, 1)
START = datetime(2031, 7, 1, 6, tzinfo=UTC)
DAYS = 77
# Days of the season on which a warning was told: near, alike, one a week, and the last but a day.
NEAR = (31, 34, 34, 36, 43, 50, 57, 64, 71, 75)
WORDS = "told: nearly empty, 4 days ahead"


def season() -> SeasonPicture:
    days = tuple(DayPoint(FIRST + timedelta(i), 0.8 - 0.01 * i, 0.8 - 0.01 * i, 25.4) for i in range(DAYS))
    runs = tuple(RunPoint("bed", START + timedelta(days=3 * i), 1.27, 20.0) for i in range(9))
    # 37.85 L are 10 US gal, of 3.785411784 L each (NIST Handbook 44 Appendix C).
    plants = (PlantTotal("a fig of a long name", 37.85, 18.93, 75.7),)
    told = tuple((START + timedelta(days=d), WORDS) for d in NEAR)
    return SeasonPicture("A season", 0.2, 0.8, days, runs, (("bed", 18.0),), plants, told)


@pytest.fixture
def figures(monkeypatch: pytest.MonkeyPatch) -> list[Any]:
    """The figures drawn, laid out but written nowhere."""
    drawn: list[Any] = []
    with drawing() as make:

        def keep(figure: Any, path: Path) -> None:
            figure.draw_without_rendering()
            drawn.append(figure)

        monkeypatch.setattr(make, "savefig", keep)
    return drawn


def test_no_words_of_a_warning_lie_over_others_or_are_crossed_by_a_leader(figures: list[Any]) -> None:
    draw_season(season(), Path("nowhere.png"))
    axes = figures[0].axes[0]
    words = [t for t in axes.texts if "Aug" in t.get_text() or "Sep" in t.get_text()]
    assert len(words) >= 8 and sum("told" in t.get_text() for t in words) >= 3
    names = [_words_box(t) for t in axes.texts if t not in words]
    assert len(names) == 3
    boxes = [_words_box(t) for t in words]
    for n, box in enumerate(boxes):
        assert box.x1 <= figures[0].bbox.x1 and all(not box.overlaps(name) for name in names)
        for other in boxes[n + 1 :]:
            assert not box.overlaps(other)
        for other in words:
            leader = axes.transData.transform((axes.convert_xunits(other.xy[0]), other.xy[1]))[0]
            crossed = box.x0 + 1.0 < leader < box.x1 and boxes[words.index(other)].y1 > box.y0
            assert not crossed, (words[n].get_text(), other.get_text())


def _words_box(annotation: Any) -> Any:
    """Of the words alone, without their leader."""
    from matplotlib.text import Text

    return Text.get_window_extent(annotation)


def test_a_garden_in_us_units_is_drawn_in_them(figures: list[Any]) -> None:
    draw_season(replace(season(), units="us", told=()), Path("nowhere.png"))
    axes = figures[0].axes
    assert [axes[n].get_ylabel() for n in (0, 1, 3)] == ["level above outlet, in", "in a day", "head, in"]
    assert "wanted 10.0 gal, got 5.0 gal, timer 20.0 gal" in [t.get_text() for t in axes[5].texts]
    # An inch is 25.4 mm: 0.8 m of water and of brim, 0.2 m kept, 1.27 m of head, and an inch of rain.
    ours, timer, reserve = (line.get_ydata()[0] for line in axes[0].lines[:3])
    assert (ours, timer, reserve) == pytest.approx((80.0 / 2.54, 80.0 / 2.54, 20.0 / 2.54))
    assert axes[0].get_ylim()[1] == pytest.approx(80.0 / 2.54, rel=0.1)
    assert axes[3].lines[0].get_ydata()[0] == pytest.approx(50.0)
    assert axes[1].patches[0].get_height() == pytest.approx(1.0)


def test_where_words_find_no_room_the_date_stands_alone_and_a_mark_where_that_finds_none() -> None:
    edges = [START + timedelta(days=DAYS)] * ROWS
    with drawing():
        daily = place_told([(START + timedelta(days=d), WORDS) for d in range(9)], edges, 12.0)
        last = place_told([(START + timedelta(days=DAYS - 1), WORDS)], edges, 12.0)
    assert [t.row for t in daily[:ROWS]] == list(range(ROWS))
    assert all(t.text.endswith(f", {WORDS}") for t in daily[: ROWS - 1])
    assert [t.text for t in daily[ROWS - 1 :]] == [" 8 Jul", ""]
    assert [t.text for t in last] == [""]
