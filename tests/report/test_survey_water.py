"""Filling and warmth are told in words that fit the zone."""

from __future__ import annotations

from dataclasses import replace

import pytest

from scheduler.report.survey import survey_answer
from scheduler.report.survey_water import filling_words, warmth_words
from scheduler.site.examples import example_site

SITE = example_site("five-drums")
ZONE = survey_answer(SITE, 0.4).zones[0]


@pytest.mark.parametrize(
    ("empty", "said"), [(0.2, "stood 20 % empty are filled"), (1.0, "stood dry"), (0.0, "stay full")]
)
def test_how_empty_the_lines_stood_is_said(empty: float, said: str) -> None:
    zones = tuple(replace(z, emptied_share=empty) for z in SITE.zones)
    assert said in filling_words(replace(SITE, zones=zones), ZONE)


def test_lines_that_no_water_reaches_are_not_said_to_be_filled() -> None:
    assert "not filled" in filling_words(SITE, ZONE.model_copy(update={"prime_s": None}))


def test_warmth_is_told_as_figures_only_where_it_does_something() -> None:
    assert warmth_words(SITE, ZONE) == "Water from 5.0 \N{DEGREE SIGN}C to 30.0 \N{DEGREE SIGN}C flows alike."
    thin = ZONE.model_copy(update={"flow_share_at_5c": 0.83, "flow_share_at_30c": 1.06})
    assert "it gives 83 %" in warmth_words(SITE, thin) and "106 % of its flow" in warmth_words(SITE, thin)
