"""The questions that a household asks in dry weeks, put to the commands in a garden that was lived in.

Each test is one question; what a correct answer must contain is asserted part by part, where it can be
against the truth that the virtual garden keeps. *The internet is down for a week* is put in
tests/service/test_week_without_network.py.
"""

from __future__ import annotations

import json
import re
from collections import Counter
from collections.abc import Iterator
from datetime import date, timedelta
from pathlib import Path

import pytest

from scheduler import weather
from scheduler.agronomy.weather import DayWeather
from scheduler.site.examples import example_site, example_text
from tests.support.gardens import dry_days
from tests.support.lived_in import LivedIn, dry_summer, lived_in

SITE = example_site("five-drums")
FIRST, EVENING = date(2012, 7, 28), date(2012, 8, 10)


AT = ("--site", "five-drums")


def plain(text: str) -> str:
    return " ".join(text.split())


@pytest.fixture(scope="module")
def garden(tmp_path_factory: pytest.TempPathFactory) -> Iterator[LivedIn]:
    """A fortnight of the dry summer of 2012, to the evening of 10 August; the barrels are half empty."""
    folder = tmp_path_factory.mktemp("lived-in")
    with dry_summer(folder, FIRST, EVENING, date(2012, 8, 25), start_level_m=0.54) as made:
        yield made


def told(garden: LivedIn, *words: str) -> dict[str, object]:
    found = json.loads(garden.says(*words, "--json"))
    assert isinstance(found, dict)
    return found


def reached_by(garden: LivedIn, last: date) -> Counter[str]:
    """Litres that truly reached each plant to the end of that day."""
    zone, reached = SITE.place.timezone, Counter[str]()
    for run in garden.shell.garden.runs:
        if run.opened.astimezone(zone).date() <= last:
            reached.update(dict(run.litres))
    return reached


def test_which_day_does_it_run_out_and_what_to_do(garden: LivedIn) -> None:
    said = plain(garden.says("ahead", "--until", "2012-08-31", "--site", "five-drums"))
    assert re.search(r"runs short about \w+day \d\d \w+; in one of ten cases by .*, in nine of ten by", said)
    assert re.search(r"top up [\d.]+ L now", said)
    assert "air gap" in said and "never joined to the mains" in said and "Local codes" in said
    assert "Without a top-up: fallinghead ration says who gets how much" in said
    answer = told(garden, "ahead", "--site", "five-drums")
    early, middle, late = (answer[f"days_left_{when}"] for when in ("early", "middle", "late"))
    assert 0 < early <= middle <= (late or 60)  # type: ignore[operator]


def test_how_much_water_is_there_really(garden: LivedIn) -> None:
    answer = told(garden, "status", "five-drums")
    # Against the water really in the virtual barrels: 77 L stand below the outlet, the reserve is 100 L.
    total, usable = float(answer["total_l"]), float(answer["usable_l"])  # type: ignore[arg-type]
    per_m = (1013.0 + 77.0) / 0.875  # five drums of 58 cm: 5 x pi/4 x 0.58^2 x 1000 L/m, near enough
    span_l = (float(answer["level_high_m"]) - float(answer["level_low_m"])) / 2 * per_m * 1.1  # type: ignore[arg-type]
    assert total == pytest.approx(garden.true_l, abs=span_l)
    assert usable == pytest.approx(total - 100.0, abs=0.1)
    said = plain(garden.says("status", "five-drums"))
    assert re.search(
        r"Water: \d+ L above the outlet, \d+ L above the reserve \(level .* \+-.*, good, read at", said
    )


def test_when_is_the_next_run_and_why_that_long(garden: LivedIn) -> None:
    said = plain(garden.says("status", "five-drums"))
    assert re.search(
        r"Next run: none left today; Tomatoes in pots about Saturday 11 August, about [\d.]+ L", said
    )
    why = plain(garden.says("why", "--site", "five-drums"))
    assert re.search(r"Tomatoes in pots: \d+ min from \d\d:\d\d PDT for [\d.]+ L", why)
    assert re.search(
        r"With the water [\d.]+ cm above the outlet the zone gives about [\d.]+ L/h, so [\d.]+ L take", why
    )
    assert "wants" in why and "evapotranspiration" in why


