"""What a state of the node, or its silence, means: each limit at its edge, each figure by hand.

The small garden's node beats every 300 s, its valves turn in 8 s; an order may begin for 60 s. So a node is
silent after three beats (900 s), and its clock may be off by 5 % of two (30 s).
"""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta
from typing import Any

import pytest

from scheduler.control import supervision
from scheduler.control.effects import (
    Intent,
    Note,
    RecordAnswer,
    RecordBooking,
    RecordChoice,
    RecordReading,
    SendAsk,
    SendClose,
    SendReceipt,
)
from scheduler.control.orders import Order, RunOutcome, ValvePosition, ValveStatus
from scheduler.control.state import NodeView, OpenIntent, Proof, State, Turn
from scheduler.sensing.belief import UNKNOWN_LEVEL
from scheduler.sensing.flow import FlowFactor, joined
from scheduler.sensing.level import valve_moved
from scheduler.sensing.rest import RestLevel
from tests.support.driving import START, Driver
from tests.support.gardens import small_garden

NOW_S = 10_000.0
SESSION = "s"


def an_order(sequence: int = 5, *, open_s: float = 600.0, start_by_ms: int = 1_060_000) -> Order:
    return Order("shed", SESSION, sequence, f"o-{sequence}", 1, int(open_s * 1000), start_by_ms)


def held(order: Order | None = None, **changes: Any) -> OpenIntent:
    intent = Intent(order or an_order(), "pots", START, 0.5, (("tomato", 1.0),), 1.0)
    return OpenIntent(intent, changes.pop("sent_mono_s", NOW_S - 100.0), **changes)


def valves(*positions: ValvePosition, order_id: str | None = None) -> tuple[ValveStatus, ...]:
    return tuple(ValveStatus(c, p, order_id) for c, p in enumerate(positions, start=1))


def a_turn(*seen: ValvePosition, **fields: Any) -> Turn:
    """At rest, connected, the node just heard with its valves so."""
    driver = Driver(small_garden())
    driver.ready()
    driver.mono_s = NOW_S
    node = NodeView(SESSION, 10**7, NOW_S, 0, valves(*seen or ("closed", "closed")))
    state = driver.state.changed(
        {"node": node, "silent_since_mono_s": NOW_S, "ask_at_mono_s": NOW_S, "phase": "at_rest"} | fields
    )
    return Turn(state, driver.now)


def notes(turn: Turn) -> list[str]:
    return [e.text for e in turn.effects if isinstance(e, Note)]


# --- whose state it is


def test_a_state_of_another_node_changes_nothing() -> None:
    turn = a_turn()
    before = turn.state
    heard = replace(Driver(small_garden()).node.says(turn.now), node="barn")
    supervision.hear_node(turn, heard)
    assert turn.state is before and len(notes(turn)) == 1 and len(turn.effects) == 1


def test_a_new_session_is_closed_at_once_and_an_old_one_is_no_news() -> None:
    heard = Driver(small_garden()).node.says(a_turn().now)
    for session, said in (("another", 1), (SESSION, 0)):
        turn = a_turn(closes_at_fault=3, close_asked_mono_s=NOW_S - 1.0)
        supervision._note_restart(turn, replace(heard, session=session, reset_cause="watchdog"))
        assert len(notes(turn)) == said
        assert turn.state.closes_at_fault == (0 if said else 3)
        assert turn.state.close_asked_mono_s == (None if said else NOW_S - 1.0)
    assert notes(turn) == []
    for cause, ending in (
        ("watchdog", "(session anothe, last reset: watchdog)."),
        (None, "(session anothe)."),
    ):
        turn = a_turn()
        supervision._note_restart(turn, replace(heard, session="another", reset_cause=cause))
        assert notes(turn)[0].endswith(ending)


