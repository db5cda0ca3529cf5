"""What a new fitter asks of a garden is answered in words and figures: humps, new plants, raised barrels."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import UTC, datetime

import pytest

from scheduler.planning.garden import garden_model
from scheduler.report.answers import AdviceAnswer
from scheduler.report.side_by_side import compare_answer, compare_lines, compare_rows
from scheduler.report.survey import advice_lines, advice_words, survey_answer, survey_rows, zone_lines
from scheduler.site.examples import example_site
from scheduler.site.model import DisplayUnits, Emitter, Line, Plant, Point, Site
from scheduler.survey.as_built import TestDone, as_built
from scheduler.survey.changes import changed, turned
from scheduler.survey.section import long_section
from scheduler.survey.sentences import show_height
from scheduler.survey.survey import survey
from scheduler.survey.tests_done import Can, CatchCans, site_mark
from tests.support.gardens import small_garden


def with_far(drop_m: float, hump_m: float | None = None) -> Site:
    """The pots with a basil at the end of the line, behind a hump so far above the outlet."""
    base = small_garden()
    pots = base.zones[0]
    points = list(pots.lines[0].points)
    if hump_m is not None:
        points.append(Point(6.0, -hump_m))
    points.append(Point(7.5, drop_m, (Emitter("far", "bubbler", "basil", 12.0, 0.5),)))
    line = Line("pots-line", None, None, 0.0136, 8.0, tuple(points))
    basil = Plant("basil", "Basil", "tomato", 0.4, 2, container_l=30.0)
    zones = (replace(pots, lines=(line,)), *base.zones[1:])
    return replace(base, zones=zones, plants=(*base.plants, basil))


def rows_of(site: Site, level_m: float) -> tuple[str, dict[str, list[str]]]:
    title, _, rows = survey_rows(site, survey_answer(site, level_m))[0]
    return title, {row[0]: row for row in rows}


def test_behind_a_hump_above_the_water_the_table_says_that_none_passes() -> None:
    site = with_far(0.3, hump_m=0.5)
    title, rows = rows_of(site, 0.4)
    assert rows["far"][3] == "no water passes"
    assert all("L/h" in rows[name][3] for name in ("p1", "p2"))
    # k 12, two of them at 0.7 m of static head: not 30 L/h, as the full line would give.
    assert float(title.split(": ")[1].split(" ")[0]) < 2 * 12.0 * 0.7**0.5
    assert rows_of(site, 0.55)[1]["far"][3] != "no water passes"
    # The object for programs keeps what the solver finds, as EPANET does.
    assert survey_answer(site, 0.4).zones[0].emitters[2].flow_lph > 5.0


def test_what_none_reaches_counts_as_dry_for_how_even_the_zone_is() -> None:
    blocked, dry = survey(with_far(0.3, hump_m=0.5), 0.4).zones[0], survey(with_far(-0.5), 0.4).zones[0]
    assert blocked.du_wanted == pytest.approx(dry.du_wanted, abs=0.01)
    assert blocked.grade == "unacceptable"
    words = " ".join(zone_lines(with_far(0.3, 0.5), survey_answer(with_far(0.3, 0.5), 0.4)))
    assert "(unacceptable)" in words


def compared(before: Site, after: Site) -> tuple[str, dict[str, list[str]]]:
    answer = compare_answer(before, after, [])
    plants = compare_rows(after, answer)[0][2]
    return " ".join(compare_lines(before, after, answer)), {row[0]: row for row in plants}


def test_a_raised_garden_is_told_in_words_with_the_caution_for_its_stand() -> None:
    site = small_garden()
    words, rows = compared(site, changed(site, ("raise barrels 30 cm",)))
    # All x are 0.5 and the lines cost little: sqrt((0.4 + 0.3 + 0.3) / (0.4 + 0.3)) = 1.195 for the pots at
    # the half level of 40 cm, sqrt(1.1 / 0.8) = 1.173 for the bed.
    assert "Full, half and low are 80.0 cm, 40.0 cm and 16.0 cm above the outlet." in words
    assert "At half every plant gets 17 % to 20 % more." in words
    # Two drums of 0.2642 m2 by 0.85 m hold 449 L.
    assert "full barrels weigh 449 kg" in words and "local building rules come first" in words
    assert all(" -> " in cell for cell in rows["Tomato"][1:4]) and rows["Tomato"][4] == "outlet"


@pytest.mark.parametrize(("units", "over"), [("metric", "0.2 cm"), ("us", "0.1 in")])
def test_where_an_emitter_just_goes_dry_no_head_is_shared_out(units: DisplayUnits, over: str) -> None:
    """Two plants, of which one gets nothing: the scatter is 1.41 of the mean, and Us = 1 - 1.41 says
    nothing."""
    site = replace(with_far(-0.4), units=units)
    words = zone_lines(site, survey_answer(site, 0.402))
    assert f"No head is left to share out at far: the water stands {over} above it." in words
    assert "statistical not meaningful" in words[1]
    assert not any("(-" in line or "-0" in line or " -" in line for line in words)
    assert not any("-0.0" in cell for row in rows_of(site, 0.402)[1].values() for cell in row)
    # 5 cm higher all of it is shared out again.
    assert any(
        line.startswith("Of ") and "at far" in line for line in zone_lines(site, survey_answer(site, 0.45))
    )


def test_us_gardens_are_told_of_gallons() -> None:
    site = replace(small_garden(), units="us")
    words = " ".join(zone_lines(site, survey_answer(site, 0.4)))
    assert "in plain gallons by plant" in words and "litre" not in words
    assert (
        "for each gallon wanted: as it is -> what it becomes"
        in compare_rows(site, compare_answer(site, site, []))[1][0]
    )


def measured_between(site: Site, low_m: float, high_m: float) -> Site:
    """The same garden, with its first zone's emitters measured at those heads only."""

    def known(line: Line) -> Line:
        points = tuple(
            replace(p, emitters=tuple(replace(e, head_min_m=low_m, head_max_m=high_m) for e in p.emitters))
            for p in line.points
        )
        return replace(line, points=points)

    first = site.zones[0]
    return replace(site, zones=(replace(first, lines=tuple(known(x) for x in first.lines)), *site.zones[1:]))


