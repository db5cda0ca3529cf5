"""Planted defects, at least one for each rule of the design. Each is a change of controller, shell, store
keeping, link or node; the simulation must find every one of them, or its rules prove nothing."""

from __future__ import annotations

import random
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, replace
from typing import Any
from unittest.mock import patch

from firmware_stub import codec, core, node_loop
from firmware_stub.valve import Run, Valve
from scheduler.control import alarms, conditions, controller, ledger, ordering, people, supervision
from scheduler.control.effects import (
    RecordAnswer,
    RecordBooking,
    RecordIntent,
    RecordStop,
    SendClose,
    SendReceipt,
)
from scheduler.control.state import Turn
from scheduler.link.freshness import Freshness
from scheduler.planning.garden import GardenModel
from scheduler.planning.windows import WindowSpan
from scheduler.service.keeping import Keeping
from scheduler.service.shell import Shell

Plant = Callable[[ExitStack], None]


@dataclass(frozen=True)
class Canary:
    """``rule``: the number of the design's rule that it breaks."""

    name: str
    rule: int
    plant: Plant


CANARIES: list[Canary] = []


def _canary(rule: int) -> Callable[[Plant], Plant]:
    def keep(plant: Plant) -> Plant:
        CANARIES.append(Canary(plant.__name__.strip("_"), rule, plant))
        return plant

    return keep


@contextmanager
def planted(canary: Canary) -> Iterator[None]:
    with ExitStack() as stack:
        canary.plant(stack)
        yield


def _put(stack: ExitStack, owner: Any, name: str, new: Any) -> None:
    stack.enter_context(patch.object(owner, name, new))


def _without(stack: ExitStack, *kinds: type) -> None:
    """Effects of these kinds are never asked for."""
    emit = Turn.emit

    def some(self: Turn, *effects: Any) -> None:
        emit(self, *(e for e in effects if not isinstance(e, kinds)))

    _put(stack, Turn, "emit", some)


# --- 1: no valve is open longer than its order allows, plus its travel


