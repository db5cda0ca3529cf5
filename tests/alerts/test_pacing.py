"""When a message goes: urgent at any hour, the rest while its reader is awake, what waits in one message."""

from __future__ import annotations

import threading
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, time, timedelta
from itertools import count
from zoneinfo import ZoneInfo

import pytest

from scheduler.alerts.addresses import Address
from scheduler.alerts.delivery import DEAD_ATTEMPTS, Deliverer, Outcome
from scheduler.alerts.message import Message
from scheduler.alerts.pacing import Pacing, awake
from scheduler.alerts.waiting import Told
from scheduler.control.alarms import RULES
from scheduler.control.effects import Alert, AlertKind, RecordChoice
from scheduler.site.model import Person

ZONE = ZoneInfo("Europe/Berlin")
# A Tuesday, 02:00 at the garden.
NIGHT = datetime(2031, 6, 10, 0, tzinfo=UTC)
ANN, BO = Person("Ann", "phone"), Person("Bo", "mail")
HELPER = Person("Cleo", "mail", while_away=True)


@dataclass
class Garden:
    """A deliverer with both clocks in the hand of the test."""

    people: tuple[Person, ...] = (ANN,)
    now: datetime = NIGHT
    choices: list[RecordChoice] = field(default_factory=list)
    takes: dict[str, bool] = field(default_factory=lambda: {"phone": True, "mail": True})
    sent: list[tuple[str, Message]] = field(default_factory=list)
    outcomes: list[Outcome] = field(default_factory=list)
    told_before: tuple[Told, ...] = ()
    standing: tuple[Alert, ...] = ()

    def __post_init__(self) -> None:
        self.deliverer = Deliverer(
            "Rill",
            self.people,
            {name: Address(f"json://{name}.example") for name in self.takes},
            zone=ZONE,
            on_outcome=self.outcomes.append,
            send=self._send,
            clock=lambda: (self.now - NIGHT).total_seconds(),
            deadline_s=5.0,
            pacing=Pacing(ZONE, lambda: self.now, lambda: self.choices),
            told=self.told_before,
            standing=self.standing,
        )

    def _send(self, address: Address, message: Message) -> bool:
        name = address.url.removeprefix("json://").removesuffix(".example")
        if self.takes[name]:
            self.sent.append((name, message))
        return self.takes[name]

    def happens(self, kind: AlertKind, subject: str = "", *, urgent: bool | None = None) -> None:
        said = RULES[kind].urgent if urgent is None else urgent
        alert = Alert(kind, subject, f"Rill: {kind} {subject} 42 L.", "Look.", said, self.now)
        self.deliverer.deliver(alert)
        self.deliverer.work()

    def until(self, hour: float, days: int = 0) -> None:
        """Live to an hour of the garden's clock, looking every five minutes."""
        end = NIGHT.astimezone(ZONE).replace(hour=0) + timedelta(days=days, hours=hour)
        while self.now < end:
            self.now = min(end, self.now + timedelta(minutes=5))
            self.deliverer.work()

    def told(self, kind: str, value: str) -> None:
        self.choices = [c for c in self.choices if c.subject != kind]
        self.choices.append(RecordChoice(kind, value, "Ann", self.now))

    @property
    def titles(self) -> list[str]:
        return [m.title for _, m in self.sent]

    @property
    def statuses(self) -> list[tuple[str, str]]:
        return [(o.alert.kind, o.status) for o in self.outcomes]


def test_urgent_news_goes_at_any_hour_and_the_rest_when_its_reader_is_awake() -> None:
    garden = Garden()
    garden.happens("node_silent")
    garden.happens("valve_not_shut")
    assert garden.titles == ["Urgent: Rill: a valve is not proven shut"]
    garden.until(7.9)
    assert len(garden.sent) == 1
    garden.until(8.1)
    assert garden.titles[1:] == ["Rill: valve node does not answer"]


def test_what_can_wait_a_day_goes_once_a_day() -> None:
    garden = Garden()
    garden.until(10.0)
    garden.happens("forecast_stale")
    garden.until(7.9, days=1)
    assert garden.sent == []
    garden.until(8.1, days=1)
    assert garden.titles == ["Rill: forecast is old"]