def test_what_was_heard_of_the_node_is_known_from_then_on() -> None:
    turn = a_turn(silent_since_mono_s=0.0)
    heard = replace(
        Driver(small_garden()).node.says(turn.now), session=SESSION, uptime_ms=77, last_sequence=4,
        valves=valves("open", "closed"), supply_mv=12_100, closes_repeated=2, outcomes_dropped=1,
        refused_total=9, flow_pulses=123,
    )  # fmt: skip
    supervision._see_node(turn, heard)
    assert turn.state.node == NodeView(
        SESSION, 77, NOW_S, 4, valves("open", "closed"), supply_mv=12_100, closes_repeated=2,
        outcomes_dropped=1, refused_total=9, flow_pulses=123,
    )  # fmt: skip
    assert turn.state.silent_since_mono_s == NOW_S


@pytest.mark.parametrize(
    ("session", "repeated", "dropped", "strange", "lost"),
    [
        (SESSION, 3, 5, 0, None), (SESSION, 4, 5, 1, None), (SESSION, 6, 7, 3, 2), (SESSION, 3, 6, 0, 1),
        (SESSION, 0, 0, 0, None), ("another", 9, 9, 0, None),
    ],
)  # fmt: skip
def test_closes_played_back_are_a_stranger_s_and_dropped_records_are_kept_with_their_day(
    session: str, repeated: int, dropped: int, strange: int, lost: int | None
) -> None:
    turn = a_turn()
    assert turn.state.node is not None
    turn.change(node=replace(turn.state.node, closes_repeated=3, outcomes_dropped=5))
    heard = replace(
        Driver(small_garden()).node.says(turn.now),
        session=session,
        closes_repeated=repeated,
        outcomes_dropped=dropped,
    )
    supervision._count_lost(turn, heard)
    assert len(turn.state.refused_mono_s) == strange
    assert turn.state.records_lost == (None if lost is None else (date(2012, 7, 20), lost))
    assert len(notes(turn)) == (strange > 0) + (lost is not None)


# --- the level


@pytest.mark.parametrize(("ahead_s", "anew"), [(90.0, False), (90.001, True)])
def test_readings_from_the_future_begin_the_track_anew_but_for_the_sensor_s_zero(
    ahead_s: float, anew: bool
) -> None:
    turn = a_turn()
    track = replace(
        turn.state.track, last_at=turn.now.wall + timedelta(seconds=ahead_s), offset_m=0.03, offset_sd_m=0.004
    )
    proof = Proof("o", "pots", 1.0, 1.0, RestLevel(0.5, 0.001, 9, START), START, NOW_S, START, None)
    turn.change(track=track, proof=proof)
    supervision._mend_track(turn)
    assert (turn.state.track.last_at is None) == anew and (turn.state.proof is None) == anew
    assert (turn.state.track.offset_m, turn.state.track.offset_sd_m) == (0.03, 0.004)


def test_a_reading_is_recorded_with_what_is_believed_of_it() -> None:
    turn = a_turn()
    reading = Driver(small_garden()).node.says(turn.now).reading
    assert reading is not None
    supervision.hear_level(turn, reading)
    assert turn.effects == [RecordReading(reading, turn.state.belief)]
    assert turn.state.track.last_at == turn.now.wall


def test_a_level_that_is_not_known_leaves_the_last_known_one_and_its_time() -> None:
    turn = a_turn(unknown_since_mono_s=7.0)
    known = replace(turn.state.belief, level_m=0.4)
    supervision.believe(turn, known)
    assert turn.state.last_known == known and turn.state.unknown_since_mono_s == NOW_S
    turn.now = replace(turn.now, monotonic_s=NOW_S + 5.0)
    supervision.believe(turn, UNKNOWN_LEVEL)
    assert turn.state.belief == UNKNOWN_LEVEL and turn.state.last_known == known
    assert turn.state.unknown_since_mono_s == NOW_S