def test_why_does_it_run_longer_than_last_week(garden: LivedIn) -> None:
    why = plain(garden.says("why", "pots", "--site", "five-drums"))
    assert re.search(r"min longer than on \w+day \d\d \w+ \(\d+ min then\), because:", why)
    assert "the water stands" in why and "lower" in why
    answer = told(garden, "why", "pots", "--site", "five-drums")
    (zone,) = answer["zones"]  # type: ignore[misc]
    earlier = zone["compared"]  # type: ignore[index]
    assert sum(c["change_s"] for c in earlier["causes"]) == pytest.approx(
        earlier["after_s"] - earlier["before_s"], abs=1.0
    )


def test_why_not_today(garden: LivedIn) -> None:
    why = plain(garden.says("why", "border", "--on", "2012-08-09", "--site", "five-drums"))
    assert "not watered" in why and "No plant is due. Nearest is" in why
    assert re.search(r"falls due (tomorrow|in about \d+ days)", why), why


def test_which_plants_were_shorted(tmp_path_factory: pytest.TempPathFactory) -> None:
    """A quarter full, and no rain: the pots go short, the bed does not yet. Each plant's litres against those
    that truly reached it, what it missed against FAO-56's balance of those, by hand for one pot."""
    first, last = date(2012, 7, 28), date(2012, 8, 5)
    with dry_summer(tmp_path_factory.mktemp("short"), first, last, date(2012, 8, 25)) as garden:
        answer, said = told(garden, "litres", *AT), plain(garden.says("litres", *AT))
        plants = {p["id"]: p for p in answer["plants"]}  # type: ignore[attr-defined]
        why = plain(garden.says("why", "tomato-1", "--on", str(plants["tomato-1"]["last_short"]), *AT))
        given = reached_by(garden, date.fromisoformat(str(answer["last"])))
        books = garden.store.root_zones_since(first)
    short = {p for p, found in plants.items() if found["days_short"]}
    assert "tomato-1" in short and "fig" not in short
    for plant, found in plants.items():
        assert found["given_l"] == pytest.approx(given[plant], rel=0.1, abs=0.2)
        # Litres against the books, day by day.
        mine = [r for r in books if r.plant == plant]
        assert found["given_l"] == pytest.approx(sum(r.given_l for r in mine), abs=0.01)
        assert found["used_l"] == pytest.approx(sum(r.wanted_l for r in mine), abs=0.01)
        assert found["days_short"] == sum(r.stress > 0.05 for r in mine)
        assert (found["last_short"] is not None) is (plant in short)
        assert (found["missed_l"] > 0.0) is (plant in short)
        assert found["name"] in said
    pot = [r for r in books if r.plant == "tomato-1" and r.stress > 0.05]
    # What it used is Ks of what it would have used: it missed the other 1 - Ks (FAO-56 Eq 80 and 84).
    assert plants["tomato-1"]["missed_l"] == pytest.approx(
        sum(r.wanted_l * r.stress / (1.0 - r.stress) for r in pot), rel=0.01
    )
    assert "stood short" in said and "not repaid in one flood" in said
    assert f"fallinghead why tomato-1 --on {plants['tomato-1']['last_short']}" in said
    assert "is kept back for Border with the fig, where it spares more stress" in why
    assert re.search(r"Tomato by the door: wanted [\d.]+ L, planned 0.0 L, booked 0.0 L", why)


def test_top_up_how_much_until_when_at_what_cost_and_what_rain_gives_anyway(garden: LivedIn) -> None:
    words = ("ahead", "--until", "2012-08-31", "--price", "2.90 per m3", "--site", "five-drums")
    answer = told(garden, *words)
    assert answer["top_up_cost"] == pytest.approx(float(answer["top_up_l"]) * 0.0029, abs=0.01)  # type: ignore[arg-type]
    said = plain(garden.says(*words))
    for part in (
        "Through Friday 31 August",
        "top up",
        "costs about",
        "Rain through",
        "that is counted already",
    ):
        assert part in said


