from __future__ import annotations

import time
from datetime import UTC, date, datetime, timedelta
from threading import Event
from zoneinfo import ZoneInfo

import pytest

from scheduler.alerts.addresses import Address
from scheduler.alerts.delivery import GIVE_UP_S, WAITS_S, Deliverer, Outcome
from scheduler.alerts.message import Message
from scheduler.alerts.sending import AddressRefusedError
from scheduler.alerts.waiting import Told
from scheduler.control.effects import Alert, AlertKind
from scheduler.site.model import Person

ZONE = ZoneInfo("Europe/Berlin")
AT = datetime(2031, 6, 10, 12, tzinfo=UTC)
ANN = Person("Ann", "phone")
BO = Person("Bo", "mail", urgent_only=True)
ADDRESSES = {"phone": Address("json://hush-1.example"), "mail": Address("json://hush-2.example")}


def alert(
    kind: AlertKind = "near_empty", urgent: bool = False, at: datetime = AT, subject: str = ""
) -> Alert:
    return Alert(kind, subject, "42 L left.", "Top up.", urgent, at)


class Post:
    """A sender and a clock in the hand of the test."""

    def __init__(self) -> None:
        self.sent: list[tuple[str, str]] = []
        self.takes = True
        self.error: Exception | None = None
        self.now_s = 1000.0
        self.outcomes: list[Outcome] = []

    def send(self, address: Address, message: Message) -> bool:
        self.sent.append((address.url, message.title))
        if self.error is not None:
            raise self.error
        return self.takes

    def deliverer(self, people: tuple[Person, ...] = (ANN,), **settings: object) -> Deliverer:
        chosen: dict[str, object] = {"send": self.send, "deadline_s": 5.0} | settings
        return Deliverer(
            "Rill",
            people,
            ADDRESSES,
            zone=ZONE,
            on_outcome=self.outcomes.append,
            clock=lambda: self.now_s,
            **chosen,  # type: ignore[arg-type]
        )

    @property
    def statuses(self) -> list[str]:
        return [o.status for o in self.outcomes]


def test_an_alert_reaches_everybody_whom_it_concerns() -> None:
    post = Post()
    deliverer = post.deliverer((ANN, BO))
    deliverer.deliver(alert())
    deliverer.deliver(alert("valve_not_shut", urgent=True))
    assert deliverer.work() is None
    assert [(o.person, o.alert.kind, o.status) for o in post.outcomes] == [
        ("Ann", "valve_not_shut", "told"),  # the urgent one went first
        ("Bo", "valve_not_shut", "told"),
        ("Ann", "near_empty", "told"),
    ]


def test_nobody_is_told_the_same_twice_in_a_local_day() -> None:
    post = Post()
    deliverer = post.deliverer()
    late = datetime(2031, 6, 10, 21, 59, tzinfo=UTC)  # 23:59 at the garden
    for at in (AT, late, late + timedelta(minutes=2)):
        deliverer.deliver(alert(at=at))
        deliverer.work()
    deliverer.deliver(alert(at=AT, subject="beds"))
    deliverer.work()
    assert post.statuses == ["told", "told_before", "told", "told"]


def test_what_was_told_before_a_restart_counts() -> None:
    post = Post()
    deliverer = post.deliverer(told=[Told("Ann", "near_empty", "", date(2031, 6, 10))])
    deliverer.deliver(alert())
    assert post.statuses == ["told_before"] and deliverer.work() is None


def test_a_refused_message_is_tried_again_later_and_later_until_taken() -> None:
    post = Post()
    post.takes = False
    deliverer = post.deliverer()
    deliverer.deliver(alert())
    for wait_s in (*WAITS_S, WAITS_S[-1]):
        assert deliverer.work() == pytest.approx(wait_s)
        post.now_s += wait_s - 1.0
        assert deliverer.work() == pytest.approx(1.0)
        post.now_s += 1.0
    post.takes = True
    assert deliverer.work() is None
    assert post.statuses == ["told"] and post.outcomes[0].attempts == len(WAITS_S) + 2 == len(post.sent)