def test_a_change_that_leaves_the_heads_at_which_emitters_were_measured_says_so() -> None:
    """The pots lie 30 cm below the outlet: at full, 80 cm, their head is 1.1 m at most, and 1.4 m raised."""
    site = measured_between(small_garden(), 0.2, 1.2)
    words, _ = compared(site, changed(site, ["raise barrels 30 cm"]))
    assert "Zone Pots, at full: outside the heads at which they were measured" in words
    assert "p1, p2" in words and "at half: outside" not in words and "Zone Bed, at" not in words
    answer = compare_answer(site, changed(site, ["raise barrels 30 cm"]), ["raise barrels 30 cm"])
    assert answer.after.zones[0].outside_measured[0] == ["p1", "p2"]
    assert answer.before.zones[0].outside_measured == [[], [], []]
    assert "outside the heads" not in compared(site, changed(site, ["raise barrels 5 cm"]))[0]


def test_cans_at_a_level_measure_the_emitters_at_that_level() -> None:
    """The level falls a little while the cans stand; who surveys at the level typed is at the same one."""
    site, at = example_site("uneven-ground"), datetime(2026, 5, 2, 17, tzinfo=UTC)
    zone, level_m = site.zone("high-bed"), 0.42
    given = survey(site, level_m).zones[2].emitters
    cans = tuple(Can(emitter=e.id, volume_l=e.flow_lph / 6.0) for e in given)
    record = CatchCans(zone=zone.id, at=at, who="Ann", level_m=level_m, run_s=600.0, cans=cans)
    built = as_built(site, [TestDone(1, record, site_mark(site, zone.id))], now=at).site
    assert not any("outside the heads" in f for f in survey(built, level_m).findings)
    assert any("outside the heads" in f for f in survey(built, level_m + 0.1).findings)


def test_a_place_beyond_the_end_says_that_the_line_becomes_longer() -> None:
    """The pots' line is 8 m long."""
    site, change = with_far(0.3), "add 8 L/h bubbler for basil on pots-line at 11 m"
    after = changed(site, [change])
    answer = compare_answer(site, after, [change])
    assert answer.lengthened_m == {"pots-line": 11.0}
    words = " ".join(compare_lines(site, after, answer))
    assert "Line pots-line grows from 8.00 m to 11.0 m; the new piece is taken as level" in words
    on_it = change.replace("11 m", "7 m")
    assert compare_answer(site, changed(site, [on_it]), [on_it]).lengthened_m == {}


def test_an_added_plant_is_told_with_its_flows_its_stop_and_what_it_costs_the_others() -> None:
    words, rows = compared(small_garden(), with_far(-0.2))
    assert "Basil is new: " in words and "at full" in words and "it stops below 20." in words
    assert "Zone Pots becomes less even" in words and "survey --advice" in words
    assert "cannot water all of it; as it is, 0.0 L" in words
    assert rows["Basil"][1].startswith("new: ") and rows["Basil"][3] == "new: dry"
    assert "Caution" not in words
    assert "Basil is gone." in compared(with_far(-0.2), small_garden())[0]


def test_a_plant_that_starves_at_half_is_told_when_water_reaches_it() -> None:
    site = with_far(-0.5)
    words, rows = compared(site, changed(site, ("raise barrels 30 cm",)))
    assert "At half water reaches Basil, dry there as it is." in words
    assert "At low Basil: dry, before and after." in words
    assert rows["Basil"][2].startswith("dry -> ")


