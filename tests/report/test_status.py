"""How a garden stands, from its store alone: old is not now, unknown is not zero."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from freezegun import freeze_time
from typer.testing import CliRunner

from scheduler.agronomy.weather import Outlook
from scheduler.cli.main import app
from scheduler.control.effects import (
    Alert,
    RaiseAlert,
    RecordCalibration,
    RecordHold,
    RecordReading,
    RecordStop,
)
from scheduler.control.events import NodeHeard
from scheduler.control.orders import ValveStatus
from scheduler.report.status import status_answer, status_words
from scheduler.sensing.belief import LevelBelief, LevelReading
from scheduler.site.examples import example_site
from scheduler.store.store import Store, store_url
from scheduler.supply.stage import stage_storage

NOW = datetime(2012, 8, 1, 15, 0, tzinfo=UTC)
SITE = example_site("five-drums")


@pytest.fixture
def store(tmp_path: Path):  # type: ignore[no-untyped-def]
    with Store(store_url(tmp_path / "five-drums.db"), SITE.id) as opened:
        yield opened


NODE = NodeHeard(
    node=SITE.node.id,
    session="aaaaaaaaaaaaaaaa",
    uptime_ms=1000,
    last_sequence=0,
    valves=tuple(ValveStatus(z.valve.channel, "closed") for z in SITE.zones),
)


def reading(at: datetime, level_m: float) -> RecordReading:
    belief = LevelBelief("good", at, level_m, level_m - 0.01, level_m + 0.01)
    return RecordReading(LevelReading(at, (5000,), 20.0), belief)


def test_a_fresh_level_is_told_in_litres_with_its_doubt(store: Store) -> None:
    store.write([reading(NOW - timedelta(minutes=10), 0.4)])
    store.flush([], [(NODE, NOW - timedelta(minutes=5))])
    answer = status_answer(SITE, store, NOW, running=True)
    assert answer.total_l == pytest.approx(stage_storage(SITE.tank).volume_l(0.4))
    assert answer.usable_l == pytest.approx((answer.total_l or 0.0) - SITE.reserve.volume_l)
    words = " ".join(status_words(SITE, answer))
    assert "all is well" in words
    assert "+-1.0 cm" in words


def test_nothing_is_well_while_the_node_is_unheard(store: Store) -> None:
    store.write([reading(NOW - timedelta(minutes=10), 0.4)])
    answer = status_answer(SITE, store, NOW, running=True)
    assert answer.valves_shut is None
    assert "not known" in status_words(SITE, answer)[0]


def test_an_old_level_is_unknown_not_the_last_level(store: Store) -> None:
    store.write([reading(NOW - timedelta(hours=7), 0.4)])
    answer = status_answer(SITE, store, NOW, running=True)
    assert (answer.level_m, answer.total_l, answer.usable_l) == (None, None, None)
    assert "the level is unknown" in " ".join(status_words(SITE, answer))


def test_a_stop_is_the_first_thing_said_and_names_who(store: Store) -> None:
    store.write([RecordStop(True, "neighbour", NOW)])
    answer = status_answer(SITE, store, NOW, running=True)
    words = status_words(SITE, answer)[0]
    assert "stopped by neighbour. " in words
    assert "Whether the valves are shut is not known: shut the hand tap" in words


def test_after_a_stop_only_a_node_that_is_heard_and_served_says_that_valves_are_shut(store: Store) -> None:
    store.write([RecordStop(True, "neighbour", NOW)])
    store.flush([], [(NODE, NOW - timedelta(minutes=5))])
    served, alone = (
        status_words(SITE, status_answer(SITE, store, NOW, running=running))[0] for running in (True, False)
    )
    assert served.endswith("The valve node says that every valve is shut. To go on: fallinghead resume")
    assert "daemon is not running" in alone
    assert "shut the hand tap at the barrels" in alone


def test_a_request_without_a_daemon_is_said_not_to_be_done(store: Store) -> None:
    store.add_request("stop", "neighbour", None, None, NOW)
    words = status_words(SITE, status_answer(SITE, store, NOW, running=False))
    assert "the hand tap" in words[0]
    assert "1 request waits for the daemon, which is not running: nothing was done about it yet" in words[-1]


def test_an_open_alert_comes_with_its_advice(store: Store) -> None:
    alert = Alert("near_empty", "", "The barrels are nearly empty.", "Top up.", False, NOW)
    store.write([RaiseAlert(alert)])
    answer = status_answer(SITE, store, NOW, running=True)
    assert [a.kind for a in answer.alerts] == ["near_empty"]
    assert any("nearly empty" in line and "Top up." in line for line in status_words(SITE, answer))


def test_the_command_reads_the_clock_of_the_moment(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("FALLINGHEAD_STATE", str(tmp_path))
    with Store(store_url(tmp_path / "five-drums.db"), SITE.id) as opened:
        opened.write([reading(NOW, 0.4)])
    # Once in real time: pydantic cannot build its adapters from the stand-ins of a frozen clock.
    CliRunner().invoke(app, ["status", "five-drums"])
    for hours, known in ((1, True), (8, False)):
        with freeze_time(NOW + timedelta(hours=hours)):
            said = CliRunner().invoke(app, ["status", "five-drums"]).output
        assert ("the level is unknown" not in said) is known


def test_a_hold_of_a_zone_that_the_file_names_otherwise_since_ends_no_status(store: Store) -> None:
    later = NOW + timedelta(days=1)
    store.write([RecordHold(zone, later, "neighbour", NOW) for zone in ("old-bed", "pots")])
    answer = status_answer(SITE, store, NOW, running=True)
    assert [h.zone for h in answer.held] == ["pots"]
    assert any(line.startswith("Held by neighbour: ") for line in status_words(SITE, answer))


def test_the_weather_is_told_with_its_age_and_whom_to_credit_and_a_hold_with_its_end(store: Store) -> None:
    credit = "Weather data by Open-Meteo.com (CC BY 4.0)"
    store.save_outlook(Outlook((), "open-meteo", NOW - timedelta(hours=5), attribution=credit))
    store.write(
        [
            RecordHold("border", NOW + timedelta(days=2), "Ines", NOW),
            RecordHold("pots", NOW - timedelta(hours=1), "Ines", NOW - timedelta(days=1)),
        ]
    )
    answer = status_answer(SITE, store, NOW, running=True)
    assert [h.zone for h in answer.held] == ["border"]
    words = status_words(SITE, answer)
    assert f"Weather: open-meteo, fetched 5 h ago. {credit}" in words
    assert "Held by Ines: Border with the fig until Friday 03 August 08:00 PDT." in words


def test_a_level_measured_by_hand_counts_until_a_newer_reading(store: Store) -> None:
    store.write([RecordCalibration(NOW - timedelta(hours=1), 0.0, 0.4, "Ines")])
    answer = status_answer(SITE, store, NOW, running=True)
    assert answer.level_m == 0.4 and answer.level_high_m == pytest.approx(0.406)
    store.write([reading(NOW - timedelta(minutes=10), 0.5)])
    assert status_answer(SITE, store, NOW, running=True).level_m == 0.5
    late = status_answer(SITE, store, NOW + timedelta(hours=7), running=True)
    assert late.level_m is None