@pytest.mark.parametrize(
    ("seen", "flowing"),
    [
        (("closed", "closed"), ()),
        (("fault", "unknown"), ()),
        (("open", "closed"), ("pots",)),
        (("closed", "opening"), ("bed",)),
        (("closing", "fault"), ("pots",)),
        (("open", "open"), ("pots", "bed")),
    ],
)
def test_what_flows_is_each_open_zone_s_curve_times_what_was_learned_of_it(
    seen: tuple[ValvePosition, ...], flowing: tuple[str, ...]
) -> None:
    turn = a_turn(*seen)
    factors = {"pots": 0.8, "bed": 0.5}
    turn.change(flow=joined((z, FlowFactor(f, 0.1)) for z, f in factors.items()))
    belief = replace(turn.state.belief, level_m=0.5)
    turn.change(belief=belief)
    curves = {z: turn.state.model.zones[z].curve.total_lph(0.5) for z in factors}
    assert supervision.drawing_lph(turn.state) == pytest.approx(sum(factors[z] * curves[z] for z in flowing))
    turn.change(belief=replace(belief, level_m=None))
    assert supervision.drawing_lph(turn.state) == 0.0
    assert supervision.drawing_lph(replace(turn.state, belief=belief, node=None)) == 0.0


# --- what the valves mean


@pytest.mark.parametrize(
    ("seen", "order_id", "phase", "sight"),
    [
        (("closed", "closed"), None, "at_rest", "all_shut"),
        (("open", "closed"), "o-5", "running", "our_run"),
        (("open", "closed"), "o-5", "unproven", "our_run"),
        (("open", "closed"), "else", "running", "stray"),
        (("open", "closed"), None, "running", "stray"),
        (("unknown", "closed"), None, "at_rest", "stray"),
        (("closing", "closed"), None, "running", "our_run"),
        (("closing", "closed"), None, "unproven", "stray"),
        (("open", "fault"), "o-5", "running", "fault"),
    ],
)
def test_what_the_valves_say_is_one_of_four_sights(
    seen: tuple[ValvePosition, ...], order_id: str | None, phase: str, sight: str
) -> None:
    state = replace(a_turn().state, intents=(held(),), phase=phase)  # type: ignore[arg-type]
    assert supervision._sight(state, valves(*seen, order_id=order_id)) == sight


def test_a_run_that_begins_is_seen_running_and_its_flow_is_drawn_from_then_on() -> None:
    turn = a_turn("open", "closed", intents=(held(), held(an_order(6))), phase="ordered", closes_at_fault=2)
    supervision._move(turn, "our_run")
    assert turn.state.phase == "running" and all(h.seen_running for h in turn.state.intents)
    assert turn.state.track.moved_at == turn.now.wall
    assert turn.state.track.drawing_lph == pytest.approx(supervision.drawing_lph(turn.state))
    assert turn.state.track.drawing_lph > 0.0 and turn.state.closes_at_fault == 2 and notes(turn) == []
    turn.now = replace(turn.now, wall=turn.now.wall + timedelta(seconds=30))
    moved_at = turn.state.track.moved_at
    supervision._move(turn, "our_run")  # still open: it moved before
    assert turn.state.track.moved_at == moved_at


def test_a_valve_astray_is_noted_once_and_all_shut_ends_the_count_of_closes() -> None:
    turn = a_turn("open", "closed", closes_at_fault=2)
    supervision._move(turn, "stray")
    assert turn.state.phase == "unproven" and len(notes(turn)) == 1
    supervision._move(turn, "stray")
    assert turn.state.phase == "unproven" and len(notes(turn)) == 1
    supervision._move(turn, "all_shut")
    assert turn.state.phase == "at_rest" and turn.state.closes_at_fault == 0 and len(notes(turn)) == 1


# --- what became of an order


def a_state(turn: Turn, **said: Any) -> Any:
    whole = {"session": SESSION, "uptime_ms": 2_000_000, "last_sequence": 5} | said
    return replace(Driver(small_garden()).node.says(turn.now), **whole)


