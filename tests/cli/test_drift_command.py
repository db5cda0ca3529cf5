"""``fallinghead drift``: the runs in the store against the curve that a test accepted."""

from __future__ import annotations

import json
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from typer.testing import CliRunner

from scheduler.cli.main import app
from scheduler.control.effects import Booking, Intent, RecordBooking, RecordIntent, RecordMeasured
from scheduler.control.ledger import order_open_s
from scheduler.control.orders import Order, RunOutcome
from scheduler.planning.garden import expected_litres, garden_model
from scheduler.site.examples import example_site
from scheduler.store.store import Store, store_url
from scheduler.survey.tests_done import Draw, HeadFlow, site_mark

SITE = example_site("five-drums")
MODEL = garden_model(SITE)
TESTED = datetime(2031, 5, 1, 9, 0, tzinfo=UTC)
RUN_S = 1200.0


@pytest.fixture(autouse=True)
def state(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("FALLINGHEAD_STATE", str(tmp_path))
    monkeypatch.setenv("COLUMNS", "400")
    return tmp_path


def store(state: Path) -> Store:
    return Store(store_url(state / "five-drums.db"), SITE.id)


def keep_run(opened: Store, number: int, at: datetime, gives: float, *, for_test: bool = False) -> None:
    """A run of the pots from 60 cm that gave so much of what the drawn curve says, proven to 3 %."""
    plain = expected_litres(MODEL, "pots", 0.6, RUN_S).volume_l
    open_ms = round(order_open_s(SITE.zone("pots").valve, RUN_S) * 1000)
    order = Order("shed", "a" * 16, number, f"aaaaaaaaaaaa.{number}", 1, open_ms, 10_000)
    planned = () if for_test else (("tomato-1", plain),)
    intent = Intent(order, "pots", at, 0.6, planned, plain)
    outcome = RunOutcome(order.order_id, 1, open_ms, open_ms, "time_up")
    end = at + timedelta(hours=8)
    booking = Booking(
        order.order_id,
        "pots",
        at.date(),
        end,
        open_ms / 1000,
        outcome,
        planned,
        plain,
        0.9 * plain,
        1.1 * plain,
    )
    measured = RecordMeasured(order.order_id, "pots", end, plain, gives * plain, 0.03 * plain)
    opened.write([RecordIntent(intent), RecordBooking(booking), measured])


def keep_test(opened: Store, at: datetime, share: float) -> None:
    curve = MODEL.zones["pots"].curve
    draws = tuple(
        Draw(level_m=h, run_s=120.0, volume_l=share * float(curve.total_lph(h)) / 30.0)
        for h in (0.7, 0.45, 0.2)
    )
    opened.add_test_record(HeadFlow(zone="pots", at=at, who="Ida", draws=draws), site_mark(SITE, "pots"))


def season(state: Path, gives: Callable[[int], float], days: int = 30) -> None:
    with store(state) as opened:
        for day in range(days):
            keep_run(opened, day + 1, TESTED + timedelta(days=day + 1), gives(day))


def said(*more: str) -> str:
    result = CliRunner().invoke(app, ["drift", "five-drums", *more])
    assert result.exit_code == 0, result.output
    return result.output if more else " ".join(result.output.split())


def answer() -> dict[str, dict[str, object]]:
    return {z["id"]: z for z in json.loads(said("--json"))["zones"]}


def test_without_runs_it_says_how_many_are_needed() -> None:
    assert "Tomatoes in pots: 0 proven runs against the curve as drawn (it was never tested)" in said()


def test_a_slow_fall_is_told_with_its_index_and_what_to_do(state: Path) -> None:
    """1 % every two days, to 85.5 % on the last of them."""
    season(state, lambda day: 1.0 - 0.005 * day)
    index = answer()["pots"]["index"]
    assert isinstance(index, list) and index[1] < 0.855 < index[2]
    text = said()
    assert "falling by 1" in text and "already" in text
    assert "Clean the emitters of pots" in text
    assert "fallinghead commission five-drums catch-cans --zone pots" in text
    assert "accepts a new curve" in text
    # It only proposes: nothing was written.
    with store(state) as opened:
        assert opened.test_records() == ()


def test_a_step_up_is_a_leak_or_a_lost_emitter(state: Path) -> None:
    season(state, lambda day: 1.0 if day < 15 else 1.2)
    text = said()
    assert "since 2031-05-17 20 %" in text and "more than before" in text
    assert "Walk the line of pots" in text and "a leak, or an emitter that is off" in text
    assert "commission five-drums wet-walk --zone pots" in text


def test_the_index_is_against_the_curve_that_was_tested_last_and_counts_runs_since_then(state: Path) -> None:
    """Tested at 80 % of the drawing, and giving just that since; before that it gave more."""
    with store(state) as opened:
        for day in range(1, 11):
            keep_run(opened, 100 + day, TESTED - timedelta(days=day), 1.0)
        keep_test(opened, TESTED, 0.8)
    season(state, lambda _day: 0.8)
    found = answer()["pots"]
    assert (found["runs"], found["finding"]) == (30, "steady")
    index = found["index"]
    assert isinstance(index, list) and index[1] < 1.0 < index[2] and abs(index[0] - 1.0) < 0.02
    assert "the curve tested on 2031-05-01" in said()
    # A new test accepts a new curve: what was run before it no longer counts.
    with store(state) as opened:
        keep_test(opened, TESTED + timedelta(days=40), 0.9)
    assert answer()["pots"]["runs"] == 0


def test_openings_for_a_test_do_not_count(state: Path) -> None:
    with store(state) as opened:
        for day in range(10):
            keep_run(opened, day + 1, TESTED + timedelta(days=day), 2.0, for_test=True)
    assert answer()["pots"]["runs"] == 0


def test_a_zone_that_is_steadily_off_its_curve_is_to_be_tested_again(state: Path) -> None:
    season(state, lambda _day: 0.85)
    text = said()
    assert "steadily below it" in text
    assert "Test again of pots: it gives 85 % of its curve, without a trend." in text


def test_the_sheet_tells_what_the_runs_since_the_tests_say(state: Path, tmp_path: Path) -> None:
    with store(state) as opened:
        keep_test(opened, TESTED, 1.0)
    season(state, lambda day: 1.0 - 0.005 * day)
    page = tmp_path / "sheet.html"
    result = CliRunner().invoke(app, ["sheet", "five-drums", "--html", str(page)])
    assert result.exit_code == 0, result.output
    written = " ".join(page.read_text(encoding="utf-8").split())
    assert "The runs since the tests" in written and "falling by 1" in written


def test_the_status_has_each_zones_drift_and_speaks_of_it_when_a_flow_moves(state: Path) -> None:
    season(state, lambda day: 1.0 - 0.005 * day)
    result = CliRunner().invoke(app, ["status", "five-drums", "--json"])
    found = {z["id"]: z for z in json.loads(result.output)["drift"]}
    assert found["pots"] == answer()["pots"] and found["pots"]["finding"] == "falling"
    assert found["border"]["index"] is None
    words = " ".join(CliRunner().invoke(app, ["status", "five-drums"]).output.split())
    assert "Tomatoes in pots: " in words and "More: fallinghead drift." in words
    assert "Border with the fig: 0 proven runs" not in words