def test_after_a_day_a_message_is_given_up_and_the_alert_may_come_again() -> None:
    post = Post()
    post.takes = False
    deliverer = post.deliverer()
    deliverer.deliver(alert())
    ticks = 0
    while (wait_s := deliverer.work()) is not None:
        post.now_s += wait_s
        ticks += 1
        assert ticks < 100
    assert post.statuses == ["failed"] and "did not take it" in post.outcomes[0].text
    assert GIVE_UP_S <= post.now_s - 1000.0 < GIVE_UP_S + WAITS_S[-1]
    post.takes = True
    deliverer.deliver(alert())
    deliverer.work()
    assert post.statuses == ["failed", "told"]


def test_a_late_yes_counts_and_is_not_sent_again() -> None:
    post = Post()
    gate = Event()

    def slow(address: Address, message: Message) -> bool:
        post.send(address, message)
        return gate.wait(10.0)

    deliverer = post.deliverer(send=slow, deadline_s=0.05)
    deliverer.deliver(alert())
    assert deliverer.work() == WAITS_S[0]
    post.now_s += WAITS_S[0]
    assert deliverer.work() == WAITS_S[0]  # it still hangs: looked at, not sent again
    gate.set()
    time.sleep(0.2)
    post.now_s += WAITS_S[0]
    assert deliverer.work() is None
    assert post.statuses == ["told"] and len(post.sent) == 1


def test_a_hanging_address_does_not_keep_the_others_waiting_long() -> None:
    gate = Event()
    post = Post()

    def some_hang(address: Address, message: Message) -> bool:
        return gate.wait(10.0) if address == ADDRESSES["phone"] else post.send(address, message)

    deliverer = post.deliverer((ANN, BO), send=some_hang, deadline_s=0.1)
    begun = time.monotonic()
    deliverer.deliver(alert(urgent=True))
    deliverer.work()
    assert time.monotonic() - begun < 2.0
    assert [(o.person, o.status) for o in post.outcomes] == [("Bo", "told")]
    gate.set()


def test_a_full_queue_drops_the_oldest_that_is_not_urgent_and_says_so() -> None:
    post = Post()
    deliverer = post.deliverer(queue_max=3)
    deliverer.deliver(alert("valve_not_shut", urgent=True))
    for zone in ("a", "b", "c"):
        deliverer.deliver(alert(subject=zone))
    assert deliverer.waiting == 3
    assert [(o.alert.subject, o.status) for o in post.outcomes] == [("a", "dropped")]


def test_a_person_without_an_address_is_named_with_the_remedy() -> None:
    post = Post()
    deliverer = post.deliverer((Person("Cy", "owl-post"), ANN))
    deliverer.deliver(alert())
    deliverer.work()
    assert [(o.person, o.alert.kind, o.status) for o in post.outcomes] == [
        ("Cy", "near_empty", "no_address"),
        ("Ann", "channel_dead", "told"),
        ("Ann", "near_empty", "told"),
    ]
    assert "FALLINGHEAD_CHANNEL_OWL_POST" in post.outcomes[0].text


@pytest.mark.parametrize(
    "error",
    [RuntimeError("cannot reach json://hush-1.example"), AddressRefusedError("json://hush-1.example")],
)
def test_no_error_reaches_the_caller_and_no_secret_an_outcome(
    error: Exception, caplog: pytest.LogCaptureFixture
) -> None:
    post = Post()
    post.error = error
    deliverer = post.deliverer()
    deliverer.deliver(alert())
    while (wait_s := deliverer.work()) is not None:
        post.now_s += wait_s
    assert post.statuses == ["failed"]
    assert "hush" not in repr(post.outcomes) + caplog.text


def test_a_callback_that_fails_harms_nothing() -> None:
    sent: list[str] = []

    def bad(outcome: Outcome) -> None:
        raise RuntimeError("no room on the disk")

    def send(address: Address, message: Message) -> bool:
        sent.append(address.url)
        return True

    deliverer = Deliverer("Rill", (ANN,), ADDRESSES, zone=ZONE, on_outcome=bad, send=send)
    deliverer.deliver(alert())
    assert deliverer.work() is None and len(sent) == 1


def test_the_worker_sends_by_itself_and_stops_when_told() -> None:
    post = Post()
    told = Event()

    def send(address: Address, message: Message) -> bool:
        told.set()
        return True

    deliverer = Deliverer("Rill", (ANN,), ADDRESSES, zone=ZONE, on_outcome=post.outcomes.append, send=send)
    deliverer.start()
    deliverer.deliver(alert())
    assert told.wait(5.0)
    assert deliverer.stop() == 0
    deliverer.deliver(alert("run_short"))
    assert deliverer.waiting == 1
