"""Why a run is shorter or longer: the rest of the change is called by what the stored figures tell."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime

import pytest

from scheduler.planning import words
from scheduler.planning.plan import PlannedRun, PlantShare, Reason
from scheduler.report.why_rest import rest_of
from tests.support.gardens import small_garden

SITE = small_garden()
START = datetime(2031, 7, 1, 12, tzinfo=UTC)
CUT = words.window_cut(1200.0, 0.54)
HELD = Reason("held_back", "", (("plants", "Thyme"),))
SHORT_WATER = words.rationed_dose("metric", dose_l=9.0, share=1.0, run_l=9.0)


def run(
    *reasons: Reason,
    rain_l: float | None = 0.0,
    used_l: float = 20.0,
    due: Sequence[str] = ("sage",),
    wanted_l: float = 6.0,
) -> PlannedRun:
    shares = tuple(PlantShare(p, "bed", wanted_l, 6.0, p in due) for p in ("sage", "thyme"))
    known = (
        (words.since_watered("metric", days=4.0, et0_mm_day=4.0, used_l=used_l, rain_l=rain_l),)
        if rain_l is not None
        else ()
    )
    return PlannedRun("bed", START, 600.0, 12.0, 0.5, 0.4, shares, (*known, *reasons))


def told(before: PlannedRun, after: PlannedRun, change_s: float) -> dict[str, str]:
    return {n.what: n.text for n in rest_of(SITE, before, after, change_s)}


def test_a_run_cut_by_the_window_after_days_without_rain_is_not_laid_to_rain() -> None:
    assert told(run(), run(CUT), -780.0) == {"cut": "this run was cut to 54 % by the watering window"}


@pytest.mark.parametrize(
    ("reason", "what", "now", "then"),
    [
        (CUT, "cut", "this run was cut", "the earlier run was cut"),
        (HELD, "held_back", "this run was held back by Thyme", "the earlier run was held back by Thyme"),
        (SHORT_WATER, "rationed", "the dose is that of short water", "then the dose was that of short water"),
    ],
)
def test_what_shortens_a_run_explains_a_shorter_one_or_its_lack_a_longer_one(
    reason: Reason, what: str, now: str, then: str
) -> None:
    assert told(run(), run(reason), -300.0)[what].startswith(now)
    assert told(run(reason), run(), 300.0)[what].startswith(then)
    # Never the other way about, nor where both runs had it.
    for found in (told(run(), run(reason), 300.0), told(run(reason), run(), -300.0)):
        assert what not in found
    assert what not in told(run(reason), run(reason), -300.0)


def test_the_deeper_of_two_cuts_decides() -> None:
    deep, slight = run(words.window_cut(600.0, 0.3)), run(words.longest_open(3600.0, 0.9))
    assert told(slight, deep, -300.0) == {"cut": "this run was cut to 30 % by the watering window"}
    assert "cut to 30 %" in told(deep, slight, 300.0)["cut"]


def test_a_run_that_the_node_s_day_cut_says_so() -> None:
    found = told(run(), run(words.longest_day(7000.0, 0.6)), -300.0)
    assert found == {"cut": "this run was cut to 60 % by the time that the node keeps a valve open in a day"}


def test_two_doses_of_short_water_are_told_with_both() -> None:
    larger = words.rationed_dose("metric", dose_l=12.0, share=1.0, run_l=12.0)
    found = told(run(larger), run(SHORT_WATER), -300.0)
    assert found == {"rationed": "the dose of short water is smaller (9.0 L, then 12.0 L)"}


def test_a_run_that_its_floor_cut_is_no_dose_of_short_water() -> None:
    floor = words.floor("metric", "reserve", floor_m=0.1, margin_m=0.0, share=0.6)
    found = told(run(), run(floor, words.rationed_run(0.6)), -300.0)
    assert found == {"cut": "this run was cut to 60 % by the reserve"}


def test_rain_is_named_where_it_brought_more_or_less_of_the_use() -> None:
    assert told(run(rain_l=0.0), run(rain_l=8.0), -300.0) == {
        "rain": "rain brought more of what was used (8.0 L, then 0.0 L)"
    }
    assert told(run(rain_l=8.0), run(rain_l=2.0), 300.0)["rain"].startswith("rain brought less")
    assert "rain" not in told(run(rain_l=0.0), run(rain_l=8.0), 300.0)


def test_two_that_pull_the_same_way_are_both_named() -> None:
    assert list(told(run(), run(CUT, rain_l=8.0), -300.0)) == ["cut", "rain"]


def test_other_plants_due_are_named_by_their_names() -> None:
    found = told(run(due=("sage",)), run(due=("sage", "thyme")), 300.0)
    assert found == {"plants_due": "other plants were due: Thyme due now and not then"}


def test_a_lack_from_before_the_last_watering_is_told_with_both_wants_and_uses() -> None:
    found = told(run(wanted_l=6.0), run(wanted_l=9.0), 300.0)
    assert found == {
        "wanted": "against their use its plants lacked more: 18.0 L after a use of 20.0 L, then 12.0 L after "
        "a use of 20.0 L"
    }
    assert "wanted" not in told(run(wanted_l=6.0), run(wanted_l=9.0), -300.0)


def test_what_the_stored_figures_do_not_tell_is_said_so() -> None:
    assert list(told(run(rain_l=None), run(), 300.0)) == ["not_kept"]
    assert list(told(run(), run(), 300.0)) == ["not_told"]
