"""Why: asked of a store into which the controller watered a rehearsed month."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path

import pytest

from scheduler.control.effects import Booking, RecordBooking, RecordIntent, RecordPlan
from scheduler.planning.plan import Plan, PlannedRun, SkippedZone
from scheduler.planning.windows import local_midnight
from scheduler.planning.words import rain_expected
from scheduler.rehearsal.garden import TrueGarden
from scheduler.rehearsal.hidden import Hidden, draw_truth
from scheduler.rehearsal.node_model import VirtualNode
from scheduler.rehearsal.shell import VirtualShell
from scheduler.report.why import newest_planned_day, show_change, source_lines, why_answer, why_words
from scheduler.site.errors import UsageError
from scheduler.site.examples import example_site
from scheduler.site.showing import show_volume
from scheduler.store.store import Store, store_url
from scheduler.weather.weather_file import packaged_weather

FIRST, LAST = date(2012, 7, 20), date(2012, 8, 12)
SITE = example_site("five-drums")


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Store]:
    weather = packaged_weather("seattle-2012")
    opens, ends = (local_midnight(d, SITE.place.timezone) for d in (FIRST, LAST + timedelta(days=1)))
    garden = TrueGarden(SITE, draw_truth(SITE, 1, Hidden()), weather, opens, ends, start_level_m=0.7)
    node = VirtualNode(SITE, garden, rest_report_s=1800.0, open_report_s=60.0)
    shell = VirtualShell(SITE, garden, node, weather, 1)
    shell.run_to(ends)
    path: Path = tmp_path_factory.mktemp("why") / "garden.db"
    with Store(store_url(path), SITE.id) as store:
        log = shell.log
        store.write([RecordPlan(p) for p in log.plans])
        store.write([RecordIntent(i) for i in log.intents])
        store.write([RecordBooking(b) for b in log.bookings])
        yield store


def test_a_watered_zone_says_its_time_its_reason_its_sources_and_what_would_change_it(store: Store) -> None:
    answer = why_answer(SITE, store, date(2012, 8, 4))
    border = next(z for z in answer.zones if z.id == "border")
    assert border.run_s is not None and border.booked_l == pytest.approx(border.volume_l, rel=0.02)
    codes = [r.code for r in border.reasons]
    assert codes[0] == "due"  # the deciding reason stands first
    assert {"run_time_from_level", "since_watered"} <= set(codes)
    assert border.would_change and "rain" in border.would_change[0].text
    assert {s.what for s in answer.sources} == {"level", "forecast", "past_weather", "flow"}
    assert all(s.age_h is not None and 0.0 <= s.age_h < 200.0 for s in answer.sources)


def test_the_sources_of_a_run_are_those_that_it_was_planned_from(store: Store) -> None:
    days = [date(2012, 8, 1) + timedelta(days=n) for n in range(12)]
    later = 0
    for day in days:
        answer = why_answer(SITE, store, day)
        starts = [z.start for z in answer.zones if z.start is not None]
        if not starts:
            continue
        assert answer.made_at <= max(starts) + timedelta(minutes=2), day
        later += answer.made_at < store.plans_between(day, day)[-1].made_at
    assert later  # on some of them the evening's plan came after the morning's run


def test_what_a_plant_wants_is_the_same_figure_in_its_reason_and_in_the_table(store: Store) -> None:
    for day in (date(2012, 8, 1) + timedelta(days=n) for n in range(12)):
        for plant in why_answer(SITE, store, day).plants:
            for reason in (r for r in plant.reasons if r.code == "due"):
                assert f"it wants {show_volume(plant.wanted_l)}." in reason.text, (day, plant.id)


def test_an_old_source_is_told_in_days(store: Store) -> None:
    answer = why_answer(SITE, store, date(2012, 8, 4))
    for age_h, words in ((0.1, "6 min"), (2.0, "2 h"), (47.0, "47 h"), (503.0, "21 days")):
        aged = [s.model_copy(update={"age_h": age_h}) for s in answer.sources]
        lines = source_lines(answer.model_copy(update={"sources": aged}))
        assert lines and all(line.endswith(f", {words} old then") for line in lines)


def test_a_skipped_zone_says_why_not_and_when_it_falls_due(store: Store) -> None:
    answer = why_answer(SITE, store, date(2012, 8, 6), "border")
    (border,) = answer.zones
    assert border.run_s is None
    assert [r.code for r in border.reasons] == ["not_due"]
    assert "falls due" in border.would_change[0].text


def test_a_run_longer_than_last_week_is_split_into_its_causes(store: Store) -> None:
    answer = why_answer(SITE, store, date(2012, 8, 12), "pots")
    compared = answer.zones[0].compared
    assert compared is not None
    assert date(2012, 8, 2) <= compared.day <= date(2012, 8, 8)
    change_s = compared.after_s - compared.before_s
    assert sum(c.change_s for c in compared.causes) == pytest.approx(change_s, abs=1.0)
    head = next(c for c in compared.causes if c.cause == "head")
    assert head.change_s > 0.0 and "lower" in head.text  # no rain fell, so the water stands lower


def test_the_rest_of_a_change_is_named_by_what_was_stored_and_rain_only_where_it_fell(store: Store) -> None:
    """Whether rain fell before either run is told by the measured weather of the season."""
    wet = {d.day for d in packaged_weather("seattle-2012") if d.rain_mm}
    rests = []
    for day in (FIRST + timedelta(days=n) for n in range(2, (LAST - FIRST).days + 1)):
        for compared in (z.compared for z in why_answer(SITE, store, day).zones):
            rests += [
                (day, compared.day, c) for c in (compared.causes if compared else ()) if c.cause == "rest"
            ]
    assert rests and all(c.named for _, _, c in rests)
    for day, earlier, cause in rests:
        rained = any(earlier - timedelta(days=7) <= d <= day for d in wet)
        assert rained or "rain" not in cause.named, (day, cause)
    assert any(c.named != ["rain"] for _, _, c in rests)


def test_a_plant_is_answered_with_its_own_litres(store: Store) -> None:
    answer = why_answer(SITE, store, date(2012, 8, 4), "fig")
    assert [p.id for p in answer.plants] == ["fig"]
    text = "\n".join(why_words(SITE, answer, "fig"))
    assert "Young fig: wanted" in text and "newly planted" in text


def test_a_day_without_a_plan_and_an_unknown_name_are_said_plainly(store: Store) -> None:
    with pytest.raises(UsageError, match="no plan was made for Saturday 01 January 2000"):
        why_answer(SITE, store, date(2000, 1, 1))
    with pytest.raises(UsageError, match="no zone and no plant 'figg'"):
        why_answer(SITE, store, date(2012, 8, 4), "figg")


def test_without_a_plan_of_today_the_newest_is_told(store: Store) -> None:
    assert newest_planned_day(store, date(2012, 8, 4)) == date(2012, 8, 4)
    assert newest_planned_day(store, LAST + timedelta(days=1)) == LAST


def test_where_nothing_was_ever_planned_it_is_asked_of_today(tmp_path: Path) -> None:
    with Store(store_url(tmp_path / "new.db"), SITE.id) as empty:
        assert newest_planned_day(empty, LAST) == LAST


def test_a_day_that_went_as_planned_says_nothing_of_its_orders(store: Store) -> None:
    answer = why_answer(SITE, store, date(2012, 8, 4))
    assert [zone.orders for zone in answer.zones] == [[], []]


def _left_out(store: Store, after_start: timedelta) -> tuple[Plan, Plan]:
    """A midnight's plan with a run of the pots alone, and one made so long after the start of that run which
    leaves it out for rain."""
    day = next(d for d in (FIRST + timedelta(days=n) for n in range(20)) if _pots_run(store, d) is not None)
    run = _pots_run(store, day)
    assert run is not None
    midnight = local_midnight(day, SITE.place.timezone)
    drafted = replace(store.plans_between(day, day)[0], made_at=midnight, runs=(run,), skipped=())
    rain = rain_expected(SITE.units, 12.0, 0.9, "a forecast")
    skipped = (SkippedZone("pots", (rain,)),)
    return drafted, replace(drafted, made_at=run.start + after_start, runs=(), skipped=skipped)


def test_a_run_that_a_later_plan_left_out_is_told_as_that_and_not_as_watered(
    store: Store, tmp_path: Path
) -> None:
    drafted, later = _left_out(store, timedelta(seconds=20))
    day, (run,) = drafted.day, drafted.runs
    with Store(store_url(tmp_path / "garden.db"), SITE.id) as own:
        own.write([RecordPlan(drafted), RecordPlan(later)])
        (pots,) = why_answer(SITE, own, day, "pots").zones
        assert pots.run_s is None and pots.start is None and pots.booked_l is None
        assert [r.code for r in pots.reasons] == ["dropped", "rain_expected"]
        assert pots.reasons[0].text.startswith("Planned at 00:00 for ")
        # Water that is booked was given, whatever was planned later.
        own.write([RecordBooking(replace(b, order_id="s.1")) for b in _booked(store, day)[:1]])
        (pots,) = why_answer(SITE, own, day, "pots").zones
        assert pots.run_s == pytest.approx(run.run_s, abs=0.1) and pots.reasons[0].code == "due"


def test_water_that_a_person_asked_for_makes_no_run_of_the_one_that_was_left_out(
    store: Store, tmp_path: Path
) -> None:
    drafted, later = _left_out(store, timedelta(hours=-1))
    day, midnight = drafted.day, drafted.made_at
    booked = _booked(store, day)[0]
    sent = next(i for i in store.intents_since(midnight) if i.order.order_id == booked.order_id)
    nothing = replace(booked, order_id="s.9", open_s=0.0, volume_l=0.0, given_l=())
    with Store(store_url(tmp_path / "garden.db"), SITE.id) as own:
        own.write([RecordPlan(drafted), RecordPlan(later)])
        own.write([RecordIntent(replace(sent, asked_by="gardener")), RecordBooking(booked)])
        own.write([RecordBooking(nothing)])
        answer = why_answer(SITE, own, day, "pots")
        (pots,) = answer.zones
        assert pots.run_s is None and [r.code for r in pots.reasons] == ["dropped", "rain_expected"]
        # It is told, and not that no water came.
        text = "\n".join(why_words(SITE, answer))
        assert f"not watered by the plan. Booked to plants: {booked.volume_l:.1f} L." in text


def _pots_run(store: Store, day: date) -> PlannedRun | None:
    runs = [r for p in store.plans_between(day, day)[:1] for r in p.runs if r.zone == "pots"]
    return runs[0] if runs and _booked(store, day) else None


def _booked(store: Store, day: date) -> list[Booking]:
    return [b for b in store.bookings_since(day) if b.day == day and b.zone == "pots"]


def test_a_run_is_compared_with_the_last_plan_of_the_other_day_not_its_draft(store: Store) -> None:
    compared = why_answer(SITE, store, date(2012, 8, 12), "pots").zones[0].compared
    assert compared is not None
    (then,) = why_answer(SITE, store, compared.day, "pots").zones
    assert compared.before_s == then.run_s


@pytest.mark.parametrize(
    ("change_s", "shown"), [(31.0, "1 min"), (-114.0, "2 min"), (300.0, "5 min"), (7500.0, "2 h 05 min")]
)
def test_changes_that_are_read_beside_each_other_have_one_unit(change_s: float, shown: str) -> None:
    assert show_change(change_s) == shown
