"""What comes first under "Worth changing" where a zone's runs are cut by time, day after day."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest

from scheduler.planning import words
from scheduler.planning.plan import Plan, PlannedRun, Reason, StoreOutlook
from scheduler.report.answers import DriftAnswer
from scheduler.report.cut_short import PAUSES, CutZone, cut_zones
from scheduler.report.garden_report import worth_changing
from scheduler.site.examples import example_site

SITE = example_site("five-drums")
JUNE = datetime(2012, 6, 1, 4, tzinfo=UTC)
OUTLOOK = StoreOutlook(400.0, 500.0, 10, 14, 20, 60)


def days_of(*reasons: Reason | None) -> list[Plan]:
    """A plan a day, each with a run of the border and, where given, a reason."""
    plans = []
    for n, reason in enumerate(reasons):
        at = JUNE + timedelta(days=n)
        run = PlannedRun("border", at, 7200.0, 4.0, 0.5, 0.49, (), (reason,) if reason else ())
        plans.append(Plan(at.date(), at, (run,), (), (), OUTLOOK))
    return plans


def changes(plans: list[Plan], short: dict[str, int], leak_l: float = 0.0) -> list[str]:
    none = DriftAnswer(id=SITE.id, band_share=0.15, zones=[], cause=None, proposals=[])
    found = worth_changing(SITE, none, None, short, leak_l=leak_l, given_l=100.0, cut=cut_zones(SITE, plans))
    return [f"{c.change}: {c.evidence}" for c in found]


def test_the_zone_that_never_gets_what_was_meant_comes_before_leak_and_rank() -> None:
    plans = days_of(*[words.longest_open(7190.0, 0.085)] * 10)
    first, *rest = changes(plans, {"fig": 48, "rosemary": 43, "tomato-2": 5}, leak_l=50.0)
    assert first.startswith("more flow in Border with the fig: larger emitters")
    assert "(2 h now)" in first and "on 10 of 10 days" in first and "8.5 %" in first
    assert "on 48" in first and "on 43 days" in first
    assert rest[0].startswith("find the leak")
    # A better rank is no help to a plant whose runs end by time.
    assert not any("rank" in c and SITE.plant("fig").name in c for c in rest)


def test_one_day_is_a_day() -> None:
    (told,) = changes(days_of(words.window_cut(600.0, 0.3)), {"fig": 2, "rosemary": 1})
    assert "on 1 of 1 day with a run" in told and told.endswith("on 2, Rosemary off the line on 1 day")


def test_what_costs_more_days_elsewhere_is_not_pushed_back() -> None:
    plans = days_of(*[words.longest_open(7190.0, 0.5)] * 10)
    found = changes(plans, {"fig": 2, "tomato-1": 30}, leak_l=50.0)
    assert found[0].startswith("find the leak") and "larger emitters" in found[1]


def test_a_zone_cut_now_and_then_or_slightly_or_with_no_plant_short_is_no_advice() -> None:
    cut, slight = words.longest_open(7190.0, 0.1), words.longest_open(7190.0, 0.95)
    assert cut_zones(SITE, days_of(cut, None, None, slight)) == []
    assert changes(days_of(cut, cut), {}) == []


def test_of_several_plans_of_a_day_the_last_counts_and_a_window_is_named_as_such() -> None:
    window = words.window_cut(600.0, 0.3)
    twice = [*days_of(window, window), *days_of(None)]
    assert cut_zones(SITE, twice) == []
    assert cut_zones(SITE, days_of(window, window)) == [CutZone("border", "window", 0.3, 2, 2)]
    longest = words.longest_open(7190.0, 0.3)
    assert cut_zones(SITE, days_of(longest, window, longest))[0].by == "longest_open"  # what cut most often
    assert "a longer watering window" in changes(days_of(window, window), {"fig": 3})[0]


def test_where_pauses_for_slow_ground_find_no_window_time_is_advised_not_emitters_or_a_rank() -> None:
    """Two of four openings a day: half. The ground takes in no more, whatever the emitters give."""
    left_out = Reason("window", "2 of 4 openings find no window today.", (("left_out", 2.0),))
    plans = [replace(p, runs=(replace(p.runs[0], pulses=4),)) for p in days_of(*[left_out] * 6)]
    assert cut_zones(SITE, plans) == [CutZone("border", PAUSES, 0.5, 6, 6)]
    found = changes(plans, {"fig": 5})
    assert found[0].startswith("a longer watering window for Border with the fig, or a second one")
    assert "more flow" not in found[0] and "at about 50 % of what was meant" in found[0]
    assert not any("rank" in c for c in found)
    shorter = replace(left_out, figures=(("left_out", 1.0),))  # 3 of 4, of a run that was cut to two thirds
    both = [words.longest_open(7190.0, 2 / 3), shorter]
    run = replace(plans[0].runs[0], reasons=tuple(both))
    (cut,) = cut_zones(SITE, [replace(plans[0], runs=(run,))])
    assert cut.by == "longest_open" and cut.share == pytest.approx(0.5)


def test_a_zone_that_the_node_s_day_cuts_is_advised_a_longer_one() -> None:
    plans = days_of(*[words.longest_day(14_000.0, 0.5)] * 10)
    assert cut_zones(SITE, plans) == [CutZone("border", "longest_day", 0.5, 10, 10)]
    (found,) = [c for c in changes(plans, {"fig": 30}) if "longest_open" in c]
    assert "and a longer day with it in the node (2 h now)" in found


def test_the_rest_of_a_run_planned_in_the_evening_does_not_hide_what_cut_it_in_the_morning() -> None:
    (morning,) = days_of(words.longest_day(14_000.0, 0.5))
    first = replace(morning.runs[0], pulse=1, pulses=4)
    rest = replace(first, pulse=3, reasons=())
    day = [replace(morning, runs=(first,)), replace(morning, runs=(rest,))]
    assert cut_zones(SITE, day) == [CutZone("border", "longest_day", 0.5, 1, 1)]
    # It may be cut harder yet; a run planned anew from its first opening speaks for itself.
    harder = replace(rest, reasons=(words.window_cut(60.0, 0.2),))
    (found,) = cut_zones(SITE, [*day, replace(morning, runs=(harder,))])
    assert (found.by, found.share) == ("window", 0.2)
    assert cut_zones(SITE, [*day, replace(morning, runs=(replace(first, reasons=()),))]) == []


def test_a_cut_names_the_default_opening_where_the_file_has_no_node() -> None:
    text = words.longest_open(7190.0, 0.08).text
    assert "2 h at most" in text and "2 h where it is not set" in text