def test_what_waits_for_one_person_goes_in_one_message() -> None:
    garden = Garden()
    garden.until(10.0)
    garden.happens("forecast_stale")
    garden.happens("supply_low")
    garden.until(15.0)
    garden.happens("frost")  # cannot wait, so the others come along
    assert garden.titles == ["Rill: 3 things to look at"]
    body = garden.sent[0][1].body
    for kind in ("forecast_stale", "supply_low", "frost"):
        assert kind in body
    assert [s for _, s in garden.statuses] == ["told"] * 3


def test_what_was_over_before_it_was_sent_is_not_sent() -> None:
    garden = Garden()
    garden.happens("node_silent")
    garden.deliverer.over("node_silent", "")
    garden.until(12.0)
    assert garden.sent == [] and garden.statuses == [("node_silent", "over")]


def test_urgent_news_is_sent_although_it_is_over_meanwhile() -> None:
    garden = Garden(takes={"phone": False, "mail": True})
    garden.happens("valve_not_shut")
    garden.deliverer.over("valve_not_shut", "")
    garden.takes["phone"] = True
    garden.until(3.0)
    assert garden.statuses == [("valve_not_shut", "told")]


def test_what_another_message_explains_is_not_sent() -> None:
    garden = Garden()
    for kind in ("level_unknown", "supply_low", "level_doubtful", "node_silent"):
        garden.happens(kind)  # type: ignore[arg-type]
    garden.until(12.0)
    assert garden.titles == ["Rill: valve node does not answer"]
    assert sorted(garden.statuses) == [
        ("level_doubtful", "explained"),
        ("level_unknown", "explained"),
        ("node_silent", "told"),
        ("supply_low", "explained"),
    ]


def test_a_put_off_message_waits_for_its_day_and_is_told_then_if_it_still_stands() -> None:
    garden = Garden()
    garden.told("quiet run_short", "2031-06-13")
    garden.until(10.0)
    garden.happens("run_short", "bed")
    garden.happens("run_short", "pots")
    garden.happens("frost")
    assert garden.titles == ["Rill: frost is forecast"]
    garden.until(23.0, days=2)
    assert len(garden.sent) == 1
    garden.deliverer.over("run_short", "pots")
    garden.until(9.0, days=3)
    assert garden.titles[1:] == ["Rill: less water came than planned"] and "bed" in garden.sent[1][1].body
    # Its figures are of the day on which it was raised; what is told on its own day bears none.
    assert garden.sent[1][1].body.startswith("Rill: as of Tuesday 10 June: ")
    assert "as of" not in garden.sent[0][1].body


def test_newer_news_of_the_same_takes_the_place_of_what_waits() -> None:
    garden = Garden()
    garden.told("quiet near_empty", "2031-06-15")
    for day in range(3):
        garden.until(12.0, days=day)
        garden.happens("near_empty")
    garden.until(9.0, days=5)
    assert len(garden.sent) == 1
    assert garden.statuses == [("near_empty", "told_before")] * 2 + [("near_empty", "told")]


def test_what_a_cause_explains_is_told_if_the_cause_is_over_before_anybody_was_told_of_it() -> None:
    garden = Garden()
    garden.happens("level_unknown")
    garden.until(3.0)
    garden.happens("node_silent")
    garden.until(5.0)
    garden.deliverer.over("node_silent", "")
    garden.until(9.0)
    assert garden.titles == ["Rill: water level not known"]
    assert garden.statuses == [("node_silent", "over"), ("level_unknown", "told")]


def test_what_is_explained_waits_while_its_cause_is_put_off_and_goes_with_no_other() -> None:
    garden = Garden()
    garden.told("quiet node_silent", "2031-06-20")
    garden.happens("level_unknown")
    garden.happens("node_silent")
    garden.until(12.0)
    garden.happens("frost")
    assert garden.titles == ["Rill: frost is forecast"] and "level_unknown" not in garden.sent[0][1].body
    assert garden.deliverer.waiting == 2


def test_what_waits_for_the_morning_keeps_nobody_busy_all_night() -> None:
    looked, busy = count(), threading.Event()

    def wall() -> datetime:
        if next(looked) > 200:
            busy.set()
        return NIGHT

    deliverer = Deliverer(
        "Rill",
        (ANN,),
        {"phone": Address("json://phone.example")},
        zone=ZONE,
        on_outcome=lambda _: None,
        send=lambda *_: True,
        pacing=Pacing(ZONE, wall, lambda: ()),
    )
    deliverer.start()
    deliverer.deliver(Alert("node_silent", "", "Rill: silent.", "Look.", False, NIGHT))
    assert not busy.wait(0.3)
    assert deliverer.stop() == 1


