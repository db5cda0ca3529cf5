"""What the node refuses is told for what it is: a stranger's messages, or orders of our own, or lost ones."""

from __future__ import annotations

from dataclasses import replace

import pytest

from scheduler.control import refusals
from scheduler.control.effects import Alert, Intent, Note, RaiseAlert
from scheduler.control.events import NodeHeard
from scheduler.control.orders import Order, Refusal, RefusalReason
from scheduler.control.state import OpenIntent, Turn
from scheduler.web.for_page import for_page
from tests.support.driving import START, Driver
from tests.support.gardens import small_garden


def told(driver: Driver) -> list[Alert]:
    return [e.alert for e in driver.all(RaiseAlert)]


def kinds(driver: Driver) -> list[str]:
    return [a.kind for a in told(driver)]


def _refuse_own(driver: Driver, why: RefusalReason, times: int) -> None:
    """The node refuses each order that it is given."""
    driver.to_first_order()
    for n in range(times):
        while len(driver.orders()) <= n:
            driver.wait(300.0)
        driver.node.last_sequence = driver.orders()[n].sequence
        driver.hear(refusals=(Refusal(why, driver.orders()[n].order_id),))


@pytest.mark.parametrize("why", ["daily_cap", "low_supply", "busy"])
def test_orders_of_our_own_that_the_node_refuses_are_no_strangers(why: RefusalReason) -> None:
    driver = Driver(small_garden())
    _refuse_own(driver, why, 3)
    assert "order_refused" not in kinds(driver)
    assert kinds(driver).count("order_declined") == 1


def test_two_refused_orders_of_our_own_within_an_hour_are_told_to_nobody() -> None:
    driver = Driver(small_garden())
    _refuse_own(driver, "daily_cap", 2)
    driver.wait(600.0)
    assert "order_declined" not in kinds(driver)


def test_a_day_s_share_that_is_given_is_told_with_what_to_do() -> None:
    driver = Driver(small_garden())
    _refuse_own(driver, "daily_cap", 3)
    (alert,) = [a for a in told(driver) if a.kind == "order_declined"]
    assert "daily cap" in alert.text and "3 of our own orders" in alert.text
    assert "tomorrow" in alert.advice and "password" not in alert.advice


def _given_up(driver: Driver, number: int) -> str:
    """The id of an order that the node never saw in time, booked as nothing."""
    while len(driver.orders()) <= number:
        driver.wait(300.0)
    order = driver.orders()[number]
    driver.wait(90.0, every_s=30.0)  # its latest start is past
    assert order.order_id in driver.state.booked
    return order.order_id


def test_orders_of_ours_that_reach_the_node_after_they_were_given_up_are_late_and_no_stranger_s() -> None:
    driver = Driver(small_garden())
    driver.to_first_order()
    for number in range(3):
        driver.hear(refusals=(Refusal("too_late", _given_up(driver, number)),))
    assert "order_refused" not in kinds(driver)
    (alert,) = [a for a in told(driver) if a.kind == "order_declined"]
    assert "3 of our own orders" in alert.text and "too late" in alert.text
    assert "too late" in alert.advice and "slow" in alert.advice and "password" not in alert.advice


def test_the_same_late_order_three_times_more_is_a_stranger_s() -> None:
    driver = Driver(small_garden())
    driver.to_first_order()
    late = Refusal("too_late", _given_up(driver, 0))
    driver.hear(refusals=(late,))
    assert driver.state.refused_mono_s == ()
    driver.hear(refusals=(late,) * 3)
    assert kinds(driver).count("order_refused") == 1


@pytest.mark.parametrize("why", ["old_session", "old_sequence", "used_order", "busy"])
def test_a_given_up_order_that_is_refused_for_anything_else_may_be_played_back(why: RefusalReason) -> None:
    driver = Driver(small_garden())
    driver.to_first_order()
    driver.hear(refusals=(Refusal(why, _given_up(driver, 0)),) * 3)
    assert kinds(driver).count("order_refused") == 1


def test_late_orders_that_we_never_gave_are_a_stranger_s() -> None:
    driver = Driver(small_garden())
    driver.to_first_order()
    driver.hear(refusals=tuple(Refusal("too_late", f"ffffffffffff.{n}") for n in range(3)))
    assert kinds(driver).count("order_refused") == 1


def test_an_order_played_back_in_its_own_run_counts_as_a_stranger_s() -> None:
    driver = Driver(small_garden())
    order = driver.to_first_order()
    driver.node.opens(order)
    driver.hear(refusals=(Refusal("used_order", order.order_id),) * 3)
    assert kinds(driver).count("order_refused") == 1


def test_refusals_of_which_no_state_came_through_count_by_the_node_s_total() -> None:
    driver = Driver(small_garden())
    driver.ready()
    driver.mono_s += 60.0
    driver.feed(replace(driver.node.says(driver.now), refused_total=3))
    assert kinds(driver) == ["order_refused"]