@pytest.mark.parametrize(
    ("said", "may"),
    [
        ({"last_sequence": 4, "uptime_ms": 1_060_000}, True),
        ({"last_sequence": 4, "uptime_ms": 1_060_001}, False),
        ({"last_sequence": 5, "uptime_ms": 1_000_000}, False),
        ({"last_sequence": 4, "uptime_ms": 1_000_000, "session": "another"}, False),
    ],
)
def test_an_order_may_still_begin_in_its_session_until_its_latest_start(
    said: dict[str, Any], may: bool
) -> None:
    assert supervision._may_still_start(held(), a_state(a_turn(), **said)) == may


@pytest.mark.parametrize(
    ("said", "changes", "restarted"),
    [
        # Its own session: it was not started anew, whatever its uptime.
        ({"session": SESSION, "uptime_ms": 5}, {}, False),
        # Sent at 1000 s of its uptime; up for less than that, give or take 30 s: started anew.
        ({"session": "t", "uptime_ms": 969_999}, {"sent_mono_s": NOW_S - 1.0}, True),
        ({"session": "t", "uptime_ms": 970_000}, {"sent_mono_s": NOW_S - 1.0}, False),
        # Up for less than what passed since it was sent: started anew since.
        ({"session": "t", "uptime_ms": 1_999_999}, {"sent_mono_s": NOW_S - 2000.0}, True),
        ({"session": "t", "uptime_ms": 2_000_000}, {"sent_mono_s": NOW_S - 2000.0}, False),
        # Known from the store only: by the wall clock, 10 000 s since it was made.
        ({"session": "t", "uptime_ms": 9_999_999}, {"restored": True, "sent_mono_s": NOW_S}, True),
        ({"session": "t", "uptime_ms": 10_000_000}, {"restored": True, "sent_mono_s": NOW_S}, False),
    ],
)
def test_whether_the_node_was_started_anew_after_an_order_is_told_by_its_uptime(
    said: dict[str, Any], changes: dict[str, Any], restarted: bool
) -> None:
    turn = a_turn()
    assert supervision._restarted_since(turn, held(**changes), a_state(turn, **said)) == restarted


def test_under_a_clock_that_says_nothing_a_restored_order_may_have_run() -> None:
    turn = a_turn()
    late = a_state(turn, session="t", uptime_ms=10**9)
    assert not supervision._restarted_since(turn, held(restored=True), late)
    turn.now = replace(turn.now, trust="unknown")
    assert supervision._restarted_since(turn, held(restored=True), late)
    assert not supervision._restarted_since(turn, held(sent_mono_s=NOW_S - 1.0), late)  # it was watched
    turn.now = replace(turn.now, trust="synced", wall=START - timedelta(seconds=1))  # before it was made
    assert supervision._restarted_since(turn, held(restored=True), late)
    turn.now = replace(turn.now, wall=START)
    assert not supervision._restarted_since(turn, held(restored=True), late)


def booked(turn: Turn) -> list[tuple[str, float]]:
    return [(e.booking.order_id, e.booking.open_s) for e in turn.effects if isinstance(e, RecordBooking)]


def test_with_every_valve_shut_an_order_was_lost_where_it_ran_and_nothing_where_it_did_not() -> None:
    said = {True: "the node lost its record of this run", False: "it never began"}
    for ran, open_s in ((True, 600.0), (False, 0.0)):
        turn = a_turn(intents=(held(seen_running=ran),), phase="running" if ran else "ordered")
        turn.change(zones_done=frozenset({"pots"}))
        supervision._settle_orders(turn, a_state(turn))
        assert booked(turn) == [("o-5", open_s)] and turn.state.intents == ()
        assert [e.booking.note for e in turn.effects if isinstance(e, RecordBooking)] == [said[ran]]
        assert turn.state.phase == "at_rest" and turn.state.zones_done == frozenset()