@pytest.mark.parametrize(("away", "reached"), [(None, []), ("2031-06-09/2031-06-20", ["mail"])])
def test_a_helper_is_told_only_while_the_household_is_away(away: str | None, reached: list[str]) -> None:
    garden = Garden((HELPER,))
    if away:
        garden.told("away", away)
    garden.until(12.0)
    garden.happens("valve_not_shut")
    garden.happens("near_empty")
    assert [name for name, _ in garden.sent] == reached * 2


def test_a_helper_learns_what_already_stands_on_the_first_day_away_and_once() -> None:
    garden = Garden((ANN, HELPER))
    garden.told("away", "2031-06-12/2031-06-20")
    garden.until(12.0)
    garden.happens("valve_not_shut")
    garden.happens("node_silent")
    garden.happens("near_empty")
    garden.deliverer.over("near_empty", "")
    garden.deliverer.deliver(Alert("care_due", "", "Rill: filter.", "Do it.", False, garden.now))
    garden.until(23.9, days=1)
    assert "mail" not in [name for name, _ in garden.sent]
    garden.until(0.1, days=2)
    assert [m.title for name, m in garden.sent if name == "mail"] == [
        "Urgent: Rill: a valve is not proven shut"
    ]
    garden.until(12.0, days=5)
    assert [m.title for name, m in garden.sent if name == "mail"][1:] == ["Rill: valve node does not answer"]


def test_after_a_restart_while_away_the_helper_is_told_only_what_he_does_not_know() -> None:
    known, new = (
        Alert(kind, "", f"Rill: {kind}.", "Look.", True, NIGHT - timedelta(days=3))
        for kind in ("valve_not_shut", "store_failed")
    )
    day = known.at.astimezone(ZONE).date()
    garden = Garden(
        (HELPER,),
        told_before=(Told("Cleo", "valve_not_shut", "", day), Told("Ann", "store_failed", "", day)),
        standing=(known, new),
    )
    garden.told("away", "2031-06-09/2031-06-20")
    garden.until(12.0)
    assert garden.statuses == [("store_failed", "told")]


def test_a_dead_channel_is_told_through_another_once() -> None:
    garden = Garden((ANN, BO), takes={"phone": False, "mail": True})
    garden.until(12.0)
    garden.happens("near_empty")
    garden.happens("frost")
    garden.until(20.0)
    dead = [m for name, m in garden.sent if "do not get through" in m.title]
    assert len(dead) == 1 and "messages to Ann do not get through" in dead[0].body
    assert "channel phone" in dead[0].body
    assert all(name == "mail" for name, _ in garden.sent)
    failed = [o for o in garden.outcomes if o.person == "Ann"]
    assert failed == []  # still tried
    garden.until(13.0, days=1)
    assert {o.status for o in garden.outcomes if o.person == "Ann"} == {"failed"}


def test_an_urgent_message_that_is_stuck_is_told_at_night_after_some_attempts() -> None:
    garden = Garden((ANN, BO), takes={"phone": False, "mail": True})
    garden.happens("valve_not_shut")
    assert DEAD_ATTEMPTS > 1 and [name for name, _ in garden.sent] == ["mail"]
    garden.until(2.5)
    assert [m.title for _, m in garden.sent][1:] == ["Urgent: Rill: messages do not get through"]


def test_the_hours_may_pass_midnight() -> None:
    owl = replace(ANN, wakes=time(14), sleeps=time(3))
    local = NIGHT.astimezone(ZONE)
    assert awake(owl, local) and not awake(owl, local + timedelta(hours=2)) and not awake(ANN, local)
    assert awake(owl, local + timedelta(hours=12))


def test_a_clock_that_is_set_does_not_hold_a_message_back() -> None:
    garden = Garden(now=datetime(1970, 1, 1, 3, tzinfo=UTC))
    garden.happens("supply_low")
    garden.now = NIGHT + timedelta(hours=10)
    garden.deliverer.work()
    assert garden.statuses == [("supply_low", "told")]


def test_a_long_message_says_how_much_more_stands_on_the_page() -> None:
    garden = Garden()
    for zone in range(9):
        garden.happens("run_short", f"zone-{zone}")
    garden.until(9.0)
    body = garden.sent[0][1].body
    assert len(body) <= 1000 and body.endswith("more: they stand on the page.")
    assert garden.titles == ["Rill: 9 things to look at"]
    assert [s for _, s in garden.statuses] == ["told"] * 9