def test_a_hump_that_keeps_the_water_off_at_half_is_dry_in_the_comparison_too() -> None:
    _, rows = compared(with_far(0.3), with_far(0.3, hump_m=0.5))
    assert rows["Basil"][2].endswith("-> dry")


def test_the_picture_marks_what_stands_behind_a_hump_as_reached_only_from_full_barrels() -> None:
    far = next(
        e for e in long_section(garden_model(with_far(0.3, hump_m=0.5)), "pots").emitters if e.id == "far"
    )
    assert far.reached() == (True, False, False)


def test_advice_says_what_it_does_for_the_worst_plant_and_who_stays_dry() -> None:
    site = with_far(-0.5)
    lines = advice_lines(site, survey_answer(site, 0.4, advice=True))
    assert "Basil at half dry to" in lines[1]
    assert any("raise barrels 15 cm" in line and "Basil at half dry to" in line for line in lines)
    assert lines[-1].startswith("Caution: ")
    assert "Evenness is a zone's low-quarter uniformity" in lines[0]
    assert "reach, the share of the stored" in lines[0]


def test_a_cure_is_told_by_the_zone_that_it_changes_and_by_the_plants_that_are_turned() -> None:
    bad = turned(example_site("uneven-ground"), {"rose-2-1": 0.5, "rose-2-2": 0.5})
    lines = advice_lines(bad, survey_answer(bad, 0.4, advice=True))
    (trim,) = [line for line in lines if re.match(r"\d\. close", line)]
    effect = r": evenness of Rose bed by the deck \d+ % to \d+ %, reach still 100 %, Rose, right at half"
    assert re.search(effect, trim)
    assert "these are the bubblers of Rose, left and of Boxwood ball and of Rose, right;" in trim
    assert "Vegetable terrace" not in trim


def test_who_is_woken_at_low_is_not_another_than_those_who_get_more_at_half() -> None:
    """The far one gets water at half before and after: all are compared, and none is left out as named."""
    words, rows = compared(with_far(-0.3), changed(with_far(-0.3), ("raise barrels 30 cm",)))
    assert "At low water reaches Basil, dry there as it is." in words and "dry" not in rows["Basil"][2]
    assert "At half every plant gets" in words


def test_temperatures_are_in_the_gardens_own_unit() -> None:
    # 5, 30 and 20 degC are 41, 86 and 68 degF by definition (F = 9/5 C + 32).
    us = replace(small_garden(), units="us")
    text = " ".join(zone_lines(us, survey_answer(us, 0.6)))
    assert "Water from 41 °F to 86 °F flows alike" in text and "°C" not in text
    metric = replace(small_garden(), units="metric")
    assert "Water from 5.0 °C to 30.0 °C" in " ".join(zone_lines(metric, survey_answer(metric, 0.6)))


def test_heads_and_levels_of_one_survey_are_in_one_unit() -> None:
    """Heads of 30 and of 120 cm, and their parts: centimetres in all of them, inches in US units."""
    for units, unit in (("metric", "cm"), ("us", "in")):
        site = replace(small_garden(), units=units)
        answer = survey_answer(site, 0.7)
        rows = [cell for _, _, table in survey_rows(site, answer) for row in table for cell in row[2:3]]
        assert rows and all(re.fullmatch(rf"-?[\d.]+ {unit}", cell) for cell in rows), rows
        budget = [line for line in zone_lines(site, answer) if "static head" in line]
        assert budget and all(f" {unit} static head" in line for line in budget)
        assert not any(re.search(r"\d (mm|m|ft)\b", line) for line in budget)


def test_a_height_has_three_digits_and_none_that_nobody_can_measure() -> None:
    """3.46 ft are 41.5 in; 1.054 m are 105 cm (inch 25.4 mm by definition)."""
    assert show_height(3.46 * 0.3048, "us") == "41.5 in"
    assert show_height(0.4, "us") == "15.7 in" and show_height(-0.0001, "us") == "0.0 in"
    assert show_height(1.054, "metric") == "105 cm" and show_height(0.395, "metric") == "39.5 cm"


@pytest.mark.parametrize(
    ("hours", "shown"),
    [(0.1, "about 6 min."), (0.3, "about 18 min."), (1.0, "about 1 h."), (4.3, "about 4.5 h.")],
)
def test_work_of_less_than_an_hour_is_told_in_minutes(hours: float, shown: str) -> None:
    advice = AdviceAnswer.model_construct(
        changes=["raise barrels 30 cm"], zones=[], zone=None, kind="raise", dry_after=[], hours=hours
    )
    assert advice_words(example_site("five-drums"), advice).endswith(shown)