@_canary(1)
def _node_counts_half_the_time(stack: ExitStack) -> None:
    _put(stack, Run, "open_ms", lambda self, uptime_ms: (uptime_ms - self.began_ms) // 2)


@_canary(1)
def _node_opens_for_as_long_as_it_may(stack: ExitStack) -> None:
    handle = core.Node._handle_order

    def longest(self: Any, m: dict[str, Any], actions: list[Any]) -> None:
        handle(self, m | {"open_ms": self.settings.longest_open_ms}, actions)

    _put(stack, core.Node, "_handle_order", longest)


@_canary(1)
def _valve_does_not_turn_at_the_end_of_its_time(stack: ExitStack) -> None:
    close = Valve.close
    _put(
        stack,
        Valve,
        "close",
        lambda self, up, actions: None if self.position == "open" else close(self, up, actions),
    )


@_canary(1)
def _closed_switch_is_believed_at_once(stack: ExitStack) -> None:
    _put(stack, Valve, "_seat_ms", lambda self: 300)


@_canary(1)
def _boot_leaves_the_valves_as_they_are(stack: ExitStack) -> None:
    def start(self: Any) -> None:
        self.node._advance(self.board.now_ms())
        for v in self.node.valves:
            v.position = "closed"

    from tests.simulation.node import SimBoard  # it stands for drivers.py, which closes them too

    _put(stack, node_loop.NodeLoop, "start", start)
    _put(stack, SimBoard, "begin", lambda self: None)


# --- 2: nothing opens but a fresh order that is signed


@_canary(2)
def _node_takes_any_signature(stack: ExitStack) -> None:
    _put(stack, codec, "same", lambda a, b: len(a) == len(b))


@_canary(2)
def _node_takes_orders_of_any_session(stack: ExitStack) -> None:
    why_not = core.Node._why_not
    _put(stack, core.Node, "_why_not", lambda self, m: why_not(self, m | {"session": self.session}))


@_canary(2)
def _node_takes_orders_that_are_too_late(stack: ExitStack) -> None:
    why_not = core.Node._why_not
    _put(stack, core.Node, "_why_not", lambda self, m: why_not(self, m | {"start_by_uptime_ms": 1 << 50}))


@_canary(2)
def _node_takes_orders_again(stack: ExitStack) -> None:
    why_not = core.Node._why_not

    def again(self: Any, m: dict[str, Any]) -> Any:
        fresh = {"sequence": self.last_sequence + 1, "order_id": "new", "start_by_uptime_ms": 1 << 50}
        return why_not(self, m | fresh)

    _put(stack, core.Node, "_why_not", again)


@_canary(2)
def _node_takes_orders_for_another_node(stack: ExitStack) -> None:
    read = codec.read_message

    def of_all(kind: str, raw: bytes, key: bytes, node: str) -> Any:
        try:
            return read(kind, raw, key, node)
        except codec.FrameError as error:
            if error.why != "other_node":
                raise
            return read(kind, raw, key, "greenhouse")

    _put(stack, codec, "read_message", of_all)


@_canary(2)
def _link_believes_old_states(stack: ExitStack) -> None:
    _put(stack, Freshness, "take", lambda self, state: "fresh")


@_canary(2)
def _node_opens_the_first_valve_for_all(stack: ExitStack) -> None:
    handle = core.Node._handle_order
    _put(
        stack, core.Node, "_handle_order", lambda self, m, actions: handle(self, m | {"channel": 0}, actions)
    )


# --- 3: water is booked exactly once


@_canary(3)
def _order_ids_are_used_again_after_a_start(stack: ExitStack) -> None:
    def only_this_life(state: Any, session: str) -> int:
        return int(state.issued[1]) if state.issued[0] == session else 0

    _put(stack, ordering, "last_used", only_this_life)


@_canary(3)
def _least_is_booked_instead_of_most(stack: ExitStack) -> None:
    book = ledger.book_outcome
    _put(
        stack,
        ledger,
        "book_outcome",
        lambda turn, held, outcome: book(turn, held, replace(outcome, open_ms_max=outcome.open_ms)),
    )


@_canary(3)
def _a_lost_end_is_booked_as_nothing(stack: ExitStack) -> None:
    _put(stack, ledger, "book_lost", lambda turn, held: ledger.book_nothing(turn, held, "lost"))


@_canary(3)
def _receipts_are_never_sent(stack: ExitStack) -> None:
    _without(stack, SendReceipt)


@_canary(3)
def _bookings_are_not_written(stack: ExitStack) -> None:
    write = Keeping.write
    _put(
        stack,
        Keeping,
        "write",
        lambda self, records: write(self, [r for r in records if not isinstance(r, RecordBooking)]),
    )


@_canary(3)
def _orders_go_out_before_they_are_written(stack: ExitStack) -> None:
    carry = Shell._carry_out

    def orders_first(self: Shell, effects: tuple[Any, ...], now: Any) -> None:
        intents = tuple(e for e in effects if isinstance(e, RecordIntent))
        carry(self, (*(e for e in effects if not isinstance(e, RecordIntent)), *intents), now)

    _put(stack, Shell, "_carry_out", orders_first)


@_canary(3)
def _a_store_that_fails_counts_as_written(stack: ExitStack) -> None:
    write = Keeping.write
    _put(stack, Keeping, "write", lambda self, records: write(self, records) or True)


# --- 4: never below the reserve


@_canary(4)
def _the_reserve_is_not_kept(stack: ExitStack) -> None:
    _put(stack, GardenModel, "floor_level_m", lambda self, zone_id: 0.0)


# --- 5: unknown is shown as unknown


@_canary(5)
def _a_silent_node_counts_as_heard(stack: ExitStack) -> None:
    _put(stack, supervision, "watch_silence", lambda turn: None)


@_canary(5)
def _an_old_level_stays_known(stack: ExitStack) -> None:
    from datetime import timedelta

    from scheduler.sensing import level

    _put(stack, level, "UNKNOWN_AGE", timedelta(days=9))


@_canary(5)
def _a_silent_node_is_not_told(stack: ExitStack) -> None:
    late = replace(alarms.RULES["node_silent"], on_delay_s=9 * 86400.0)
    stack.enter_context(patch.dict(alarms.RULES, {"node_silent": late}))
    never = replace(alarms.RULES["valve_not_shut"], on_delay_s=9 * 86400.0)
    stack.enter_context(patch.dict(alarms.RULES, {"valve_not_shut": never}))


# --- 6: a person's stop wins


@_canary(6)
def _a_stop_sends_no_close(stack: ExitStack) -> None:
    _without(stack, SendClose)


@_canary(6)
def _a_stop_does_not_hold(stack: ExitStack) -> None:
    stop = people._stop

    def briefly(turn: Turn, request: Any) -> None:
        stop(turn, request)
        turn.change(stopped_by=None)

    _put(stack, people, "_stop", briefly)


@_canary(6)
def _a_stop_does_not_survive_a_restart(stack: ExitStack) -> None:
    _without(stack, RecordStop)


# --- 7: nothing that a person told is lost


@_canary(7)
def _answers_are_forgotten(stack: ExitStack) -> None:
    _without(stack, RecordAnswer)


@_canary(7)
def _requests_of_an_earlier_life_are_passed_over(stack: ExitStack) -> None:
    begin = controller.begin
    from scheduler.service import shell

    _put(
        stack,
        shell,
        "begin",
        lambda site, saved, now, *rest: begin(site, replace(saved, requests=()), now, *rest),
    )


# --- 8: the same inputs give the same


@_canary(8)
def _orders_are_sized_by_chance(stack: ExitStack) -> None:
    build = ordering.build_order
    chance = random.Random(1)

    def by_chance(*given: Any) -> Any:
        order = build(*given)
        return replace(order, open_ms=max(1000, order.open_ms - chance.randint(0, 900)))

    _put(stack, ordering, "build_order", by_chance)


# --- 9: a wrong clock waters nothing at the wrong hour


@_canary(9)
def _an_unknown_clock_counts_as_known(stack: ExitStack) -> None:
    obstacles = ordering.obstacles
    _put(
        stack,
        ordering,
        "obstacles",
        lambda state, mono_s, *, clock_known: obstacles(state, mono_s, clock_known=True),
    )


@_canary(9)
def _windows_are_not_kept(stack: ExitStack) -> None:
    from datetime import timedelta

    def always(site: Any, at: Any) -> WindowSpan:
        return WindowSpan(at - timedelta(hours=1), at + timedelta(hours=3))

    start = ordering.start_due_run

    def at_any_hour(turn: Turn) -> None:
        with patch.object(ordering, "window_at", always):
            start(turn)

    _put(stack, ordering, "start_due_run", at_any_hour)


# --- and people are told once


@_canary(7)
def _alarms_chatter(stack: ExitStack) -> None:
    judge = alarms.judge

    def forgetful(memory: Any, condition: Any, **when: Any) -> Any:
        return judge(replace(memory, told_at=None, told_day=None, raised_at=None), condition, **when)

    _put(stack, conditions, "judge", forgetful)
