"""The fitter's round: worst first, unknown as unknown, one broken garden hides no other."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import pytest
from typer.testing import CliRunner

from scheduler.agronomy.need import available_mm
from scheduler.agronomy.weather import Outlook
from scheduler.cli import present
from scheduler.cli.main import app
from scheduler.control.effects import RecordCalibration, RecordChoice, RecordStop, RootZoneRecord
from scheduler.control.spans import OPEN
from scheduler.report.answers import RoundAnswer, RoundGardenAnswer
from scheduler.report.commissioning import steps_answer
from scheduler.report.round import round_answer
from scheduler.report.round_gardens import round_gardens
from scheduler.report.round_harm import WEEK_DAYS, days_without, dry_from, plants_of, share_lost
from scheduler.report.round_words import round_words
from scheduler.service.lock import SiteLock, lock_path
from scheduler.service.practised import keep_practice
from scheduler.site.errors import UsageError
from scheduler.site.examples import example_site
from scheduler.survey.site_mark import site_mark
from scheduler.survey.tests_done import Can, CatchCans, Draw, HeadFlow, Trim, TurnDone
from tests.support.many_gardens import OneOfMany, one_of_many

NOW = datetime(2012, 8, 1, 15, 0, tzinfo=UTC)
SEEN = NOW - timedelta(minutes=20)
YEAR = timedelta(days=365)
SITE = example_site("five-drums")


def look(folder: Path) -> RoundAnswer:
    return round_answer(round_gardens([str(folder)]), NOW)


def of(answer: RoundAnswer, garden: OneOfMany) -> RoundGardenAnswer:
    return next(g for g in answer.gardens if g.garden == garden.site.name)


def names(answer: RoundAnswer) -> list[str]:
    return [g.garden for g in answer.gardens]


def dry_roots(garden: OneOfMany) -> dict[str, float]:
    return {p.id: available_mm(p) for p in garden.site.plants}


# ---- Twenty-five of them -----------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def fleet(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """25 gardens: one with a valve not shut, one dry whose node is silent, one of which one zone runs short,
    one whose copies stopped coming, one with a broken file, one with an empty store, 19 well."""
    folder = tmp_path_factory.mktemp("fleet")
    made = [one_of_many(folder, n, {4: NOW - timedelta(days=3), 6: None}.get(n, SEEN)) for n in range(1, 26)]
    made[0].alert("run_short", SEEN, "pots")
    made[1].alert("valve_not_shut", SEEN, urgent=True)
    made[2].alert("node_silent", SEEN)
    made[2].roots(SEEN, dry_roots(made[2]), stress=1.0)
    text = made[4].file.read_text(encoding="utf-8")
    made[4].file.write_text(text.replace('bore = "25 mm"', 'bore = "25 leagues"'), encoding="utf-8")
    return folder


@pytest.fixture(scope="module")
def answer(fleet: Path) -> RoundAnswer:
    return look(fleet)


def test_of_25_gardens_the_open_valve_comes_first_then_the_most_harm_and_the_healthy_last(
    answer: RoundAnswer,
) -> None:
    assert len(answer.gardens) == 25
    assert names(answer)[:2] == ["Ash 2", "Birch 3"]
    standings = [g.standing for g in answer.gardens]
    assert standings[0] == "urgent"
    assert standings[6:] == ["well"] * 19
    assert sorted(standings[1:6]) == ["trouble", "trouble", "unknown", "unknown", "unknown"]


def test_a_broken_site_file_hides_no_other_garden_and_says_what_is_wrong_in_it(answer: RoundAnswer) -> None:
    broken = next(g for g in answer.gardens if g.garden == "garden-05")
    assert broken.standing == "unknown"
    assert "25 leagues" in broken.problem and "site.toml:" in broken.problem
    assert broken.harm_plant_days is None and broken.harm_at_most is None


def test_a_silent_garden_is_unknown_with_the_most_that_may_be_lost(answer: RoundAnswer) -> None:
    silent = next(g for g in answer.gardens if g.garden == "Hazel 4")
    assert silent.standing == "unknown"
    assert silent.harm_plant_days is None
    assert silent.harm_at_most is not None and silent.harm_at_most > 0.0
    # Nothing of the past is passed off as now.
    assert silent.usable_l is None and silent.level_m is None and silent.valves_shut is None
    assert silent.as_of == NOW - timedelta(days=3)


def test_the_round_in_words_gives_a_healthy_garden_one_line(fleet: Path, answer: RoundAnswer) -> None:
    lines = round_words(answer, round_gardens([str(fleet)]))
    assert lines[0] == "25 gardens: 1 urgent, 2 in trouble, 3 not known, 19 well."
    well = lines[lines.index("Well:") + 1 :]
    assert sum("usable" in line for line in well) == 19
    text = "\n".join(lines)
    assert (
        "1. Ash 2" in text
        and "Urgent. Since Wed 01 Aug 07:40 PDT: Told of valve_not_shut. Go and look." in text
    )
    assert "harm not known, at most" in text and "Last heard of Sun 29 Jul 08:00 PDT" in text


def test_the_van_is_loaded_for_all_of_them(answer: RoundAnswer) -> None:
    wanted = {p.part: p.gardens for p in answer.bring}
    assert wanted["gravity valve of the kind fitted"] == ["Ash 2"]
    assert wanted["filter screen"] == ["Oak 1"]
    # Of the silent garden and of the one whose service hears no node.
    assert wanted["valve node with this garden's key"] == ["Birch 3", "Hazel 4"]


def test_a_program_reads_the_same_round(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(present, "now", lambda: NOW)
    one_of_many(tmp_path, 1, SEEN).alert("run_short", SEEN, "pots")
    ran = CliRunner().invoke(app, ["round", str(tmp_path), "--json"])
    assert ran.exit_code == 0, ran.output
    assert RoundAnswer.model_validate(json.loads(ran.output)) == look(tmp_path)


# ---- One by one --------------------------------------------------------------------------------------------


def test_a_root_zone_with_nothing_left_loses_a_whole_day_each_day() -> None:
    """FAO-56 Eq 84: Ks is 0 at TAW, so without water each of seven days is lost whole."""
    plant = SITE.plants[0]
    record = RootZoneRecord(plant.id, date(2012, 7, 31), available_mm(plant), 1.0, 5.0, "test", 0.0, 0.0, 1.0)
    dry = dry_from(SITE, {plant.id: record}, {plant.id: record.depletion_mm}, {}, date(2012, 8, 1))
    assert dry.within([plant.id], WEEK_DAYS) == pytest.approx(7.0)
    assert dry.within([plant.id], 3) == pytest.approx(3.0)


def test_rain_to_come_spares_what_it_fills() -> None:
    """FAO-56 Eq 85: rain is taken off the depletion; enough of it each day leaves no stress."""
    plant = SITE.plants[0]
    record = RootZoneRecord(plant.id, date(2012, 7, 31), 0.0, 1.0, 5.0, "test", 0.0, 0.0, 0.0)
    days = [date(2012, 8, 1) + timedelta(days=n) for n in range(7)]
    wet = dry_from(SITE, {plant.id: record}, {plant.id: 0.0}, dict.fromkeys(days, 30.0), days[0])
    assert wet.within([plant.id], WEEK_DAYS) == 0.0
    unknown = dry_from(SITE, {plant.id: record}, {plant.id: 0.0}, dict.fromkeys(days, None), days[0])
    assert unknown.within([plant.id], WEEK_DAYS) > 0.0


def test_water_that_lasts_four_days_leaves_three_of_the_week() -> None:
    assert days_without("runs_out", 4) == 3
    assert days_without("near_empty", 30) == 0
    assert days_without("out_of_reach", 5) == 2 and share_lost("out_of_reach") == 1.0
    assert days_without("node_silent", 4) == 7


def test_a_trouble_of_one_zone_harms_the_plants_of_that_zone() -> None:
    pots = plants_of(SITE, "pots")
    assert 0 < len(pots) < len(SITE.plants)
    assert set(plants_of(SITE, "")) == {p.id for p in SITE.plants}


def test_five_troubles_of_one_cause_count_once(tmp_path: Path) -> None:
    one, many = (one_of_many(tmp_path, n, SEEN) for n in (1, 2))
    for garden in (one, many):
        garden.roots(SEEN, dry_roots(garden))
        garden.alert("node_silent", SEEN)
    for kind in ("clock_unknown", "supply_low", "forecast_stale", "level_doubtful"):
        many.alert(kind, SEEN)  # type: ignore[arg-type]
    answer = look(tmp_path)
    assert of(answer, one).harm_plant_days == of(answer, many).harm_plant_days
    assert len(of(answer, many).troubles) == 5


def test_the_same_trouble_weighs_more_where_the_roots_are_dry(tmp_path: Path) -> None:
    moist, dry = (one_of_many(tmp_path, n, SEEN) for n in (1, 2))
    dry.roots(SEEN, dry_roots(dry))
    for garden in (moist, dry):
        garden.alert("node_silent", SEEN)
    answer = look(tmp_path)
    assert names(answer) == [dry.site.name, moist.site.name]
    assert of(answer, dry).at_risk_plant_days == pytest.approx(7.0 * len(dry.site.plants))
    at_risk = of(answer, moist).at_risk_plant_days
    assert at_risk is not None and at_risk < 7.0 * len(moist.site.plants)


def test_a_stop_that_somebody_forgot_is_a_trouble(tmp_path: Path) -> None:
    garden = one_of_many(tmp_path, 1, SEEN)
    with garden.store() as store:
        store.write([RecordStop(True, "Ann", SEEN - timedelta(days=4))])
    found = of(look(tmp_path), garden)
    assert found.standing == "trouble"
    assert found.troubles[0].text == "All watering is stopped by Ann."


def test_a_plant_that_stood_short_is_named_though_no_alarm_says_so(tmp_path: Path) -> None:
    garden = one_of_many(tmp_path, 1, SEEN)
    garden.roots(SEEN, dry_roots(garden), stress=0.5)
    found = of(look(tmp_path), garden)
    assert found.standing == "trouble"
    assert garden.site.plants[0].name in found.troubles[0].text
    assert found.lost_plant_days == pytest.approx(0.5 * len(garden.site.plants))


def test_a_nightly_copy_is_of_last_night_and_not_silent(tmp_path: Path) -> None:
    seen = NOW - timedelta(hours=20)
    garden = one_of_many(tmp_path, 1, seen)
    found = of(look(tmp_path), garden)
    assert (found.standing, found.as_of) == ("well", seen)
    assert found.level_m == 0.5


def test_a_service_that_never_heard_its_node_is_neither_well_nor_said_not_to_run(tmp_path: Path) -> None:
    """With nothing written at all, and with a level told by hand and a forecast."""
    garden = one_of_many(tmp_path, 1, None)
    found = replace(round_gardens([str(tmp_path)])[0], copied=False)
    with SiteLock(lock_path(garden.path)):
        bare = round_answer([found], NOW).gardens[0]
        with garden.store() as store:
            store.write([RecordCalibration(SEEN, 0.0, 0.5, "Ann")])
            store.save_outlook(Outlook((), "test", SEEN))
        told = round_answer([found], NOW).gardens[0]
    for answer in (bare, told):
        assert (answer.standing, answer.harm_plant_days, answer.valves_shut) == ("unknown", None, None)
        assert "service has run" in answer.problem and "has not run" not in answer.problem
        assert "valves are shut is not known" in answer.problem
    assert bare.usable_l is None and "How much water there is is not known" in bare.problem
    assert told.usable_l is not None and "usable were measured" in told.problem
    # Without the service the same empty store says that none ever ran.
    assert "has not run" in round_answer([replace(found, store=_bare(tmp_path))], NOW).gardens[0].problem


def _bare(folder: Path) -> Path:
    return one_of_many(folder / "more", 1, None).path


def test_a_damaged_store_is_unknown(tmp_path: Path) -> None:
    good, bad = (one_of_many(tmp_path, n, SEEN) for n in (1, 2))
    bad.path.write_bytes(b"not a store at all" * 100)
    answer = look(tmp_path)
    assert names(answer) == [bad.site.name, good.site.name]
    assert of(answer, bad).standing == "unknown" and "not a store" in of(answer, bad).problem


def drain(garden: OneOfMany, on: date) -> None:
    with garden.store() as store:
        store.write([RecordChoice("winter", f"{on}/{OPEN}", "Ann", SEEN)])


def test_a_garden_drained_for_the_winter_is_well_however_silent(tmp_path: Path) -> None:
    garden = one_of_many(tmp_path, 1, NOW - timedelta(days=90))
    garden.roots(NOW - timedelta(days=90), dry_roots(garden), stress=1.0)
    drain(garden, date(2012, 5, 3))
    answer = look(tmp_path)
    found = of(answer, garden)
    assert (found.standing, found.harm_plant_days, found.drained_on) == ("well", 0.0, date(2012, 5, 3))
    assert "drained for the winter since 03 May 2012" in "\n".join(
        round_words(answer, round_gardens([str(tmp_path)]))
    )


def test_an_open_valve_of_a_drained_garden_is_urgent_all_the_same(tmp_path: Path) -> None:
    garden = one_of_many(tmp_path, 1, SEEN)
    drain(garden, date(2012, 5, 3))
    garden.alert("valve_not_shut", SEEN, urgent=True)
    found = of(look(tmp_path), garden)
    assert (found.standing, found.harm_plant_days) == ("urgent", 0.0)


def test_a_garden_that_fell_silent_while_a_valve_stood_open_is_urgent_and_its_harm_not_known(
    tmp_path: Path,
) -> None:
    silent = one_of_many(tmp_path, 1, NOW - timedelta(days=3))
    silent.alert("valve_not_shut", NOW - timedelta(days=3), urgent=True)
    silent.alert("run_short", NOW - timedelta(days=3), "pots")
    heard = one_of_many(tmp_path, 2, SEEN)
    heard.alert("node_silent", SEEN)
    answer = look(tmp_path)
    assert names(answer)[0] == silent.site.name
    found = of(answer, silent)
    assert found.standing == "urgent" and [t.kind for t in found.troubles] == ["valve_not_shut"]
    assert found.harm_plant_days is None and found.valves_shut is None and found.level_m is None
    assert found.harm_at_most is not None and found.harm_at_most > 0.0
    assert "gravity valve of the kind fitted" in found.parts
    text = "\n".join(round_words(answer, round_gardens([str(tmp_path)])))
    assert "Urgent. Since Sun 29 Jul 08:00 PDT: Told of valve_not_shut." in text
    assert "Nothing is heard of it" in text and "Last heard of Sun 29 Jul 08:00 PDT" in text


def test_orders_that_do_not_reach_the_valve_cost_more_than_refused_ones_of_strangers(tmp_path: Path) -> None:
    made = [one_of_many(tmp_path, n, SEEN) for n in (1, 2, 3)]
    for garden, kind in zip(made, ("order_refused", "order_unreached", "order_declined"), strict=True):
        garden.alert(kind, SEEN)  # type: ignore[arg-type]
        garden.roots(SEEN, dry_roots(garden))
    answer = look(tmp_path)
    strangers, unreached, declined = (of(answer, g).harm_plant_days or 0.0 for g in made)
    assert unreached == declined > strangers > 0.0
    assert names(answer)[-1] == made[0].site.name


def test_how_long_water_lasts_without_a_plan_is_not_known(tmp_path: Path) -> None:
    garden = one_of_many(tmp_path, 1, SEEN)
    assert of(look(tmp_path), garden).planned_at is None
    words = "\n".join(round_words(look(tmp_path), round_gardens([str(tmp_path)])))
    assert "how long it lasts is not known" in words


def test_the_most_that_may_be_lost_is_of_the_two_weeks_that_the_round_names(tmp_path: Path) -> None:
    """FAO-56 Eq 84: nothing left, so each plant loses whole days: two weeks are 14 of them."""
    gone = one_of_many(tmp_path, 1, NOW - timedelta(days=70))
    lately, moist = (one_of_many(tmp_path, n, NOW - timedelta(days=2)) for n in (2, 3))
    gone.roots(NOW - timedelta(days=70), dry_roots(gone), stress=1.0)
    lately.roots(NOW - timedelta(days=2), dry_roots(lately), stress=1.0)
    answer = look(tmp_path)
    plants = len(gone.site.plants)
    assert of(answer, gone).harm_at_most == pytest.approx(14.0 * plants)
    # One balanced day of the last week, 29 July, and after it two days until today and seven to come.
    assert of(answer, lately).harm_at_most == pytest.approx((1.0 + 2.0 + 7.0) * plants)
    most = of(answer, moist).harm_at_most
    assert most is not None and 0.0 < most < 10.0 * plants
    words = "\n".join(round_words(answer, round_gardens([str(tmp_path)])))
    assert f"harm not known, at most {14 * plants} plant-days, last week and next." in words


def test_what_was_last_heard_in_another_year_says_the_year_and_how_long_ago(tmp_path: Path) -> None:
    one_of_many(tmp_path, 1, NOW - timedelta(days=3))
    words = "\n".join(round_words(look(tmp_path), round_gardens([str(tmp_path)])))
    assert "Last heard of Sun 29 Jul 08:00 PDT, 3 days ago" in words
    later = round_answer(round_gardens([str(tmp_path)]), datetime(2026, 11, 26, tzinfo=UTC))
    words = "\n".join(round_words(later, round_gardens([str(tmp_path)])))
    assert "Last heard of Sun 29 Jul 2012 08:00 PDT, 14 years ago" in words


def test_a_store_with_commissioning_records_alone_says_what_it_holds(tmp_path: Path) -> None:
    garden = one_of_many(tmp_path, 1, None)
    with garden.store() as store:
        for level_m in (0.5, 0.3):
            draw = Draw(level_m=level_m, run_s=60.0, volume_l=2.0)
            done = HeadFlow(zone="pots", at=SEEN, who="Ann", draws=(draw,))
            store.add_test_record(done, site_mark(garden.site, "pots"))
    found = of(look(tmp_path), garden)
    assert found.problem.startswith(
        "The service has not run there yet; its store holds 2 records of its comm"
    )
    assert (found.standing, found.never_tested) == ("unknown", False)


def test_cans_that_told_nothing_are_not_the_newest_cans(tmp_path: Path) -> None:
    """As the list of tests that are due has it; records of an older version may be such."""
    garden = one_of_many(tmp_path, 1, SEEN)
    zone = garden.site.zones[0]
    caught = {"new and all dry": (SEEN, 0.0), "not measured": (SEEN, None), "old": (SEEN - YEAR, 0.4)}
    with garden.store() as store:
        for at, volume_l in caught.values():
            cans = tuple(Can(emitter=e.id, volume_l=volume_l) for e in zone.emitters)
            done = CatchCans(zone=zone.id, at=at, who="Ann", level_m=0.5, run_s=600.0, cans=cans)
            store.add_test_record(done, site_mark(garden.site, zone.id))
    assert of(look(tmp_path), garden).cans_at == SEEN - YEAR


def test_as_many_tests_are_due_as_the_list_of_steps_says_also_after_a_trimming(tmp_path: Path) -> None:
    garden = one_of_many(tmp_path, 1, SEEN)
    zone = garden.site.zones[0]
    with garden.store() as store:
        draws = tuple(Draw(level_m=level_m, run_s=360.0, volume_l=2.0) for level_m in (0.6, 0.3))
        flow = HeadFlow(zone=zone.id, at=SEEN - timedelta(hours=2), who="Ann", draws=draws)
        turned = (TurnDone(emitter=zone.emitters[0].id),)
        trim = Trim(zone=zone.id, at=SEEN - timedelta(hours=1), who="Ann", turns=turned)
        due = []
        for done in (flow, trim):
            store.add_test_record(done, site_mark(garden.site, zone.id))
            steps = steps_answer(garden.site, store.test_records(), NOW, store="", half_done=None).steps
            due.append(sum(s.state == "due" for s in steps))
            assert of(look(tmp_path), garden).tests_due == due[-1]
    assert due[1] > due[0]  # the flow was tested before the bubbler was turned


def test_a_practice_that_is_over_is_no_garden_to_bring_anything_to(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    garden = one_of_many(tmp_path / "gardens", 1, NOW - timedelta(days=3))
    kept = tmp_path / "kept"
    keep_practice(garden.path, kept, "five-drums", NOW)
    monkeypatch.setenv("FALLINGHEAD_STATE", str(kept))
    monkeypatch.setattr(present, "real_now", lambda: NOW)
    ran = CliRunner().invoke(app, ["round", "five-drums", str(garden.file)])
    assert ran.exit_code == 0
    assert "2 gardens: 1 not known, 1 a practice that is over." in ran.output
    practised = ran.output[ran.output.index("2. ") :].split("Parts for all")[0]
    assert practised.startswith("2. Five drums behind the shed: a practice that is over.")
    assert "Bring" not in practised and "harm" not in practised
    # The garden beside it is judged by today, and is as silent as it was.
    assert "Last heard of Sun 29 Jul 08:00 PDT, 3 days ago" in ran.output


# ---- The list of gardens -----------------------------------------------------------------------------------


def test_a_round_file_names_sites_copies_and_notes(tmp_path: Path) -> None:
    garden = one_of_many(tmp_path / "a", 1, SEEN)
    copy = garden.path.rename(tmp_path / "fetched.db")
    file = tmp_path / "round.toml"
    file.write_text(
        '[[garden]]\nsite = "a/garden-01/site.toml"\nstore = "fetched.db"\nnote = "key under the pot"\n'
        '[[garden]]\nsite = "nowhere/site.toml"\n',
        encoding="utf-8",
    )
    known, lost = round_gardens([str(file)])
    assert (known.store, known.copied, known.note) == (copy, True, "key under the pot")
    assert lost.site is None and lost.name == "nowhere" and "cannot be read" in lost.problem
    words = "\n".join(round_words(round_answer([known, lost], NOW), [known, lost]))
    assert "nowhere" in words and "harm not known" in words


def test_the_round_file_in_a_folder_gives_its_notes_and_copies_to_the_gardens_there(tmp_path: Path) -> None:
    listed, beside = (one_of_many(tmp_path, n, SEEN) for n in (1, 2))
    copy = listed.path.rename(tmp_path / "fetched.db")
    (tmp_path / "x").mkdir()
    (tmp_path / "round.toml").write_text(
        '[[garden]]\nsite = "x/../garden-01/site.toml"\nstore = "fetched.db"\nnote = "ring twice"\n',
        encoding="utf-8",
    )
    first, second = round_gardens([str(tmp_path)])
    assert (first.name, first.store, first.note) == (listed.site.name, copy, "ring twice")
    assert (second.name, second.note) == (beside.site.name, "")


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ('[[garden]]\nstore = "x.db"\n', "garden 1: read no site"),
        ('[[garden]]\nsite = "x.toml"\nkey = "y"\n', "there are site, store, note"),
        ("[[garden]]\nsite = 3\n", "read no site"),
    ],
)
def test_a_round_file_with_a_slip_says_where(tmp_path: Path, text: str, said: str) -> None:
    file = tmp_path / "round.toml"
    file.write_text(text, encoding="utf-8")
    with pytest.raises(UsageError, match=said):
        round_gardens([str(file)])


def test_a_garden_named_twice_is_looked_at_once(tmp_path: Path) -> None:
    garden = one_of_many(tmp_path, 1, SEEN)
    assert len(round_gardens([str(tmp_path), str(garden.file)])) == 1


def test_an_empty_folder_is_no_round(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="no site file"):
        round_gardens([str(tmp_path)])


def test_a_name_that_leads_nowhere_is_a_slip_alone_and_a_garden_not_known_among_others(
    tmp_path: Path,
) -> None:
    gone = str(tmp_path / "gone.toml")
    with pytest.raises(UsageError, match="there is no garden"):
        round_gardens([gone])
    garden = one_of_many(tmp_path, 1, SEEN)
    known, lost = round_gardens([str(garden.file), gone])
    assert known.site is not None and lost.site is None