def test_away_for_two_weeks_what_must_a_helper_do_on_which_day(garden: LivedIn) -> None:
    answer = told(garden, "ahead", "--until", "2012-08-26", "--site", "five-drums")
    visits = answer["visits"]
    assert visits and all(v["volume_l"] > 0.0 for v in visits)  # type: ignore[attr-defined]
    assert [v["day"] for v in visits] == sorted(v["day"] for v in visits)  # type: ignore[attr-defined]
    said = plain(garden.says("ahead", "--until", "2012-08-26", "--site", "five-drums"))
    assert re.search(r"by a helper too: \w+day \d\d August [\d.]+ L|A helper must top up: \w+day", said)


def test_did_last_night_deliver(garden: LivedIn) -> None:
    """Against the water that truly left the virtual barrels and the litres that truly reached the plants."""
    true = garden.shell.garden.runs[-1]
    why = plain(garden.says("why", true.zone, "--on", "2012-08-10", "--site", "five-drums"))
    found = re.search(r"min from \d\d:\d\d PDT for ([\d.]+) L\. Booked to plants: ([\d.]+) L\.", why)
    assert found is not None, why
    assert float(found[2]) == pytest.approx(float(found[1]), rel=0.15)
    # What is booked is what reached the plants: the first of a run fills the line.
    assert sum(litres for _, litres in true.litres) == pytest.approx(float(found[2]), rel=0.15)
    said = plain(garden.says("status", "five-drums"))
    drawn = re.search(r"Last run: pots, ([\d.]+) L, ended Friday \d\d:\d\d PDT", said)
    assert drawn is not None, said
    assert float(drawn[1]) == pytest.approx(true.drawn_l, rel=0.1)


def test_is_there_a_leak(garden: LivedIn) -> None:
    """The virtual garden loses 0.3 L an hour at its outlet fitting."""
    answer = told(garden, "report", "five-drums")
    assert float(answer["leak_l"]) == pytest.approx(7 * 24 * 0.3, rel=0.2)  # type: ignore[arg-type]
    said = plain(garden.says("report", "five-drums"))
    assert re.search(
        r"Worth changing: find the leak: it took [\d.]+ L, beside [\d.]+ L that watering gave", said
    )
    now = re.search(r"Leak: about ([\d.]+) L a day .*at dusk", plain(garden.says("status", "five-drums")))
    assert now is not None and float(now[1]) == pytest.approx(24 * 0.3, rel=0.2)
    l_day = told(garden, "status", "five-drums")["leak"]["l_day"]  # type: ignore[index]
    assert round(l_day) == float(now[1])  # words have whole litres


def test_the_barrels_are_to_be_raised(garden: LivedIn) -> None:
    """A bubbler gives k h^x, with x = 0.65 for those of the site file; 30 cm more head at half full."""
    words = ("survey", "five-drums", "--at", "half", "--json")
    before = json.loads(garden.says(*words))["zones"][0]["emitters"][0]
    after = told(garden, *words[:-1], "--what-if", "raise barrels 30 cm")
    plant = next(p for p in after["after"]["plants"] if p["id"] == before["plant"])  # type: ignore[index]
    was = next(p for p in after["before"]["plants"] if p["id"] == before["plant"])  # type: ignore[index]
    ratio = ((before["head_m"] + 0.3) / before["head_m"]) ** 0.65
    assert plant["flows_lph"][1] / was["flows_lph"][1] == pytest.approx(ratio, rel=0.02)


def test_two_bubblers_are_to_be_turned_down(garden: LivedIn) -> None:
    """Turned down by a fifth each gives a fifth less, and the others a little more of the shared head."""
    changes = [x for e in ("tomato-1-1", "tomato-1-2") for x in ("--what-if", f"close {e} 20 %")]
    answer = told(garden, "survey", "five-drums", *changes)
    flow = {
        side: {p["id"]: p["flows_lph"][1] for p in answer[side]["plants"]}  # type: ignore[index]
        for side in ("before", "after")
    }
    first, *others = flow["before"]
    assert flow["after"][first] / flow["before"][first] == pytest.approx(0.8, abs=0.02)
    neighbours = [p for p in others if p.startswith("tomato")]
    assert neighbours and all(flow["after"][p] >= flow["before"][p] for p in neighbours)


