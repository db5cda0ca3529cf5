"""Flow month by month, and evenness test by test, in the report of a season."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest

from scheduler.planning.garden import garden_model
from scheduler.report import over_time
from scheduler.report.garden_report import report_answer
from scheduler.report.garden_report_page import report_page
from scheduler.report.over_time import evenness, flow_by_month
from scheduler.survey.drift_cause import FlowRow
from tests.support.gardens import small_garden
from tests.support.page_garden import plain
from tests.support.page_states import STATES

SITE = small_garden()
BEGINS, ENDS = datetime(2012, 6, 1, 7, tzinfo=UTC), datetime(2012, 8, 1, 7, tzinfo=UTC)
STORE = SimpleNamespace(intents_since=lambda _: (), bookings_since=lambda _: (), measured_since=lambda _: ())


def test_the_index_of_a_month_is_the_weighed_least_squares_line_through_its_runs(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Against NumPy's own least squares, rows divided by their errors; its variance is 1 / sum (x/sd)^2."""
    rng = np.random.default_rng(20120601)
    rows = []
    for n in range(40):
        modelled, sd = float(rng.uniform(5.0, 40.0)), float(rng.uniform(0.5, 3.0))
        measured = 0.8 * modelled + float(rng.normal(0.0, sd))
        rows.append(FlowRow(BEGINS + timedelta(days=1.5 * n), "bed", 0.5, modelled, measured, sd))
    monkeypatch.setattr(over_time, "flow_rows", lambda *_: rows)
    found = flow_by_month(garden_model(SITE), STORE, BEGINS, ENDS)  # type: ignore[arg-type]
    assert [(f.zone, f.month, f.runs) for f in found] == [
        ("bed", date(2012, 6, 1), 20),
        ("bed", date(2012, 7, 1), 20),
    ]
    for f, mine in zip(found, (rows[:20], rows[20:]), strict=True):
        x = np.array([[r.modelled_l / r.sd_l] for r in mine])
        y = np.array([r.measured_l / r.sd_l for r in mine])
        slope = float(np.linalg.lstsq(x, y, rcond=None)[0][0])
        assert f.index[0] == pytest.approx(slope, rel=1e-9)
        half = 1.96 / float(np.sqrt((x**2).sum()))
        assert f.index[1:] == pytest.approx((slope - half, slope + half), rel=1e-9)


def test_what_is_not_in_the_days_or_has_no_litres_to_compare_is_left_out(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    rows = [FlowRow(ENDS, "bed", 0.5, 9.0, 9.0, 1.0), FlowRow(BEGINS, "bed", 0.5, 0.0, 0.1, 1.0)]
    monkeypatch.setattr(over_time, "flow_rows", lambda *_: rows)
    assert flow_by_month(garden_model(SITE), STORE, BEGINS, ENDS) == []  # type: ignore[arg-type]


def test_each_test_with_cans_is_told_with_its_uniformity(tmp_path: Path) -> None:
    """Two bubblers of equal due, one that gave two fifths: the low quarter is that one's, DU = 0.4 / 0.7."""
    page = STATES["tested"](tmp_path)
    kept, now = page.store.test_records(), page.now()
    (found,) = evenness(page.site, kept, now - timedelta(days=7), now, now)
    assert evenness(page.site, kept, now - timedelta(days=1), now, now) == []
    page.close()
    assert found.zone == "bed"
    assert found.du[0] == pytest.approx(0.4 / 0.7, rel=0.05)
    assert found.du[1] < found.du[0] < found.du[2]


def test_the_printed_page_says_what_is_not_known_of_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("scheduler.report.garden_report_page.garden_days_svg", lambda _: "")
    page = STATES["run-over"](tmp_path)
    today = page.now().date()
    answer = report_answer(page.site, page.store, today, today, page.now())
    page.close()
    assert "no catch cans were read in these days" in plain(report_page(page.site, answer))
