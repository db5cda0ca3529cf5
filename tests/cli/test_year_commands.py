"""Winter, absences, care and messages by command, in a garden that was lived in."""

from __future__ import annotations

import json
from collections.abc import Iterator
from datetime import date
from typing import Any

import pytest

from scheduler.site.examples import example_site
from tests.support.lived_in import LivedIn, dry_summer

SITE = example_site("five-drums")


@pytest.fixture(scope="module")
def garden(tmp_path_factory: pytest.TempPathFactory) -> Iterator[LivedIn]:
    """Two days of the dry summer of 2012, to the evening of 2 August; the barrels a quarter full."""
    folder = tmp_path_factory.mktemp("lived-in")
    with dry_summer(folder, date(2012, 8, 1), date(2012, 8, 2), date(2012, 8, 12)) as made:
        yield made


def says(garden: LivedIn, *words: str) -> str:
    return " ".join(garden.says(*words, "--site", "five-drums").split())


def asks(garden: LivedIn, *words: str) -> str:
    return " ".join(garden.asks(*words, "--site", "five-drums").split())


def answer(garden: LivedIn, *words: str) -> Any:
    return json.loads(garden.says(*words, "--site", "five-drums", "--json"))


def test_away_days_are_what_a_helper_and_the_weeks_ahead_go_by(garden: LivedIn) -> None:
    assert "nobody said that they are away" in says(garden, "away")
    assert "Away from Saturday 4 August 2012 to" in asks(garden, "away", "2012-08-04", "2012-08-18")
    assert answer(garden, "ahead")["until"] == "2012-08-18"
    tasks = answer(garden, "away")["tasks"]
    # A garden that runs short within the fortnight: somebody tops up, on days within the absence or before.
    assert any(t["task"] == "top_up" for t in tasks)
    assert all("2012-08-02" <= t["day"] <= "2012-08-18" for t in tasks)
    assert [t["day"] for t in tasks] == sorted(t["day"] for t in tasks)
    said = says(garden, "away")
    assert "nobody at home from Saturday 4 August to Saturday 18 August" in said
    assert "Top up" in said and "the hose ends above the rim" in said
    assert "somebody is at home" in asks(garden, "away", "--home")
    assert answer(garden, "away")["first"] is None


def test_care_is_told_listed_and_in_the_report(garden: LivedIn) -> None:
    before = {t["task"]: t for t in answer(garden, "care")["tasks"]}
    assert before["filter"]["last"] is None and before["battery"]["due"] is None
    assert "Due again on Wednesday 15 August 2012" in asks(garden, "care", "filter", "--on", "2012-08-01")
    after = {t["task"]: t for t in answer(garden, "care")["tasks"]}
    assert (after["filter"]["last"], after["filter"]["due"]) == ("2012-08-01", "2012-08-15")
    assert "filter: filter cleaned; last Wednesday 1 August; due Wednesday 15 August." in says(garden, "care")
    reported = json.loads(garden.says("report", "five-drums", "--json"))["care"]
    assert [c["step"] for c in reported if c["at"].startswith("2012-08-01")] == ["filter"]
    assert "there is no task 'polish'" in says(garden, "care", "polish")
    measured = asks(garden, "measured", "15 cm")
    assert "noted" in measured
    assert {t["task"]: t for t in answer(garden, "care")["tasks"]}["level"]["last"] == "2012-08-02"


def test_a_kind_of_message_is_put_off_and_what_stands_is_listed(garden: LivedIn) -> None:
    standing = {a["kind"] for a in answer(garden, "messages")["standing"]}
    assert standing & {"runs_out", "near_empty"}
    assert "Not sent before Wednesday 8 August 2012" in asks(
        garden, "quiet", "runs_out", "--until", "2012-08-08"
    )
    assert answer(garden, "messages")["put_off"] == [{"kind": "runs_out", "until": "2012-08-08"}]
    assert "Put off to Wednesday 8 August: messages of the kind runs_out" in says(garden, "messages")
    assert "can be put off; those that can" in says(
        garden, "quiet", "valve_not_shut", "--until", "2012-08-08"
    )
    assert "told again" in asks(garden, "quiet", "runs_out", "--end")
    assert answer(garden, "messages")["put_off"] == []


def test_drained_and_back(garden: LivedIn) -> None:
    assert "not drained" in says(garden, "winter")
    assert "read 'dry'" in says(garden, "winter", "dry")
    told = asks(garden, "winter", "drained", "--back", "2012-08-09")
    assert "Drained since Thursday 2 August 2012, probably until Thursday 9 August 2012" in told
    assert "that would freeze" in told and "to be half open, but the node last said shut" in told
    drained = answer(garden, "winter")["drained"]
    assert (drained["drained_on"], drained["back_on"]) == ("2012-08-02", "2012-08-09")
    assert all(v["proven"] is False for v in drained["valves"])
    garden.live(date(2012, 8, 4), 12.0)
    runs = [b for b in garden.store.bookings_since(date(2012, 8, 3)) if b.volume_l > 0.0]
    assert runs == []
    status = json.loads(garden.says("status", "five-drums", "--json"))
    assert status["winter"]["drained_on"] == "2012-08-02" and status["care_due"] == []
    assert status["next_zone"] is None
    assert "half open by hand, as told" not in says(garden, "winter")
    assert "noted" in asks(garden, "care", "valves")
    assert "turned half open by hand, as told" in says(garden, "winter")
    assert "filter cleaned" in asks(garden, "winter", "back")
    status = json.loads(garden.says("status", "five-drums", "--json"))
    assert status["winter"] is None
    due = {c["task"] for c in status["care_due"]}
    assert {"drains", "barrels", "filter", "flush", "joints", "level"} <= due