def test_a_total_from_before_this_service_and_one_from_before_a_restart_say_nothing() -> None:
    driver = Driver(small_garden())
    driver.ready()
    driver.node.reboots(driver.mono_s)
    driver.mono_s += 60.0
    driver.feed(replace(driver.node.says(driver.now), refused_total=40))
    fresh = Driver(small_garden())
    fresh.feed(replace(fresh.node.says(fresh.now), refused_total=40))
    assert kinds(driver) == kinds(fresh) == []


# --- F14: the broker acknowledges an order and passes it to nobody


def test_an_order_that_the_broker_drops_is_found_within_fifteen_seconds_of_the_node_and_told() -> None:
    driver = Driver(small_garden())
    order = driver.to_first_order()
    driver.wait(14.0, every_s=7.0)
    assert "order_unreached" not in kinds(driver)
    driver.wait(2.0, every_s=1.0)  # the node answers and has not seen the order's sequence
    assert kinds(driver).count("order_unreached") == 1
    assert any(order.order_id in n.text and "not reached" in n.text for n in driver.all(Note))


def test_of_an_order_that_was_lost_it_is_told_first_that_it_is_tried_again_and_so_it_is() -> None:
    driver = Driver(small_garden())
    lost = driver.to_first_order()
    driver.wait(20.0, every_s=1.0)
    told = [e.alert for e in driver.all(RaiseAlert) if e.alert.kind == "order_unreached"]
    assert told[0].advice.startswith("It is tried again by itself") and "broker's list" in told[0].advice
    while len(driver.orders()) < 2:
        driver.wait(60.0, every_s=15.0)
    assert driver.orders()[1].channel == lost.channel
    assert driver.orders()[1].sequence > lost.sequence


def _advice_of_lost(driver: Driver) -> str:
    driver.wait(20.0, every_s=1.0)
    (told,) = [e.alert for e in driver.all(RaiseAlert) if e.alert.kind == "order_unreached"]
    assert "broker's list" in told.advice
    return told.advice


def test_of_a_person_s_order_that_was_lost_it_is_told_to_ask_again_and_none_follows_by_itself() -> None:
    driver = Driver(small_garden())
    driver.ready()
    driver.ask("water", "pots", 2.0)
    advice = _advice_of_lost(driver)
    assert "is not tried again by itself. Ask again: fallinghead water ZONE AMOUNT." in advice
    assert "window" not in advice
    assert "Ask again (Tell and ask). If this stays" in for_page(advice)  # the page has a form for it
    driver.ask("hold", None, 24.0)  # no plan's run, which would be an order of its own
    driver.wait(2 * HOUR_S)
    assert len(driver.orders()) == 1


def test_of_a_test_s_order_that_was_lost_it_is_told_to_open_again() -> None:
    driver = Driver(small_garden())
    driver.ready()
    driver.ask("open_for", "pots", 120.0)
    advice = _advice_of_lost(driver)
    assert "not tried again by itself: type open" in advice and "window" not in advice


def test_told_again_a_day_later_it_is_still_known_whose_order_was_lost() -> None:
    turn = a_turn(5000.0, an_order(1, 160_000))
    (held,) = turn.state.intents
    turn.change(intents=(replace(held, intent=replace(held.intent, asked_by="gardener")),))
    refusals.see_unreached(turn, a_state(turn, session="s", last_sequence=0, uptime_ms=115_000))
    turn.change(intents=())  # booked as nothing meanwhile
    assert "Ask again" in refusals.unreached(turn).advice


def test_an_order_that_arrives_ends_the_alarm_of_those_that_did_not() -> None:
    driver = Driver(small_garden())
    driver.to_first_order()
    driver.wait(120.0, every_s=15.0)
    assert driver.state.unreached == 1
    while len(driver.orders()) < 2:
        driver.wait(300.0)
    driver.node.opens(driver.orders()[1])
    driver.hear()
    assert driver.state.unreached == 0


def test_an_order_that_the_node_took_is_never_told_as_lost() -> None:
    driver = Driver(small_garden())
    driver.node.opens(driver.to_first_order())
    driver.wait(120.0, every_s=5.0)
    assert "order_unreached" not in kinds(driver)


# --- the counts, one by one

HOUR_S = 3600.0


def a_turn(mono_s: float = 5000.0, *orders: Order, **fields: object) -> Turn:
    driver = Driver(small_garden())
    driver.ready()
    intents = tuple(OpenIntent(Intent(o, "pots", START, 0.5, (("tomato", 1.0),), 1.0), 0.0) for o in orders)
    driver.mono_s = mono_s
    return Turn(driver.state.changed({"intents": intents} | fields), driver.now)


def an_order(sequence: int, start_by_uptime_ms: int = 10**9) -> Order:
    return Order("shed", "s", sequence, f"o-{sequence}", 1, 60_000, start_by_uptime_ms)


