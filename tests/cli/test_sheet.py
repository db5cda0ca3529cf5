"""The commissioning sheet: what was found, against last time, on a page that asks nothing of a network."""

from __future__ import annotations

import json
import re
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from typer.testing import CliRunner

from scheduler.cli.main import app
from scheduler.hydraulics.network import zone_network
from scheduler.hydraulics.solve import solve
from scheduler.report.sheet import sheet_answer
from scheduler.report.sheet_page import sheet_page
from scheduler.site.errors import UsageError
from scheduler.site.examples import example_site
from scheduler.store.store import Store, store_url
from scheduler.survey.as_built import TestDone
from scheduler.survey.tests_done import Can, CatchCans, Draw, HeadFlow, PrimeTime, TestRecord, site_mark

SITE = example_site("five-drums")
SPRING = datetime(2026, 5, 2, 16, 0, tzinfo=UTC)
CLOGGED = "tomato-2-1"


def flows(level_m: float, factor: float, clogged: float) -> dict[str, float]:
    """What the garden as drawn gives, times a factor; one bubbler less."""
    zone = SITE.zone("pots")
    solved = solve(zone_network(SITE, zone), level_m).flow_lph
    return {
        e.id: float(f) * factor * (clogged if e.id == CLOGGED else 1.0)
        for e, f in zip(zone.emitters, solved, strict=True)
    }


def visit(at: datetime, who: str, factor: float, clogged: float) -> list[TestRecord]:
    draws = tuple(
        Draw(level_m=level, run_s=300.0, volume_l=sum(flows(level, factor, clogged).values()) / 12.0)
        for level in (0.75, 0.45, 0.2)
    )
    cans = tuple(Can(emitter=e, volume_l=f / 6.0) for e, f in flows(0.6, factor, clogged).items())
    return [
        HeadFlow(zone="pots", at=at, who=who, draws=draws),
        CatchCans(
            zone="pots", at=at, who=who, level_m=0.6, run_s=600.0, cans=cans, note="<b>windy</b> & dry"
        ),
    ]


def kept(records: list[TestRecord]) -> list[TestDone]:
    return [TestDone(n, r, site_mark(SITE, r.zone)) for n, r in enumerate(records, 1)]


@pytest.fixture(scope="module")
def two_springs() -> list[TestDone]:
    last = visit(SPRING - timedelta(days=365), "Bo", 1.0, 1.0)
    return kept(last + visit(SPRING, "Ines", 0.95, 0.4))


def test_the_sheet_says_what_was_found_and_how_it_stood_last_time(two_springs: list[TestDone]) -> None:
    sheet = sheet_answer(SITE, two_springs, SPRING + timedelta(days=1))
    assert sheet.people == ["Ines"]
    assert sheet.last_time == SPRING - timedelta(days=365)
    pots = sheet.zones[0]
    assert pots.k_lph is not None and pots.k_lph[1] < pots.k_lph[0] < pots.k_lph[2]
    by_can = {c.emitter: c for c in pots.cans}
    assert {e for e, c in by_can.items() if c.finding == "clogged"} == {CLOGGED}
    assert by_can[CLOGGED].last_lph == pytest.approx(flows(0.6, 1.0, 1.0)[CLOGGED])
    for row in pots.curve:
        assert row.low_lph < row.flow_lph < row.high_lph
        assert row.last_lph is not None and row.last_lph > row.flow_lph
        assert row.tested is (0.2 <= row.level_m <= 0.75)
    middle = min(pots.curve, key=lambda c: abs(c.level_m - 0.395))
    true = sum(flows(middle.level_m, 0.95, 0.4).values())
    assert middle.low_lph <= true <= middle.high_lph


def test_a_zone_that_was_never_tested_is_said_so(two_springs: list[TestDone]) -> None:
    sheet = sheet_answer(SITE, two_springs, SPRING)
    border = sheet.zones[1]
    assert border.k_lph is None and border.cans == [] and not any(c.tested for c in border.curve)
    assert {d.step for d in sheet.due if d.zone == "border"} >= {"head-flow", "catch-cans"}
    assert "no head-flow test was done" in sheet_page(SITE, sheet)