def test_an_order_is_not_settled_while_a_valve_is_open_or_it_may_still_begin() -> None:
    for said in ({"valves": valves("open", "closed")}, {"last_sequence": 4, "uptime_ms": 1_000_000}):
        turn = a_turn(intents=(held(),), phase="ordered")
        supervision._settle_orders(turn, a_state(turn, **said))
        assert booked(turn) == [] and turn.state.phase == "ordered" and len(turn.state.intents) == 1


def test_one_order_that_may_still_begin_does_not_keep_another_from_being_settled() -> None:
    turn = a_turn(intents=(held(an_order(6)), held()), phase="ordered")
    supervision._settle_orders(turn, a_state(turn, uptime_ms=1_000_000))
    assert booked(turn) == [("o-5", 0.0)] and turn.state.phase == "ordered"


def test_each_outcome_is_booked_once_and_receipted_whosever_it_is() -> None:
    turn = a_turn(intents=(held(),), phase="running")
    outcomes = tuple(RunOutcome(i, 1, 60_000, 60_000, "time_up") for i in ("o-5", "old-1"))
    supervision._hear_outcomes(turn, a_state(turn, outcomes=outcomes))
    assert booked(turn) == [("o-5", 60.0), ("old-1", 60.0)]
    assert [e for e in turn.effects if isinstance(e, SendReceipt)] == [SendReceipt(("o-5", "old-1"))]
    assert turn.state.track.moved_at == turn.now.wall and turn.state.track.drawing_lph == 0.0
    turn.effects.clear()
    supervision._hear_outcomes(turn, a_state(turn, outcomes=outcomes))
    assert turn.effects == [SendReceipt(("o-5", "old-1"))]
    turn.effects.clear()
    supervision._hear_outcomes(turn, a_state(turn))
    assert turn.effects == []


@pytest.mark.parametrize(("after_s", "overdue"), [(744.0, False), (744.001, True)])
def test_an_order_is_overdue_a_minute_after_the_latest_end_of_its_travels(
    after_s: float, overdue: bool
) -> None:
    """600 s open, begun up to 60 s late, 8 s to open, two times 8 s to close, 60 s to say so."""
    state = a_turn().state
    assert supervision.is_overdue(state, held(sent_mono_s=50.0), 50.0 + after_s) == overdue


def test_with_every_valve_shut_nothing_is_drawn_though_the_last_reading_came_in_a_closing() -> None:
    """Else the level would be believed to fall on, at 118 L/h for an hour in the storm that found it."""
    turn = a_turn("closing", "closed")
    track = valve_moved(turn.state.track, turn.now.wall, turn.state.site, drawing_lph=118.0)
    turn.change(track=track)
    heard = replace(
        Driver(small_garden()).node.says(turn.now), valves=valves("closed", "closed"), reading=None
    )
    supervision.hear_node(turn, heard)
    assert turn.state.track.drawing_lph == 0.0


# --- closing what is not shut


DRAINED = RecordChoice("winter", "2012-07-01/2012-10-01", "Ines", START)


def closed_again(turn: Turn) -> bool:
    turn.effects.clear()
    supervision._insist_on_shut(turn)
    assert turn.effects in ([], [SendClose(None), SendAsk()])
    return bool(turn.effects)


@pytest.mark.parametrize(("ago_s", "again"), [(None, True), (9.999, False), (10.0, True)])
def test_an_unproven_valve_is_closed_every_ten_seconds(ago_s: float | None, again: bool) -> None:
    last = None if ago_s is None else NOW_S - ago_s
    turn = a_turn("open", "closed", phase="unproven", close_asked_mono_s=last)
    assert closed_again(turn) == again
    assert turn.state.close_asked_mono_s == (NOW_S if again else last) and turn.state.closes_at_fault == 0


@pytest.mark.parametrize(
    ("closes", "pause_s"),
    [(0, 10.0), (1, 300.0), (2, 600.0), (3, 1200.0), (4, 2400.0), (5, 3600.0), (900, 3600.0)],
)
def test_a_valve_in_fault_is_closed_ever_more_rarely(closes: int, pause_s: float) -> None:
    for ago_s, again in ((pause_s - 0.001, False), (pause_s, True)):
        turn = a_turn(
            "fault", "closed", phase="unproven", closes_at_fault=closes, close_asked_mono_s=NOW_S - ago_s
        )
        assert closed_again(turn) == again
        assert turn.state.closes_at_fault == closes + again


