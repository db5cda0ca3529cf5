"""The report of some days, from a store into which the controller watered a virtual garden."""

from __future__ import annotations

import csv
import json
import re
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import pytest

from scheduler.control.effects import (
    Alert,
    ClearAlert,
    RaiseAlert,
    RecordDay,
    RecordPlan,
    RecordWaterDay,
    RootZoneRecord,
)
from scheduler.planning.plan import Plan, StoreOutlook
from scheduler.report.answers import (
    ReportAnswer,
    ReportedDayAnswer,
    ReportedFaultAnswer,
    StatusAnswer,
    StatusLeakAnswer,
)
from scheduler.report.garden_report import report_answer, report_words
from scheduler.report.garden_report_page import fault_words, report_page
from scheduler.report.leak import leaked_words
from scheduler.site.examples import example_site
from scheduler.site.model import Site
from scheduler.store.store import Store, store_url
from scheduler.weather.weather_file import packaged_weather
from tests.support.gardens import dry_days
from tests.support.lived_in import lived_in


def test_a_week_adds_up_on_the_page_in_the_tables_and_for_a_program(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("FALLINGHEAD_STATE", str(tmp_path / "state"))
    weather = packaged_weather("seattle-2012")
    garden = lived_in(
        example_site("five-drums"), weather, date(2012, 8, 1), until=date(2012, 8, 6), start_level_m=0.6
    )
    garden.live(date(2012, 8, 5), 12.0)
    page, tables = tmp_path / "week.html", tmp_path / "tables"
    words = ["report", "five-drums", "--from", "2012-08-01", "--to", "2012-08-04"]
    answer = json.loads(garden.says(*words, "--html", str(page), "--csv", str(tables), "--json"))
    assert answer["given_l"] == pytest.approx(sum(p["given_l"] for p in answer["plants"]))
    with (tables / "days.csv").open() as lines:
        days = list(csv.DictReader(lines))
    assert [d["date"] for d in days] == [f"2012-08-0{n}" for n in range(1, 5)]
    # What there is not is empty, as the tables' own rule has it.
    assert {d["short"] for d in days} == {""}
    with (tables / "runs.csv").open() as lines:
        rows = list(csv.DictReader(lines))
    assert "" in {r["note"] for r in rows} and "'" not in {r["note"] for r in rows}
    runs = sum(float(r["volume_l"]) for r in rows)
    assert sum(float(d["pots_l"]) + float(d["border_l"]) for d in days) == pytest.approx(runs, abs=0.05)
    text = page.read_text(encoding="utf-8")
    assert "<svg" in text and "Tomato by the door" in text
    assert not re.search(r"<script|<link|@import|src=", text)
    _told_once(garden.site, ReportAnswer.model_validate(answer))
    assert "nothing is known of" in garden.says(
        "report", "five-drums", "--from", "2011-01-01", "--to", "2011-01-02"
    )
    garden.store.close()


def _told_once(site: Site, answer: ReportAnswer) -> None:
    """A warning told again while it stood is one row; of another zone, or after it was over, another."""
    day = datetime(2012, 8, 2, 12, tzinfo=UTC)

    def fault(hours: int, subject: str, text: str, cleared: bool = False) -> ReportedFaultAnswer:
        at = day + timedelta(hours=hours)
        over = at + timedelta(hours=1) if cleared else None
        return ReportedFaultAnswer(at=at, cleared_at=over, kind="run_short", subject=subject, text=text)

    faults = [
        fault(0, "pots", f"{site.name}: little came."),
        fault(5, "border", f"{site.name}: nothing came."),
        fault(9, "pots", f"{site.name}: less came.", cleared=True),
        fault(20, "pots", f"{site.name}: little came again."),
    ]
    page = report_page(site, answer.model_copy(update={"faults": faults}))
    rows = re.findall(r"<td>([^<]*(?:Little|Nothing|Less) came[^<]*)</td>", page)
    assert rows == [
        "Less came. Told 2 times, last so.",
        "told on 02 August: Nothing came.",
        "told on 03 August: Little came again.",
    ]
    assert page.count("still stands") == 2


def _with_leaks(*litres: float | None) -> ReportAnswer:
    days = [ReportedDayAnswer.model_construct(leak_l=leak_l, leak_l_day=leak_l) for leak_l in litres]
    return ReportAnswer.model_construct(days=days)


def _leak_told(
    answer: ReportAnswer,
    counted_l: float | None,
    level_m: tuple[float, float, float] = (0.3, 0.32, 0.34),
    site: Site = example_site("five-drums"),  # noqa: B008 - never changed
) -> str:
    """On 1 July, while plans count on a leak of so much since 3 June (None: nobody knows of one).
    ``level_m``: its low end, itself, its high end."""
    since = date(2012, 6, 3) if counted_l else None
    leak = None if counted_l is None else StatusLeakAnswer(l_day=counted_l, since=since)
    low_m, middle_m, high_m = level_m
    status = StatusAnswer.model_construct(leak=leak, level_m=middle_m, level_low_m=low_m, level_high_m=high_m)
    return leaked_words(site, status, answer, date(2012, 7, 1))


def test_a_leak_is_told_as_plans_count_on_it_and_a_mended_one_as_past() -> None:
    assert _leak_told(_with_leaks(None), None).startswith("Whether there is a leak is not known")
    assert _leak_told(_with_leaks(0.0, 0.0, None), 0.0) == "No leak shows while the valves are shut."
    # What the last days show, 7 L, is not what is counted in: one figure is told.
    assert _leak_told(_with_leaks(0.0, 0.0, 7.0, 7.0, 7.0), 6.2) == (
        "A leak takes about 6 L a day while the valves are shut, known since Sunday 3 June and counted in "
        "how long the water lasts. 21.0 L ran away in these days. Look at joints and taps at dusk, "
        "when all is dry."
    )
    mended = _leak_told(_with_leaks(*[7.0] * 25, *[0.0] * 5), 0.0)
    assert mended == "No leak shows while the valves are shut now; 175 L ran away in these days before."
    doubted = _leak_told(_with_leaks(*[7.0] * 2, *[None] * 28), None)
    assert doubted == (
        "Whether there is a leak now is not known; 14.0 L ran away in the 2 days on which it is known."
    )


def _plan_with_leak(day: date, leak_l: float) -> Plan:
    outlook = StoreOutlook(400.0, 500.0, 10, 14, 20, 60, leak_l=leak_l)
    return Plan(day, datetime(day.year, day.month, day.day, 12, tzinfo=UTC), (), (), (), outlook)


def _told_of(
    folder: Path, waters: list[RecordWaterDay], rooted: int = 0, leaks_l: float = 0.0
) -> tuple[ReportAnswer, list[str]]:
    """Thirty days of June with these water days, the first ``rooted`` with a day of the fig; the plans count
    on a leak of so much."""
    site = example_site("five-drums")
    with Store(store_url(folder / "garden.db"), site.id) as store:
        for n, water in enumerate(waters):
            store.write([RecordPlan(_plan_with_leak(water.day, leaks_l))])
            root = RootZoneRecord("fig", water.day, 4.0, 3.0, 5.0, "test", 2.0, 3.5, 0.0)
            store.write([*([RecordDay(dry_days(water.day, 1)[0], (root,))] if n < rooted else []), water])
        now = datetime(2012, 7, 1, 12, tzinfo=UTC)
        answer = report_answer(site, store, date(2012, 6, 1), date(2012, 6, 30), now)
    return answer, report_words(site, answer)


def _june(**known: float | None) -> list[RecordWaterDay]:
    """Thirty days of which only these litres are known."""
    rest: dict[str, float | None] = {"start_l": 300.0, "end_l": 300.0, "leak_l": None} | known
    return [
        RecordWaterDay(day=date(2012, 6, n), drawn_l=0.0, taken_l=3.0, added_l=10.0, **rest)  # type: ignore[arg-type]
        for n in range(1, 31)
    ]


def test_what_is_not_known_of_the_barrels_is_told_so_beside_what_people_told(tmp_path: Path) -> None:
    answer, words = _told_of(tmp_path, _june(end_l=None))
    assert words[2] == (
        "What the roof brought is not known; what ran over is not known; topped up 300 L, "
        "taken by can 90.0 L; what leaked is not known."
    )
    assert (answer.caught_l, answer.overflow_l, answer.leak_l) == (None, None, None)
    assert (answer.topped_up_l, answer.taken_l) == (300.0, 90.0)


def test_no_sum_of_some_days_passes_for_the_sum_of_all(tmp_path: Path) -> None:
    waters = _june(leak_l=1.0, caught_l=None)
    waters[4] = replace(waters[4], caught_l=12.0)
    answer, words = _told_of(tmp_path, waters, leaks_l=1.1)
    assert words[2] == (
        "The roof brought 12.0 L (known on 1 of 30 days); what ran over is not known; topped up 300 L, "
        "taken by can 90.0 L, leaked 30.0 L."
    )
    assert (answer.caught_l, answer.overflow_l, answer.leak_l) == (12.0, None, 30.0)


def test_days_that_are_known_in_full_are_counted_once(tmp_path: Path) -> None:
    waters = _june(leak_l=1.0, caught_l=2.0, overflow_l=0.5)
    whole = "The roof brought 60.0 L, 15.0 L ran over; topped up 300 L, taken by can 90.0 L, leaked 30.0 L."
    assert _told_of(tmp_path, waters, leaks_l=1.1)[1][2] == whole
    (tmp_path / "few").mkdir()
    assert _told_of(tmp_path / "few", waters[:3], leaks_l=1.1)[1][2] == (
        "The roof brought 6.0 L, 1.5 L ran over; topped up 30.0 L, taken by can 9.0 L, leaked 3.0 L. "
        "Roof and leak are known on 3 of 30 days."
    )


def test_what_nights_see_by_chance_is_no_leak_and_no_gain(tmp_path: Path) -> None:
    """Nights at rest in a tight garden are off by some litres to either side; no plan counts on that."""
    for seen_l in (0.9, -2.0):
        folder = tmp_path / f"{seen_l}"
        folder.mkdir()
        answer, words = _told_of(folder, _june(leak_l=seen_l))
        assert answer.leak_l == 0.0 and words[2].endswith("leaked 0.0 L.")
        assert _leak_told(answer, 0.0) == "No leak shows while the valves are shut."
        assert not any("find the leak" in w.change for w in answer.worth_changing)


@pytest.mark.parametrize(("until", "sought"), [(30, True), (20, False)])
def test_a_leak_that_has_ended_is_not_to_be_found(tmp_path: Path, until: int, sought: bool) -> None:
    """Plans count on 7 L a day to that day of June; the last ten days tell whether it is there still."""
    site = example_site("five-drums")
    with Store(store_url(tmp_path / "garden.db"), site.id) as store:
        for water in _june(leak_l=0.0):
            leak_l = 7.0 if water.day.day <= until else 0.0
            store.write([RecordPlan(_plan_with_leak(water.day, leak_l)), replace(water, leak_l=leak_l)])
        now = datetime(2012, 7, 1, 12, tzinfo=UTC)
        answer = report_answer(site, store, date(2012, 6, 1), date(2012, 6, 30), now)
    assert answer.leak_l == pytest.approx(7.0 * until)
    assert any("find the leak" in w.change for w in answer.worth_changing) is sought


def test_a_leak_is_told_also_while_the_barrels_stand_empty_and_lose_nothing(tmp_path: Path) -> None:
    """Twenty days of 40 L; then ten on which it takes the 7 L that are left of 10 L added and 3 L taken."""
    known = {"leak_l": 40.0, "caught_l": 0.0, "overflow_l": 0.0, "rest_l": 0.0, "rest_sd_l": 2.0}
    held = _june(end_l=300.0 + 10.0 - 3.0 - 40.0, **known)
    empty = _june(**known | {"start_l": 0.0, "end_l": 0.0})
    answer, _ = _told_of(tmp_path, [*held[:20], *empty[20:]], leaks_l=40.0)
    assert answer.leak_l == pytest.approx(20 * 40.0 + 10 * 7.0)
    said = _leak_told(answer, 40.0, level_m=(-0.01, 0.01, 0.03))
    assert said.startswith(
        "A leak of about 40 L a day has been known since Sunday 3 June; the barrels stand "
    )
    assert "nothing leaks from empty barrels. 870 L ran away" in said and "takes" not in said


@pytest.mark.parametrize("level_m", [(-0.02, 0.6, 0.61), (-0.3, 0.3, 0.32)])
def test_a_level_in_doubt_is_not_told_as_empty_barrels(level_m: tuple[float, float, float]) -> None:
    """One reading of nothing that was refused, or hours without one, widen what the level may be."""
    said = _leak_told(_with_leaks(7.0), 7.0, level_m)
    assert "empty" not in said and said.startswith("A leak takes about 7 L a day")


def test_without_a_sensor_no_night_of_rest_is_promised_to_tell_of_a_leak() -> None:
    site = replace(example_site("five-drums"), sensor=None)
    assert _leak_told(_with_leaks(None), None, site=site) == (
        "Whether there is a leak is not known, for no sensor reads the level."
    )


def test_what_nights_see_and_no_plan_is_sure_of_is_not_known(tmp_path: Path) -> None:
    answer, words = _told_of(tmp_path, _june(leak_l=4.0))
    assert answer.leak_l is None and words[2].endswith("what leaked is not known.")
    assert _leak_told(answer, None).startswith("Whether there is a leak is not known")


def test_plants_without_a_balanced_day_are_not_said_to_have_used_nothing(tmp_path: Path) -> None:
    answer, words = _told_of(tmp_path, _june())
    assert (answer.used_l, answer.rain_l, answer.given_l, answer.known_days) == (None, None, None, 0)
    assert words[0].endswith(": 0 days known.")
    assert words[1] == "What plants used is not known of any of these days; watering gave 0.0 L."
    assert words[3] == "Which plants stood short of water is not known."
    (tmp_path / "one").mkdir()
    words = _told_of(tmp_path / "one", _june(), rooted=1)[1]
    assert words[0].endswith(": 1 day known.")
    assert words[3] == "No plant stood short of water on the 1 day known."


def test_a_plant_taken_out_of_the_garden_meanwhile_ends_no_report(tmp_path: Path) -> None:
    site = example_site("five-drums")
    gone, fig = (
        RootZoneRecord(p, date(2012, 6, 3), 4.0, 3.0, 5.0, "", 2.0, 1.0, 0.6) for p in ("rose", "fig")
    )
    _told_of(tmp_path, _june(leak_l=0.2))
    with Store(store_url(tmp_path / "garden.db"), site.id) as store:
        store.write([RecordDay(dry_days(gone.day, 1)[0], (gone, fig))])
        answer = report_answer(site, store, gone.day, gone.day, datetime(2012, 7, 1, 12, tzinfo=UTC))
    assert site.plant("fig").name in report_words(site, answer)[3]
    assert "fig" in report_page(site, answer)


def test_a_leak_of_some_days_names_how_many() -> None:
    told = _leak_told(_with_leaks(None, 7.0, 7.0), 7.0)
    assert "14.0 L ran away in the 2 days on which it is known" in told


def test_warnings_are_told_once_each_with_how_long_they_stood(tmp_path: Path) -> None:
    site = example_site("five-drums")
    noon = datetime(2012, 6, 5, 19, tzinfo=UTC)
    short = Alert("run_short", "pots", f"{site.name}: the pots got too little.", "Look.", False, noon)
    answer, _ = _told_of(tmp_path, _june())
    assert fault_words(site, answer) == ["No warning was raised in these days."]
    with Store(store_url(tmp_path / "garden.db"), site.id) as store:
        store.write([RaiseAlert(short), RaiseAlert(replace(short, at=noon + timedelta(days=8)))])
        store.write([ClearAlert("run_short", "pots", noon + timedelta(days=9))])
        store.write([RaiseAlert(replace(short, kind="frost", subject="", text="Frost is coming.", at=noon))])
        now = datetime(2012, 7, 1, 12, tzinfo=UTC)
        answer = report_answer(site, store, date(2012, 6, 1), date(2012, 6, 30), now)
    assert sorted(fault_words(site, answer)) == [
        "Warning of 05 June 12:00, still stands: told on 05 June: Frost is coming.",
        "Warning of 05 June 12:00, to 14 June 12:00: The pots got too little. Told 2 times, last so.",
    ]
