"""What is offered as an example at a question is in the garden's units, and is taken when it is typed."""

from __future__ import annotations

import re
from datetime import UTC, datetime, timedelta

import pytest

from scheduler.report.form_dialogue import doubts, finished, settled, talk
from scheduler.report.form_examples import with_examples
from scheduler.report.forms import GARDEN_STEPS, STEPS, Form, form_of
from scheduler.sensing.scale import level_from_raw
from scheduler.site.errors import QuantityError
from scheduler.site.examples import example_site
from scheduler.site.fields import Quantity
from scheduler.site.model import Site
from scheduler.survey.sense import questions
from scheduler.survey.tests_done import TestKind

GARDENS = {"five-drums": "metric", "uneven-ground": "us"}
OWN = {
    "metric": r"[\d.]+ (cm|m|L|mL|C|L/h|s|min)",
    "us": r"[\d.]+ (in|ft|gal|fl oz|F|gph|s|min)",
}
NOON = datetime(2031, 5, 2, 12, 0, tzinfo=UTC)
SITES = {garden: example_site(garden) for garden in GARDENS}
CASES = [
    (garden, kind, zone)
    for garden in GARDENS
    for kind in STEPS.values()
    for zone in ([None] if kind in GARDEN_STEPS else [z.id for z in SITES[garden].zones])
]


def raw_of(site: Site, level_m: float) -> str:
    """What the drawn sensor would say, found by halving: the sense of a real reading."""
    low, high = 0.0, 65_536.0
    rising = level_from_raw(site, high, None) > level_from_raw(site, low, None)
    for _ in range(40):
        middle = 0.5 * (low + high)
        if (level_from_raw(site, middle, None) < level_m) == rising:
            low = middle
        else:
            high = middle
    return f"{low:.1f}"


def answered(site: Site, form: Form, zone: str | None, rows: int) -> list[str]:
    """The example typed at each question; a plain word where none is shown."""
    typed: list[str] = []
    now = NOON
    while (at := talk(form, typed)).asked is not None:
        if at.may_end and len(at.rows) >= rows:
            return [*typed, ""]
        asked = at.asked
        prompt = at.prompt()
        shown = re.search(r"such as ([^;)]+)", prompt)
        if isinstance(getattr(asked.kind, "kind", None), Quantity) and shown:
            assert re.fullmatch(OWN[site.units], shown[1]), prompt
        if asked.required and isinstance(getattr(asked.kind, "kind", asked.kind), Quantity):
            assert shown, prompt
        now += timedelta(hours=13)
        text = shown[1] if shown else ""
        if asked.name == "raw":
            text = raw_of(site, at.open_row["level"])
        elif asked.required and not text:
            text = {"where": "by the cap", "mended": "yes", "clear": "yes"}[asked.name]
        text = settled(asked, text, now)
        if len(at.rows) < 3:  # of forty cans; the whole record is asked about each again
            assert doubts(site, form, zone, [*typed, text]) == (), (prompt, text)
        typed.append(text)
    return typed


@pytest.mark.parametrize(("garden", "kind", "zone"), CASES)
def test_every_quantity_has_an_example_it_is_taken_and_all_together_make_a_test_without_a_question(
    garden: str, kind: TestKind, zone: str | None
) -> None:
    site = SITES[garden]
    assert site.units == GARDENS[garden]
    form = with_examples(site, form_of(site, kind, zone), zone)
    typed = answered(site, form, zone, rows=2 if kind in ("trim", "wet_walk") else 3)
    record = finished(form, typed, zone=zone, at=NOON, who="Ines")
    assert questions(site, record) == ()


def test_a_unit_left_out_is_asked_for_in_the_gardens_units() -> None:
    site = example_site("uneven-ground")
    zone = site.zones[0].id
    form = with_examples(site, form_of(site, "wet_walk", zone), zone)
    with pytest.raises(QuantityError) as refused:
        talk(form, ["30"])
    assert refused.value.remedy == 'the unit is missing: write a length such as "30 in"'