@pytest.mark.parametrize(
    ("fields", "seen", "again"),
    [
        ({}, ("open", "closed"), False),
        ({"stopped_by": "Ines"}, ("open", "closed"), True),
        ({"leaving": True}, ("open", "closed"), True),
        ({"confirm_shut": (1,)}, ("closed", "closing"), True),
        ({"stopped_by": "Ines"}, ("closed", "closed"), False),
        ({"stopped_by": "Ines", "node": None}, ("closed", "closed"), False),
    ],
)
def test_a_run_of_ours_is_closed_where_a_person_does_not_want_it(
    fields: dict[str, Any], seen: tuple[ValvePosition, ...], again: bool
) -> None:
    assert closed_again(a_turn(*seen, phase="running", **fields)) == again


@pytest.mark.parametrize(
    ("seen", "closes", "at_fault"),
    [
        (("fault", "closed"), 0, True), (("fault", "fault"), 0, True), (("fault", "open"), 0, False),
        (("fault", "closing"), 0, False), (("closed", "closed"), 0, False), (("fault", "closing"), 1, True),
        (("closing", "closed"), 1, True), (("closing", "closed"), 0, False), (("closing", "open"), 1, False),
        (("closed", "closed"), 1, False), (("fault", "closing", "closed"), 1, True),
    ],
)  # fmt: skip
def test_at_fault_is_a_valve_in_fault_or_closed_once_more_after_one_with_all_others_shut(
    seen: tuple[ValvePosition, ...], closes: int, at_fault: bool
) -> None:
    assert supervision._at_fault(a_turn(*seen, closes_at_fault=closes).state) == at_fault


def test_of_a_node_that_was_never_heard_no_valve_is_at_fault() -> None:
    assert not supervision._at_fault(a_turn(node=None, closes_at_fault=1).state)


def test_a_stop_is_confirmed_once_everything_rests() -> None:
    turn = a_turn(confirm_stop=(3, 4), phase="running")
    supervision._confirm_stop(turn)
    assert turn.effects == [] and turn.state.confirm_stop == (3, 4)
    turn.change(phase="at_rest")
    supervision._confirm_stop(turn)
    said = "Stopped; the node confirms that every valve is shut."
    assert turn.effects == [RecordAnswer(n, turn.now.wall, True, said) for n in (3, 4)]
    assert turn.state.confirm_stop == ()


# --- silence


@pytest.mark.parametrize(("silent_s", "unheard"), [(900.0, False), (900.001, True)])
def test_a_node_is_unheard_after_three_heartbeats_of_silence(silent_s: float, unheard: bool) -> None:
    turn = a_turn(silent_since_mono_s=NOW_S - silent_s)
    supervision.watch_silence(turn)
    assert (turn.state.phase == "unheard") == unheard
    assert notes(turn) == (["Node shed has been silent for 15 min."] if unheard else [])


def test_a_node_is_not_unheard_while_an_order_is_under_way_nor_twice() -> None:
    turn = a_turn(silent_since_mono_s=0.0, intents=(held(),), phase="running")
    supervision.watch_silence(turn)
    assert turn.state.phase == "running" and notes(turn) == []
    turn = a_turn(silent_since_mono_s=0.0, phase="unheard")
    supervision.watch_silence(turn)
    assert notes(turn) == []


def test_one_order_that_is_overdue_is_enough_and_in_another_phase_it_is_no_news() -> None:
    late = held(sent_mono_s=NOW_S - 800.0)
    for phase, after, said in (
        ("running", "unproven", 1), ("ordered", "unproven", 1), ("unproven", "unproven", 0),
        ("at_rest", "at_rest", 0),
    ):  # fmt: skip
        turn = a_turn(intents=(held(), late), phase=phase)
        supervision.watch_silence(turn)
        assert turn.state.phase == after and len(notes(turn)) == said


