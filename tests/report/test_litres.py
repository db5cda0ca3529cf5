"""Which plants were shorted: asked of a store."""

from __future__ import annotations

from datetime import date, timedelta
from pathlib import Path

import pytest

from scheduler.agronomy.weather import DayWeather
from scheduler.control.effects import RecordDay, RootZoneRecord
from scheduler.report.litres import litres_answer, litres_rows, litres_words
from scheduler.site.examples import example_site
from scheduler.store.store import Store, store_url

SITE = example_site("five-drums")
DAY = date(2031, 7, 1)


def day(n: int, *, fig_stress: float) -> RecordDay:
    on = DAY + timedelta(days=n)

    def zone(plant: str, stress: float) -> RootZoneRecord:
        return RootZoneRecord(plant, on, 12.0, 3.0, 4.0, "test", 0.5, 2.0, stress)

    return RecordDay(DayWeather(on), (zone("fig", fig_stress), zone("rosemary", 0.0)))


def test_short_days_are_counted_by_plant_and_sums_add_up(tmp_path: Path) -> None:
    with Store(store_url(tmp_path / "garden.db"), SITE.id) as store:
        store.write([day(0, fig_stress=0.3), day(1, fig_stress=0.02), day(2, fig_stress=0.1)])
        answer = litres_answer(SITE, store, DAY)
    by_id = {p.id: p for p in answer.plants}
    fig = by_id["fig"]
    assert (fig.used_l, fig.given_l, fig.rain_l) == (9.0, 6.0, 1.5)
    assert (fig.days_short, fig.worst_shortfall, fig.last_short) == (2, 0.3, DAY + timedelta(days=2))
    # Days over 5 % count: 0.3 and 0.1 of 4 mm x 0.5 (WUCOLS, moderate) x 0.8 m2 / 0.9 of efficiency.
    assert fig.missed_l == pytest.approx(0.4 * 4.0 * 0.5 * 0.8 / 0.9, abs=0.01)
    assert by_id["rosemary"].days_short == 0 and by_id["rosemary"].missed_l == 0.0
    # A plant without a balanced day is not one that got nothing.
    assert (by_id["tomato-1"].given_l, by_id["tomato-1"].days_short) == (None, None)
    _, rows = litres_rows(SITE, answer)
    assert rows[0][0] == SITE.plant("fig").name
    assert any("not known" in cell for row in rows for cell in row)
    said = " ".join(litres_words(answer))
    assert "Young fig stood short" in said and "Why: fallinghead why fig --on 2031-07-03" in said


def test_what_a_newly_planted_one_missed_is_not_told(tmp_path: Path) -> None:
    """It is watered by age: its dose stands in what it used in full, however short it stands."""
    fig = SITE.plant("fig")
    assert fig.planted is not None
    n = (fig.planted - DAY).days + 10
    with Store(store_url(tmp_path / "garden.db"), SITE.id) as store:
        store.write([day(n, fig_stress=0.0)])
        full = litres_answer(SITE, store, fig.planted)
        store.write([day(n + 1, fig_stress=0.8), day(n + 2, fig_stress=0.86)])
        answer = litres_answer(SITE, store, fig.planted)
    young = next(p for p in answer.plants if p.id == "fig")
    assert (young.days_short, young.worst_shortfall, young.missed_l) == (2, 0.86, None)
    assert next(p for p in full.plants if p.id == "fig").missed_l == 0.0  # no short day, nothing missed
    columns, rows = litres_rows(SITE, answer)
    row = dict(zip((name for name, _ in columns), rows[0], strict=True))
    assert (row["plant"], row["days short"], row["missed"]) == (fig.name, "2", "-")
    said = " ".join(litres_words(answer))
    assert f"What {fig.name} missed is not told: newly planted" in said


def test_a_new_garden_says_that_nothing_is_balanced_yet(tmp_path: Path) -> None:
    with Store(store_url(tmp_path / "garden.db"), SITE.id) as store:
        assert "No day is balanced yet" in litres_words(litres_answer(SITE, store, DAY))[0]