def test_a_plant_was_added(garden: LivedIn, tmp_path: Path) -> None:
    """A sixth pot at the end of the wall: the file is checked, and the others are told what they lose."""
    text = example_text("five-drums")
    point = '  { at = "7.7 m", drop = "40 cm", emitter = "bubbler", plant = "tomato-5", flow = "2.0 L/h" },\n'
    assert point in text
    text = text.replace(point, point + point.replace("7.7", "7.9").replace("tomato-5", "tomato-6"))
    pot = '[[plant]]\nid = "tomato-6"\nkind = "tomato"\ncanopy = "0.45 m2"\nrank = 2\n'
    file = tmp_path / "six-pots.toml"
    file.write_text(f'{text}\n{pot}planted = 2012-05-15\ncontainer = "60 L"\n', encoding="utf-8")
    assert told(garden, "check", str(file))["ok"] is True
    compared = told(garden, "survey", "five-drums", "--against", str(file))
    before, after = (
        {p["id"]: p["flows_lph"][1] for p in compared[side]["plants"]}  # type: ignore[index]
        for side in ("before", "after")
    )
    assert set(after) - set(before) == {"tomato-6"} and after["tomato-6"] > 0.0
    assert all(after[p] <= before[p] for p in before)


def test_which_plant_is_dry_at_half_level(garden: LivedIn) -> None:
    said = plain(garden.says("survey", "five-drums", "--at", "half"))
    assert "stops below" in said and "every emitter flows" in said


def test_the_packaged_summer_may_be_the_past_of_what_comes(garden: LivedIn) -> None:
    summer = Path(weather.__file__).parent / "data" / "seattle_2012_summer.csv"
    asked = ("ahead", "--site", "five-drums")
    by_name = plain(garden.says(*asked, "--past", "seattle-2012"))
    by_path = plain(garden.says(*asked, "--past", str(summer)))
    assert by_name == by_path != plain(garden.says(*asked))


def test_do_two_more_barrels_help(garden: LivedIn) -> None:
    said = plain(
        garden.says("hindsight", "five-drums", "--change", "add 2 barrels", "--past", "seattle-2012")
    )
    assert re.search(r"Most would have helped: 2 barrels more, [\d.]+ L less to top up in a summer", said)


def test_a_season_sheet_in_gallons(garden: LivedIn, tmp_path: Path) -> None:
    page = tmp_path / "season.html"
    words = ("report", "five-drums", "--from", "2012-07-28")
    litres = told(garden, *words)
    said = plain(garden.says(*words, "--us", "--html", str(page)))
    used = re.search(r"Plants used ([\d.]+) gal", said)
    assert used is not None and " L" not in said, said
    # NIST Handbook 44: 1 gal is 3.785 411 784 L.
    assert float(used[1]) == pytest.approx(float(litres["used_l"]) / 3.785411784, rel=0.01)  # type: ignore[arg-type]
    assert " gal" in page.read_text(encoding="utf-8") and " L<" not in page.read_text(encoding="utf-8")


def test_when_is_it_to_be_drained(garden: LivedIn) -> None:
    said = plain(garden.says("winter", "--site", "five-drums"))
    assert re.search(r"No frost is forecast through \w+ \d+ August; the coldest is", said), said
    assert "Before the first frost empty the barrels" in said
    assert told(garden, "winter", "--site", "five-drums")["frost"]["frost_on"] is None  # type: ignore[index]


def test_not_during_the_party(garden: LivedIn) -> None:
    """Tomorrow nothing is to run; every zone is held with one command, and let go with another."""
    held = garden.asks("hold", "--until", "2012-08-12", "--site", "five-drums")
    said = plain(garden.says("status", "five-drums"))
    assert len(re.findall(r"Held by \w+: .*? until Sunday 12 August 00:00", said)) == len(SITE.zones), held
    garden.asks("hold", "--end", "--site", "five-drums")
    assert "Held" not in garden.says("status", "five-drums")


def test_six_cans_were_taken(garden: LivedIn) -> None:
    garden.shell.garden.take(60.0)
    assert "60.0 L noted as taken" in garden.asks("took", "60", "L", "--site", "five-drums")
    garden.live(EVENING + timedelta(days=1), 3.0)
    balance = told(garden, "balance", "--days", "2", "--site", "five-drums")
    day = next(d for d in balance["days"] if d["day"] == EVENING.isoformat())  # type: ignore[attr-defined]
    assert day["taken_l"] == 60.0
    assert abs(day["rest_l"]) <= 2.0 * day["rest_sd_l"]
    # The two figures of what runs gave have a word each, and why they differ is said once.
    said = plain(garden.says("balance", "--days", "2", "--site", "five-drums"))
    assert "drawn by runs" in said and said.count("what left the barrels") == 1
    assert "cans of 10 L are" in garden.says("took", "6", "cans", "--site", "five-drums")