# --- how often it is asked


def asked_every(state: State, **later: Any) -> float | None:
    """The pause to the next ask, if it asks now."""
    turn = Turn(state, replace(Driver(small_garden()).now, monotonic_s=NOW_S, **later))
    supervision._ask_often_enough(turn)
    if SendAsk() not in turn.effects:
        assert turn.state is state
        return None
    return turn.state.ask_at_mono_s - NOW_S


RUN = {"intents": (held(),), "phase": "running"}
PROOF = Proof("o", "pots", 1.0, 1.0, RestLevel(0.5, 0.001, 9, START), START, NOW_S - 899.9, START, None)


@pytest.mark.parametrize(
    ("fields", "seen", "pause_s"),
    [
        ({"connected": False, **RUN}, ("open", "closed"), None),
        ({"ask_at_mono_s": NOW_S + 0.001, **RUN, "silent_since_mono_s": 0.0}, ("open", "closed"), None),
        # Under way: it reports by itself; asked once it was silent for a minute.
        (RUN | {"silent_since_mono_s": NOW_S - 59.9}, ("open", "closed"), None),
        (RUN | {"silent_since_mono_s": NOW_S - 60.0}, ("open", "closed"), 60.0),
        # Ordered and nothing seen yet, or not wanted any more: every ten seconds.
        ({"intents": (held(),), "phase": "ordered"}, ("closed", "closed"), 10.0),
        (RUN | {"stopped_by": "Ines"}, ("open", "closed"), 10.0),
        (RUN | {"leaving": True}, ("open", "closed"), 10.0),
        (RUN | {"confirm_shut": (1,)}, ("open", "closed"), 10.0),
        ({"phase": "unproven"}, ("open", "closed"), 10.0),
        ({"phase": "unproven"}, ("fault", "closed"), 10.0),
        ({"phase": "unproven", "closes_at_fault": 1}, ("fault", "closed"), 60.0),
        ({"phase": "unproven", "closes_at_fault": 1}, ("fault", "open"), 10.0),
        # For a quarter of an hour after a run: each minute.
        ({"proof": PROOF}, ("closed", "closed"), 60.0),
        ({"proof": replace(PROOF, ended_mono_s=NOW_S - 900.0)}, ("closed", "closed"), None),
        # Else: when a heartbeat did not come.
        ({"silent_since_mono_s": NOW_S - 299.9}, ("closed", "closed"), None),
        ({"silent_since_mono_s": NOW_S - 300.0}, ("closed", "closed"), 300.0),
    ],
)
def test_the_node_is_asked_as_often_as_it_matters(
    fields: dict[str, Any], seen: tuple[ValvePosition, ...], pause_s: float | None
) -> None:
    assert asked_every(a_turn(*seen, **fields).state) == pause_s


def test_whoever_asks_of_an_unproven_valve_closes_it_too() -> None:
    turn = a_turn("open", "closed", phase="unproven")
    supervision._ask_often_enough(turn)
    assert SendClose(None) in turn.effects
    turn = a_turn("closed", "closed", intents=(held(),), phase="ordered")
    supervision._ask_often_enough(turn)
    assert SendClose(None) not in turn.effects


def test_a_valve_of_a_drained_garden_is_left_where_it_winters_unless_a_person_stopped() -> None:
    for fields, again in (({}, False), ({"stopped_by": "Ines"}, True)):
        turn = a_turn("open", "closed", phase="unproven", choices=(DRAINED,), **fields)
        turn.change(belief=UNKNOWN_LEVEL)
        assert closed_again(turn) == again
        turn.change(belief=replace(UNKNOWN_LEVEL, level_m=0.5), close_asked_mono_s=None)
        assert closed_again(turn)  # there is water after all