def a_state(turn: Turn, *refused: Refusal, **said: object) -> NodeHeard:
    heard = Driver(turn.state.site).node.says(turn.now)
    return replace(heard, refusals=refused, **said)  # type: ignore[arg-type]


@pytest.mark.parametrize(("ago_s", "counts"), [(HOUR_S - 1.0, True), (HOUR_S, False)])
def test_what_was_refused_counts_for_an_hour(ago_s: float, counts: bool) -> None:
    then = 5000.0 - ago_s
    strange = a_turn(refused_mono_s=(then,) * 3)
    told = refusals.strangers(strange)
    assert told.active == counts
    assert told.text() == f"Small garden: the node refused {3 if counts else 0} orders within an hour."
    refusals.count_strange(strange, 1)
    assert strange.state.refused_mono_s == ((then,) * 3 if counts else ()) + (5000.0,)
    ours = a_turn(5000.0, an_order(1), declined=((then, "busy"),) * 3)
    assert (refusals.declined(ours).active is True) == counts
    refusals.hear_refusals(ours, a_state(ours, Refusal("busy", "o-1")), None)
    assert len(ours.state.declined) == (4 if counts else 1)


def test_each_reason_brings_its_own_advice_as_a_sentence_of_its_own() -> None:
    turn = a_turn(declined=((4999.0, "fault"), (4999.0, "version"), (4999.0, "fault")))
    told = refusals.declined(turn)
    assert told.active is True
    assert told.text().endswith("refused 3 of our own orders within an hour: fault, version.")
    assert told.advice == (
        "Look at the valve: its motor or an end switch failed. "
        "Node and service speak different versions: bring both up to date."
    )


@pytest.mark.parametrize(
    ("refused", "total", "strange", "own"),
    [
        ((), 0, 0, 0),
        ((), 1, 1, 0),
        ((Refusal("bad_mac", None),), 1, 1, 0),
        ((Refusal("bad_mac", None),) * 2, 2, 2, 0),
        ((Refusal("busy", "o-1"),), 1, 0, 1),
        ((Refusal("busy", "o-1"), Refusal("busy", "o-2")), 2, 0, 2),
        ((Refusal("busy", "o-1"),), 2, 1, 1),
        ((Refusal("busy", "o-1"), Refusal("bad_mac", None)), 4, 3, 1),
    ],
)
def test_each_refusal_counts_once_and_what_the_total_tells_beyond_is_a_stranger_s(
    refused: tuple[Refusal, ...], total: int, strange: int, own: int
) -> None:
    turn = a_turn(5000.0, an_order(1), an_order(2))
    assert turn.state.node is not None
    before = replace(turn.state.node, refused_total=7, uptime_ms=a_state(turn).uptime_ms)
    refusals.hear_refusals(turn, a_state(turn, *refused, refused_total=7 + total), before)
    assert (len(turn.state.refused_mono_s), len(turn.state.declined)) == (strange, own)
    untold = [e.text for e in turn.effects if isinstance(e, Note) and "no state came through" in e.text]
    assert len(untold) == (total > len(refused))


@pytest.mark.parametrize(("late_ms", "unreached"), [(14_999, 0), (15_000, 1)])
def test_fifteen_seconds_after_an_order_was_sent_it_should_be_known(late_ms: int, unreached: int) -> None:
    order = an_order(1, start_by_uptime_ms=160_000)  # sent at 100 s of the node's uptime, to start in 60 s
    turn = a_turn(5000.0, order)
    heard = a_state(turn, session="s", last_sequence=0, uptime_ms=100_000 + late_ms)
    for _ in range(2):  # counted once
        refusals.see_unreached(turn, heard)
        assert turn.state.unreached == unreached


def test_of_two_orders_only_the_one_that_is_missing_is_noted_as_such() -> None:
    turn = a_turn(5000.0, an_order(1, 160_000), an_order(2, 160_000), unreached=3)
    refusals.see_unreached(turn, a_state(turn, session="s", last_sequence=1, uptime_ms=115_000))
    assert [h.unreached for h in turn.state.intents] == [False, True]
    assert turn.state.unreached == 1  # the first one came, and ended the row


def test_an_order_of_another_session_is_not_missed_but_one_beside_it_is() -> None:
    old, new = an_order(1, 160_000), replace(an_order(2, 160_000), session="another")
    for orders, unreached in (((old,), 0), ((old, new), 1)):
        turn = a_turn(5000.0, *orders)
        refusals.see_unreached(turn, a_state(turn, session="another", last_sequence=0, uptime_ms=10**6))
        assert turn.state.unreached == unreached


def test_the_last_fifty_are_kept() -> None:
    turn = a_turn(refused_mono_s=tuple(4000.0 + n for n in range(50)))
    refusals.count_strange(turn, 2)
    assert turn.state.refused_mono_s == (*(4000.0 + n for n in range(2, 50)), 5000.0, 5000.0)
    refusals.count_strange(turn, 1000)
    assert turn.state.refused_mono_s == (5000.0,) * 50