def test_put_the_shrub_first(garden: LivedIn) -> None:
    said = garden.asks("rank", "fig", "1", "--site", "five-drums")
    assert "Young fig has rank 1 from now on" in said and "Planned anew" in said
    assert "fallinghead ration says who gets how much" in said
    # Who gets how much as it is ranked now, and who is at risk from when, by every way.
    ration = told(garden, "ration", "--site", "five-drums")
    every = {p.id for p in SITE.plants}
    assert all({p["id"] for p in way["plants"]} == every for way in ration["ways"])  # type: ignore[attr-defined]
    assert "rank of the site file again" in garden.asks("rank", "fig", "--back", "--site", "five-drums")


def test_the_level_jumped_ten_centimetres(garden: LivedIn) -> None:
    """Somebody emptied 10 cm out of the barrels and told nobody."""
    before = garden.shell.garden.level_m
    gone = garden.shell.garden.take(131.0)
    assert before - garden.shell.garden.level_m == pytest.approx(0.10, abs=0.01)
    day = garden.now.astimezone(SITE.place.timezone).date()
    garden.live(day + timedelta(days=1), 3.0)
    balance = told(garden, "balance", "--days", "3", "--site", "five-drums")
    found = next(d for d in balance["days"] if d["day"] == day.isoformat())  # type: ignore[attr-defined]
    assert found["rest_l"] == pytest.approx(gone, abs=2.0 * found["rest_sd_l"])
    assert abs(found["rest_l"]) > 3.0 * found["rest_sd_l"]
    said = plain(garden.says("status", "five-drums"))
    assert "fallinghead took" in said, said


def test_the_sensor_died(garden: LivedIn) -> None:
    garden.shell.sensor_dead = True
    day = garden.now.astimezone(SITE.place.timezone).date()
    garden.live(day, 12.0)
    said = plain(garden.says("status", "five-drums"))
    assert "the level is unknown" in said and "Measure it by hand" in said
    assert "It lasts" not in said
    assert told(garden, "status", "five-drums")["total_l"] is None
    garden.live(day, 18.0)
    assert "Alert:" in garden.says("status", "five-drums")
    why = plain(garden.says("why", "--on", f"{day}", "--site", "five-drums"))
    assert "Tomatoes in pots" in why
    level_cm = 100.0 * garden.shell.garden.level_m
    garden.asks("measured", f"{level_cm:.0f}", "cm", "--site", "five-drums")
    answer = told(garden, "status", "five-drums")
    assert float(answer["total_l"]) == pytest.approx(garden.true_l, rel=0.1)  # type: ignore[arg-type]


def test_heavy_rain_tomorrow_should_the_water_be_used_now(
    tmp_path_factory: pytest.TempPathFactory, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Full barrels and 40 mm to come, of which a roof of 12 m2 brings 10 times what fits."""
    monkeypatch.setenv("FALLINGHEAD_STATE", str(tmp_path_factory.mktemp("storm")))
    first = date(2012, 7, 20)
    storm = first + timedelta(days=4)
    days = [
        DayWeather(d.day, d.tmin_c, d.tmax_c, rain_mm=40.0 if d.day == storm else 0.0)
        for d in dry_days(first - timedelta(days=14), 40)
    ]
    garden = lived_in(SITE, days, first, until=first + timedelta(days=6), start_level_m=0.77)
    garden.shell.rain_probability = 0.9
    garden.live(storm - timedelta(days=1), 20.0)
    said = plain(garden.says("ahead", "--site", "five-drums"))
    found = re.search(r"In the next 3 days ([\d.]+) L or more run over with 70 %", said)
    assert found is not None, said
    room = 1013.0 - garden.true_l
    caught = 40.0 * SITE.roof.catchment_m2 * SITE.roof.runoff_coefficient  # type: ignore[union-attr]
    assert 0.0 < float(found[1]) <= caught - room + 30.0
    assert "can be used before without being missed" in said
    garden.store.close()
