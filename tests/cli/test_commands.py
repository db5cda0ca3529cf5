"""The commands as a person types them: what they print, their exit codes, their JSON."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from datetime import UTC, datetime
from pathlib import Path

import pytest
from typer.testing import CliRunner, Result

from scheduler.cli.main import app
from scheduler.cli.printing import PIPE_COLUMNS, say
from scheduler.cli.sites import read_weather
from scheduler.control.effects import RecordAnswer
from scheduler.control.events import NodeHeard
from scheduler.control.orders import ValveStatus
from scheduler.report.answers import SCHEMAS, PlanAnswer, PlannedZoneAnswer, ReasonAnswer
from scheduler.report.plan import reason_lines
from scheduler.service import asking
from scheduler.site.errors import FallingheadError, StoreError, UsageError
from scheduler.site.examples import EXAMPLES, example_site, example_text
from scheduler.store.store import Store, store_url

SEATTLE = Path(__file__).parents[2] / "scheduler" / "weather" / "data" / "seattle_2012_summer.csv"


def run(*arguments: str, code: int = 0) -> Result:
    result = CliRunner().invoke(app, arguments)
    if result.exception is not None and not isinstance(result.exception, SystemExit):
        raise result.exception
    assert result.exit_code == code, result.output
    return result


def test_help_names_every_command_and_each_has_an_example() -> None:
    top = run("--help").output
    commands = (
        "check survey plan rehearse practice serve status stop resume water measured example schema network"
    )
    for command in commands.split():
        assert command in top
        assert "Example: fallinghead" in run(command, "--help").output


def test_help_imports_nothing_heavy() -> None:
    code = (
        "import sys, scheduler.cli.main; "
        "heavy = 'numpy scipy pint sqlalchemy paho matplotlib apprise requests apscheduler amqtt'.split(); "
        "print([m for m in heavy if m in sys.modules])"
    )
    found = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert found.stdout.strip() == "[]"


def test_an_example_printed_is_an_example_that_checks(tmp_path: Path) -> None:
    for name in EXAMPLES:
        text = run("example", name).output
        assert text == example_text(name)
        path = tmp_path / f"{name}.toml"
        path.write_text(text, encoding="utf-8")
        assert "in order" in run("check", str(path)).output


def test_check_reports_every_mistake_at_once_and_exits_with_2(tmp_path: Path) -> None:
    path = tmp_path / "site.toml"
    text = example_text("five-drums").replace('reserve = "100 L"', "reserve = 100", 1)
    text = text.replace('timezone = "America/Los_Angeles"', 'timezone = "America/Nowhere"', 1)
    path.write_text(text, encoding="utf-8")
    answer = json.loads(run("check", str(path), "--json", code=2).output)
    assert not answer["ok"]
    assert len(answer["problems"]) == 2
    assert all(p["line"] and p["remedy"] for p in answer["problems"])


@pytest.mark.parametrize("name", sorted(EXAMPLES))
@pytest.mark.parametrize("level", ["full", "half", "10 cm", "1 ft"])
def test_survey_gives_each_zone_the_sum_of_its_emitters(name: str, level: str) -> None:
    answer = json.loads(run("survey", name, "--at", level, "--json").output)
    assert answer["zones"]
    for zone in answer["zones"]:
        assert zone["flow_lph"] == pytest.approx(sum(e["flow_lph"] for e in zone["emitters"]), rel=1e-6)
        assert {"id", "plant", "head_m", "flow_lph"} <= zone["emitters"][0].keys()


def test_a_lower_level_flows_less_everywhere() -> None:
    high = json.loads(run("survey", "uneven-ground", "--at", "full", "--json").output)
    low = json.loads(run("survey", "uneven-ground", "--at", "low", "--json").output)
    for above, below in zip(high["zones"], low["zones"], strict=True):
        assert above["flow_lph"] > below["flow_lph"]


@pytest.mark.parametrize("level", ["-5 cm", "5 m", "0.4", "high"])
def test_a_level_that_makes_no_sense_is_refused_with_a_remedy(level: str) -> None:
    with pytest.raises(FallingheadError) as refused:
        run("survey", "five-drums", "--at", level)
    assert refused.value.exit_code == 2
    assert level in str(refused.value)


def test_plan_answers_with_zones_and_every_plant() -> None:
    answer = json.loads(
        run(
            *("plan", "five-drums", "--level", "half", "--weather", str(SEATTLE)),
            *("--date", "2012-08-05", "--full-days-ago", "9", "--json"),
        ).output
    )
    watered = [z for z in answer["zones"] if z["run_s"] > 0]
    assert watered
    assert all(z["start"] and z["reasons"] for z in watered)
    plants = {p["id"]: p for p in answer["plants"]}
    assert len(plants) == 10
    given = sum(p["given_l"] for p in plants.values())
    assert given == pytest.approx(sum(z["volume_l"] for z in watered), rel=0.02)


def test_a_lower_level_plans_a_longer_run_for_the_same_litres() -> None:
    run_s = {}
    for level in ("full", "low"):
        arguments = (
            "plan",
            "five-drums",
            "--level",
            level,
            "--weather",
            str(SEATTLE),
            "--date",
            "2012-08-05",
            "--way",
            "alike",  # by rank a low store would be kept for others
        )
        answer = json.loads(run(*arguments, "--json").output)
        run_s[level] = next(z["run_s"] for z in answer["zones"] if z["id"] == "pots")
    assert run_s["low"] > 1.2 * run_s["full"]


def test_a_packaged_summer_may_be_named_for_a_plan_as_for_a_rehearsal() -> None:
    arguments = ("plan", "five-drums", "--level", "half", "--date", "2012-08-05", "--weather")
    by_name = json.loads(run(*arguments, "seattle-2012", "--json").output)
    assert by_name["plants"] == json.loads(run(*arguments, str(SEATTLE), "--json").output)["plants"]


def test_network_prints_what_the_open_format_asks_for() -> None:
    text = run("network", "five-drums", "--zone", "border", "--at", "full").output
    for section in ("[JUNCTIONS]", "[PIPES]", "[EMITTERS]", "[OPTIONS]", "[END]"):
        assert section in text


def test_every_schema_prints_and_names_its_properties() -> None:
    for name in ("site", *SCHEMAS):
        document = json.loads(run("schema", name).output)
        assert document["properties"]


@pytest.mark.parametrize(
    "arguments",
    [
        ("example", "nowhere"),
        ("schema", "nothing"),
        ("network", "five-drums", "--zone", "nowhere"),
        ("water", "nobody", "3 L", "--site", "five-drums"),
        ("water", "fig", "0 L", "--site", "five-drums"),
        ("rehearse", "five-drums", "--from", "July"),
    ],
)
def test_what_does_not_exist_is_a_usage_error_that_names_it(arguments: tuple[str, ...]) -> None:
    with pytest.raises(UsageError) as refused:
        run(*arguments)
    assert any(a.strip("-") in str(refused.value) for a in arguments[1:])


def test_a_bad_site_ends_the_process_with_its_code_and_one_message(tmp_path: Path) -> None:
    missing = tmp_path / "nothing.toml"
    command = [sys.executable, "-m", "scheduler.cli.main", "check", str(missing)]
    ended = subprocess.run(command, capture_output=True, text=True, check=False)
    assert ended.returncode == 2
    assert str(missing) in ended.stderr
    assert "Traceback" not in ended.stderr


@pytest.mark.parametrize(
    "arguments",
    [("check", "five-drums"), ("survey", "five-drums"), ("schema", "site"), ("example", "five-drums")],
)
def test_a_reader_that_has_seen_enough_is_no_error(arguments: tuple[str, ...]) -> None:
    # The pipe's reading end is closed before anything is written, as `| head -1` does sooner or later.
    reading, writing = os.pipe()
    os.close(reading)
    command = [sys.executable, "-m", "scheduler.cli.main", *arguments]
    ended = subprocess.run(command, stdout=writing, stderr=subprocess.PIPE, text=True, check=False)
    os.close(writing)
    assert (ended.returncode, ended.stderr) == (0, "")


def test_an_amount_below_nothing_is_read_as_an_amount_and_refused() -> None:
    with pytest.raises(UsageError, match=r"'-3 L'.*more than nothing"):
        run("water", "fig", "-3 L", "--site", "five-drums")
    with pytest.raises(UsageError, match=r"'-3 cm'.*from the outlet upwards"):
        run("measured", "-3 cm", "--site", "five-drums")
    # The drums' brim is at 1.30 m, their outlet at 51 cm.
    with pytest.raises(UsageError, match=r"Read 95\.0 cm .* the brim at 79\.0 cm\."):
        run("measured", "95 cm", "--site", "five-drums")
    with pytest.raises(UsageError, match=r"between 0 and the brim at 79\.0 cm"):
        run("plan", "five-drums", "--level", "95 cm", "--weather", "seattle-2012")
    # The box of this one overflows at 22 + 35 1/2 in, and its outlet lies at 24 1/2 in: 33 in.
    with pytest.raises(UsageError, match=r"between 0 and the brim at 33\.0 in"):
        run("plan", "uneven-ground", "--level", "90 in", "--weather", "seattle-2012")
    assert "--wiat" in run("measured", "3 cm", "--wiat", code=2).output


def test_no_line_of_words_is_wider_than_a_table_and_no_word_is_broken() -> None:
    text = run("check", "five-drums").output
    assert max(len(line) for line in text.splitlines()) <= PIPE_COLUMNS
    assert "every emitter flows as long as water reaches the outlet" in " ".join(text.split())
    long_path = "/a/" + "very-" * 40 + "long-path.toml"
    with pytest.MonkeyPatch.context() as patch:
        said: list[str] = []
        patch.setattr("typer.echo", said.append)
        say(f"- {long_path} and words that go on after it")
    assert long_path in said[0]


def test_filling_the_lines_is_not_told_where_it_would_show_as_nothing() -> None:
    arguments = ("plan", "five-drums", "--level", "half", "--weather", str(SEATTLE), "--date", "2012-07-30")
    answer = json.loads(run(*arguments, "--json").output)
    reasons = [r for z in answer["zones"] for r in z["reasons"] if r["code"] == "prime_time"]
    assert reasons and all(r["figures"]["missing_l"] < 0.05 for r in reasons)
    assert "fill the lines" not in run(*arguments).output


def test_filling_the_lines_is_told_where_it_matters() -> None:
    site = example_site("five-drums")
    zones = [
        PlannedZoneAnswer(
            id="pots",
            start=None,
            run_s=60.0,
            volume_l=1.0,
            reasons=[ReasonAnswer(code="prime_time", text="It fills.", figures={"missing_l": missing_l})],
        )
        for missing_l in (0.04, 0.06)
    ]
    answer = PlanAnswer.model_construct(zones=zones)
    assert reason_lines(site, answer) == ["- pots: It fills."]


@pytest.mark.parametrize("name", ["Fig [old]", "Fig [/b]", "Fig :fig:"])
def test_a_name_stands_in_a_table_as_it_was_written(name: str, tmp_path: Path) -> None:
    path = tmp_path / "site.toml"
    text = example_text("five-drums")
    path.write_text(text.replace('name = "Young fig"', f'name = "{name}"'), encoding="utf-8")
    table = run("survey", str(path)).output
    assert table.count(name) == 2  # its two emitters, a row each


def test_days_that_cannot_be_are_not_rehearsed(tmp_path: Path) -> None:
    # The reader takes up to 45 MJ m-2; the air above Seattle gets less (FAO-56 Table 2.6, 48 N: 41 in June).
    rows = SEATTLE.read_text(encoding="utf-8").splitlines()
    head = next(n for n, row in enumerate(rows) if row.startswith("date"))
    bad = [f"{row},{'solar_mj_m2' if n == 0 else '44'}" for n, row in enumerate(rows[head:])]
    path = tmp_path / "sunny.csv"
    path.write_text("\n".join(bad) + "\n", encoding="utf-8")
    site = example_site("five-drums")
    assert all(day.solar_mj_m2 is None for day in read_weather(str(path), site.place))


@pytest.mark.parametrize(
    ("span", "told"),
    [(("2012-07-20", "2012-07-01"), "before it begins"), (("2013-07-01", "2013-07-09"), "2013-07-01")],
)
def test_a_season_that_cannot_be_is_refused_before_any_day_of_it_is_told(
    span: tuple[str, str], told: str
) -> None:
    refused = CliRunner().invoke(app, ["rehearse", "five-drums", "--from", span[0], "--to", span[1]])
    assert isinstance(refused.exception, UsageError) and told in str(refused.exception)
    assert "Rehearsing" not in refused.output


def test_a_request_is_kept_when_no_daemon_runs(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("FALLINGHEAD_STATE", str(tmp_path))
    path = tmp_path / "five-drums.db"
    Store(store_url(path), "five-drums").close()
    said = run("stop", "--site", "five-drums", "--wait", "0", code=1).output
    assert "not running" in said
    assert "hand tap" in said  # nothing is proven shut
    run("water", "fig", "3 L", "--site", "five-drums", "--wait", "0")
    run("measured", "62 cm", "--site", "five-drums", "--wait", "0")
    with Store(store_url(path), "five-drums", service=False) as store:
        kept = [(r.kind, r.subject, r.amount) for r in store.unanswered_requests()]
    assert kept == [("stop", None, None), ("water", "fig", 3.0), ("measured", None, pytest.approx(0.62))]


def test_a_stop_where_no_node_was_ever_heard_says_so_and_does_not_speak_of_orders(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("FALLINGHEAD_STATE", str(tmp_path))
    at = datetime(2031, 6, 1, tzinfo=UTC)
    text = "Stopped. Close orders are sent; the node has not confirmed yet."
    monkeypatch.setattr(asking, "_await", lambda *_, **__: RecordAnswer(1, at, True, text))
    with Store(store_url(tmp_path / "five-drums.db"), "five-drums") as store:
        said = run("stop", "--site", "five-drums", "--wait", "0", code=1).output
        assert said.startswith("Asking the service to shut every valve ...")
        assert "no valve node was ever heard here" in said and "shut the hand tap" in said
        assert "Close orders" not in said
        valves = (ValveStatus(1, "closed", None, 0),)
        heard = NodeHeard(example_site("five-drums").node.id, "a", 1, 0, valves)
        store.flush([], [(heard, at)])
        said = run("stop", "--site", "five-drums", "--wait", "0", code=1).output
        assert "Close orders are sent" in said and "ever heard" not in said


def test_status_without_a_service_says_where_the_store_should_be(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("FALLINGHEAD_STATE", str(tmp_path))
    with pytest.raises(StoreError, match=r"five-drums\.db"):
        run("status", "five-drums")


def test_a_stop_without_a_store_says_first_that_no_valve_is_shut_by_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("FALLINGHEAD_STATE", str(tmp_path))
    with pytest.raises(
        StoreError, match=r"^The stop .* no valve is proven shut: close the hand tap .*There is"
    ):
        run("stop", "--site", "five-drums", "--wait", "0")
    with pytest.raises(StoreError, match=r"^There is no store"):
        run("resume", "--site", "five-drums", "--wait", "0")


@pytest.mark.parametrize(
    "command",
    [("drift", "five-drums"), ("sheet", "five-drums", "--json"), ("commission", "five-drums", "--list")],
)
def test_a_command_that_only_reads_makes_no_store(
    command: tuple[str, ...], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("FALLINGHEAD_STATE", str(tmp_path / "state"))
    run(*command)
    assert not (tmp_path / "state").exists()


def test_status_of_a_new_store_shows_the_unknown_as_unknown(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("FALLINGHEAD_STATE", str(tmp_path))
    Store(store_url(tmp_path / "five-drums.db"), "five-drums").close()
    answer = json.loads(run("status", "five-drums", "--json").output)
    assert answer["level_m"] is None
    assert answer["usable_l"] is None
    assert not answer["daemon_running"]
    assert "unknown" in run("status", "five-drums").output


def test_the_plant_catalogue_is_searched_by_common_name() -> None:
    kinds = json.loads(run("plants", "aubergine", "--json").stdout)["kinds"]
    assert [k["key"] for k in kinds] == ["eggplant"]
    # FAO-56 Tables 12 and 22: eggplant, Kc mid 1.05, smaller root depth 0.7 m.
    assert (kinds[0]["use_share"], kinds[0]["root_depth_m"]) == (1.05, 0.7)
    assert "70 cm" in run("plants", "aubergine").stdout


def test_the_list_of_all_kinds_has_a_line_for_each_and_a_search_has_their_sources() -> None:
    kinds = json.loads(run("plants", "--json").stdout)["kinds"]
    listed = run("plants").output
    assert "FAO-56" not in listed and len(listed.splitlines()) <= len(kinds) + 5
    assert "FAO-56" in run("plants", "aubergine").output


def test_a_plant_that_is_not_in_the_catalogue_gets_a_way_out() -> None:
    found = CliRunner().invoke(app, ["plants", "unobtainium"])
    assert isinstance(found.exception, UsageError)
    assert "plant_factor" in str(found.exception)


def test_a_crop_of_another_year_is_doubted_and_a_slip_in_an_examples_name_is_seen() -> None:
    said = " ".join(run("check", "five-drums").output.split())
    assert "Past the end of their season by the days of planting" in said
    assert "Tomato at the corner (15 May 2012)" in said and "write that day as planted" in said
    with pytest.raises(UsageError, match="did you mean the example 'five-drums'"):
        run("check", "five-drum")


def test_days_that_a_weather_file_leaves_out_are_told_once_and_only_those_that_count(tmp_path: Path) -> None:
    rows = SEATTLE.read_text(encoding="utf-8").splitlines()
    gone = ("2012-06-20", "2012-07-23", "2012-07-27", "2012-08-20")  # the first and last are too far away
    path = tmp_path / "holes.csv"
    path.write_text("\n".join(r for r in rows if not r.startswith(gone)) + "\n", encoding="utf-8")
    asked = ("plan", "five-drums", "--level", "full", "--date", "2012-07-25")
    said = run(*asked, "--weather", str(path))
    assert said.stderr.count("no row") == 1
    assert "no row for 2 of the 12 days from 2012-07-22 on" in said.stderr
    assert "2012-07-23 the first" in said.stderr
    assert run(*asked, "--weather", str(SEATTLE)).stderr == ""


def test_a_day_that_the_weather_does_not_tell_is_not_planned() -> None:
    with pytest.raises(UsageError, match="tells nothing of 2020-07-30"):
        run("plan", "five-drums", "--level", "half", "--weather", str(SEATTLE), "--date", "2020-07-30")


def test_an_amount_needs_no_quotes() -> None:
    with pytest.raises(UsageError, match="there is no plant 'figg'"):
        run("gave", "figg", "3", "L", "--site", "five-drums")
    with pytest.raises(UsageError, match="read '0 L'"):
        run("gave", "fig", "0", "L", "--site", "five-drums")
