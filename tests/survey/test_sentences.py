"""What advice prints can be typed after --what-if as it stands, in the garden's own units."""

from __future__ import annotations

import math
import re
from dataclasses import replace

import pytest

from scheduler.report.survey import advice_lines, survey_answer
from scheduler.site.errors import UsageError
from scheduler.site.examples import example_site
from scheduler.site.model import DisplayUnits, Site
from scheduler.site.quantities import parse
from scheduler.survey.advice import _candidates, advise
from scheduler.survey.changes import SENTENCES, changed, turned
from scheduler.survey.sentences import KV_PER_CV, bore_words, part_words, place_words, rises
from scheduler.survey.wants import midsummer_wants

# Units that no sentence for the other kind of garden may hold.
METRIC = re.compile(r"\d (?:m|cm|mm|L|L/h|m3/h|m2)\b")
US = re.compile(r"\d (?:in|ft|gal|gph|gpm|ft2)\b")


def starved(name: str, units: DisplayUnits) -> Site:
    """An example with its stand so low and its bubblers so badly set that much helps."""
    site = replace(example_site(name), units=units)
    ids = [e.id for z in site.zones for e in z.emitters]
    return turned(changed(site, ["lower barrels 20 cm"]), {ids[0]: 0.3, ids[1]: 0.3, ids[-1]: 2.5})


def refusal(site: Site, sentence: str) -> str:
    """Why a change cannot be; empty where it can."""
    try:
        changed(site, [sentence])
    except UsageError as refused:
        return str(refused)
    return ""


@pytest.mark.parametrize(
    ("name", "units", "foreign"), [("uneven-ground", "us", METRIC), ("five-drums", "metric", US)]
)
def test_printed_advice_is_read_back_and_does_what_it_says(
    name: str, units: DisplayUnits, foreign: re.Pattern[str]
) -> None:
    site = starved(name, units)
    answer = survey_answer(site, 0.3, advice=True)
    told = advice_lines(site, answer)
    assert answer.advice and len(told) > len(answer.advice)
    for given, line in zip(answer.advice, told[1:], strict=False):
        assert not foreign.search(line), line
        sentence = re.match(r"\d+\. (.*): evenness", line)
        assert sentence is not None, line
        assert changed(site, [sentence[1]]) == changed(site, given.changes)


def test_every_candidate_of_a_garden_in_us_units_is_in_them_and_can_be_read() -> None:
    site = starved("uneven-ground", "us")
    kinds = set()
    for kind, _, sentences, hours in _candidates(site, midsummer_wants(site)):
        kinds.add(kind)
        assert hours > 0.0
        for sentence in sentences:
            assert not METRIC.search(sentence), sentence
            # Refused is a layout, never a quantity or a form.
            assert not refusal(site, sentence).startswith("read"), sentence
    assert {"raise", "filter", "feed", "valve", "bore", "add"} <= kinds


def test_rounded_places_never_lie_beyond_the_line() -> None:
    for at_m in (0.0, 5.596, 2.9999, 7.5, 11.43):
        for units in ("metric", "us"):
            back = parse(place_words(at_m, units), "length")
            assert at_m - 0.031 <= back <= at_m + 1e-6
    assert place_words(1.524, "us") == "5 ft"  # 5 ft of 0.3048 m, exact
    assert bore_words(0.0205, "us") == "0.81 in" and bore_words(0.0205, "metric") == "20.5 mm"


def test_a_part_in_us_units_is_said_by_its_flow_at_one_psi() -> None:
    """Kv = 0.865 Cv (IEC 60534-1, from memory)."""
    assert pytest.approx(0.865, abs=5e-4) == KV_PER_CV
    assert part_words(5.596, "metric") == "5.6 m3/h"
    site = changed(example_site("uneven-ground"), [f"filter {part_words(8.65, 'us')}"])
    assert part_words(8.65, "us") == "cv 10 gpm"
    assert site.feed.filter_kv_m3ph == pytest.approx(8.65, rel=1e-3)
    valve = changed(site, ["valve slope cv 12 gpm"]).zone("slope").valve
    assert valve.kv_m3ph == pytest.approx(0.865 * 12.0, rel=1e-3)


def test_raises_are_whole_steps_about_alike_in_both_units() -> None:
    for metric, us in zip(rises("metric"), rises("us"), strict=True):
        assert math.isclose(parse(metric, "length"), parse(us, "length"), rel_tol=0.02)


@pytest.mark.parametrize("units", ["metric", "us"])
def test_the_forms_that_are_shown_when_a_change_is_not_read_are_forms_that_are_read(
    units: DisplayUnits,
) -> None:
    site = replace(example_site("five-drums"), units=units)
    names = {"LINE": "wall", "ZONE": "border", "EMITTER": "fig-1", "PLANT": "tomato-1"}
    for form in SENTENCES[units]:
        sentence = re.sub("|".join(names), lambda m: names[m[0]], form)
        assert not refusal(site, sentence).startswith("read"), sentence
        foreign = METRIC if units == "us" else US
        assert not foreign.search(sentence)


def test_the_advice_of_a_garden_is_the_same_in_either_unit_but_for_its_words() -> None:
    one, other = (advise(starved("five-drums", units)) for units in ("metric", "us"))
    assert {a.kind for a in one} == {a.kind for a in other}