def test_the_page_asks_nothing_of_a_network_and_shows_notes_as_typed(two_springs: list[TestDone]) -> None:
    page = sheet_page(SITE, sheet_answer(SITE, two_springs, SPRING))
    assert not re.search(r"https?:|src=|<script|<link|@import|url\(", page)
    assert "&lt;b&gt;windy&lt;/b&gt; &amp; dry" in page
    assert "Ines" in page and "2025-05-02" in page and CLOGGED in page


def test_a_changed_garden_makes_its_tests_stale_on_the_sheet(two_springs: list[TestDone]) -> None:
    from scheduler.survey.changes import changed

    raised = changed(SITE, ["raise barrels 30 cm"])
    sheet = sheet_answer(raised, two_springs, SPRING)
    pots = sheet.zones[0]
    stale = {t.step: t.stale for t in pots.tests}
    assert "the height of the outlet" in stale["head-flow"]
    assert pots.k_lph is None and pots.cans == []  # figures of a garden that is no more
    assert ("head-flow", "pots") in {(d.step, d.zone) for d in sheet.due}
    page = sheet_page(raised, sheet)
    assert "Done before a change of the height of the outlet" in page and "Do it again." in page
    known = sheet_answer(SITE, two_springs, SPRING).zones[0]
    for before, after in zip(known.curve, pots.curve, strict=True):
        assert after.high_lph / after.flow_lph > before.high_lph / before.flow_lph  # wider than before


def test_a_garden_without_tests_has_a_sheet_of_what_is_drawn_and_due() -> None:
    sheet = sheet_answer(SITE, [], SPRING)
    assert sheet.people == [] and sheet.tested_to is None
    assert "Nothing was tested yet" in sheet_page(SITE, sheet)


def test_the_sheet_speaks_the_gardens_units() -> None:
    """No metric unit on the page of a garden in US units."""
    site = example_site("uneven-ground")
    zone = site.zones[0]
    draws = tuple(Draw(level_m=level_m, run_s=360.0, volume_l=3.0) for level_m in (0.7, 0.3))
    caught = tuple(Can(emitter=e.id, volume_l=0.6) for e in zone.emitters)
    records = (
        PrimeTime(zone=zone.id, at=SPRING, who="Ines", level_m=0.5, prime_s=40.0),
        HeadFlow(zone=zone.id, at=SPRING, who="Ines", draws=draws),
        CatchCans(zone=zone.id, at=SPRING, who="Ines", level_m=0.5, run_s=600.0, cans=caught),
    )
    done = [TestDone(i, r, site_mark(site, zone.id)) for i, r in enumerate(records, 1)]
    page = sheet_page(site, sheet_answer(site, done, SPRING))
    body = page[page.index("<body>") :].replace("\xa0", " ")
    assert " gal" in body and " gph" in body
    assert "gallon wanted" in body and "Curve q" in body
    assert not re.search(r"\d (L|L/h|cm|m|mL)\b|[Ll]itre", body)


def test_the_command_writes_the_page_and_the_object(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("FALLINGHEAD_STATE", str(tmp_path))
    with Store(store_url(tmp_path / "five-drums.db"), "five-drums") as store:
        for record in visit(SPRING, "Ines", 0.95, 0.4):
            store.add_test_record(record, site_mark(SITE, record.zone))
    html = tmp_path / "sheet.html"
    ran = CliRunner().invoke(app, ["sheet", "five-drums", "--html", str(html), "--json"])
    assert ran.exit_code == 0
    assert json.loads(ran.stdout)["zones"][0]["cans"][2]["finding"] == "clogged"
    assert html.read_text(encoding="utf-8").startswith("<!doctype html>")
    refused = CliRunner().invoke(app, ["sheet", "five-drums"])
    assert isinstance(refused.exception, UsageError)
