"""What the node says, and what its silence means: from each authentic state to phase, books and level."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

from scheduler.control import ledger
from scheduler.control.effects import Note, RecordAnswer, RecordReading, SendAsk, SendClose, SendReceipt
from scheduler.control.events import NodeHeard
from scheduler.control.links import see_session
from scheduler.control.meter import count_run, see_meter
from scheduler.control.openings import confirm_shut
from scheduler.control.ordering import START_WITHIN_MS
from scheduler.control.orders import ValvePosition, ValveStatus
from scheduler.control.pulses import tried_again
from scheduler.control.refusals import count_strange, hear_refusals, see_unreached
from scheduler.control.schedule import FRESH_HEARTBEATS
from scheduler.control.state import NodeView, OpenIntent, State, Turn
from scheduler.control.transitions import Sight, next_phase
from scheduler.control.winter import rests_dry
from scheduler.sensing.belief import LevelBelief, LevelReading
from scheduler.sensing.level import belief_at, fresh_track, take_reading, valve_moved

# Silence for so many heartbeats and the node counts as unheard.
SILENT_HEARTBEATS = FRESH_HEARTBEATS + 1
# After an order's last possible end the node has this long to say that the valve is shut.
REPORT_SLACK_S = 60.0
# How often to ask and to close while a valve is not proven shut, and while an order is under way.
INSIST_S = 10.0
# While its valve is open a node reports by itself; it is asked when it was silent for so long.
RUNNING_ASK_S = 60.0
# Readings this far in the future mean that the wall clock went back.
CLOCK_SLACK = timedelta(seconds=90)
# A valve in fault is left to its node, which tries again by itself after five minutes, three times: the close
# that begins this anew comes ever more rarely, so that the motor rests (our choice). A node in a new session,
# which may have started anew, gets its close at once.
FAULT_INSIST_S = 300.0
FAULT_INSIST_S_MAX = 3600.0
# So often doubled the pause is at its longest; a valve may stay in fault for months.
FAULT_DOUBLINGS_MAX = 4
FAULT_ASK_S = 60.0

# A node's crystal may be off by this much; so well is known what its uptime should be.
CRYSTAL_SHARE = 0.05

STOP_CONFIRMED = "Stopped; the node confirms that every valve is shut."

MOVING: frozenset[ValvePosition] = frozenset({"opening", "open", "closing"})


def hear_node(turn: Turn, heard: NodeHeard) -> None:
    """One authentic state of the node."""
    if heard.node != turn.state.site.node.id:
        turn.emit(
            Note(f"A state of node {heard.node} was passed over; this garden's is {turn.state.site.node.id}.")
        )
        return
    before = turn.state.node
    _note_restart(turn, heard)
    see_session(turn, heard)
    _see_node(turn, heard)
    hear_refusals(turn, heard, before)
    see_unreached(turn, heard)
    see_meter(turn, heard)
    _hear_outcomes(turn, heard)
    _move(turn, _sight(turn.state, heard.valves))
    _settle_orders(turn, heard)
    if heard.reading is not None:
        hear_level(turn, heard.reading)
    else:
        age_belief(turn)
    _insist_on_shut(turn)
    _confirm_stop(turn)
    confirm_shut(turn)


def _note_restart(turn: Turn, heard: NodeHeard) -> None:
    node = turn.state.node
    if node is None or node.session != heard.session:
        cause = f", last reset: {heard.reset_cause}" if heard.reset_cause else ""
        turn.change(closes_at_fault=0, close_asked_mono_s=None)  # it may be another life: close anew, at once
        turn.emit(Note(f"Node {heard.node} is heard (session {heard.session[:6]}{cause})."))


def _see_node(turn: Turn, heard: NodeHeard) -> None:
    _count_lost(turn, heard)
    turn.change(
        node=NodeView(
            session=heard.session,
            uptime_ms=heard.uptime_ms,
            heard_mono_s=turn.now.monotonic_s,
            last_sequence=heard.last_sequence,
            valves=heard.valves,
            supply_mv=heard.supply_mv,
            closes_repeated=heard.closes_repeated,
            outcomes_dropped=heard.outcomes_dropped,
            refused_total=heard.refused_total,
            flow_pulses=heard.flow_pulses,
        ),
        silent_since_mono_s=turn.now.monotonic_s,
    )


def _count_lost(turn: Turn, heard: NodeHeard) -> None:
    """Closes played back to the node count as refusals: they harm nothing, but somebody sends them. Ended
    runs that it had no room to keep are water that the books may miss."""
    before = turn.state.node
    if before is None or before.session != heard.session:
        return  # counters of another life say nothing of now
    repeated = heard.closes_repeated - before.closes_repeated
    if repeated > 0:
        count_strange(turn, repeated)
        turn.emit(Note(f"The node heard {repeated} old close order(s) again, as from a recording."))
    dropped = heard.outcomes_dropped - before.outcomes_dropped
    if dropped > 0:
        turn.change(records_lost=(turn.local_day, dropped))
        turn.emit(Note(f"The node had no room to keep how {dropped} run(s) ended."))


def hear_level(turn: Turn, reading: LevelReading) -> None:
    """One reading of the level sensor, taken with the flow that the open valve should draw."""
    _mend_track(turn)
    state = turn.state
    track, belief = take_reading(state.track, reading, state.site, drawing_lph=drawing_lph(state))
    turn.change(track=track)
    believe(turn, belief)
    turn.emit(RecordReading(reading, belief))


def age_belief(turn: Turn) -> None:
    """Let the belief grow old while no reading comes."""
    _mend_track(turn)
    believe(turn, belief_at(turn.state.track, turn.state.site, turn.now.wall))


def _mend_track(turn: Turn) -> None:
    """After the wall clock went back, readings seem to come from the future: begin the track anew."""
    track = turn.state.track
    if track.last_at is not None and track.last_at - turn.now.wall > CLOCK_SLACK:
        turn.change(
            track=replace(fresh_track(), offset_m=track.offset_m, offset_sd_m=track.offset_sd_m), proof=None
        )


def believe(turn: Turn, belief: LevelBelief) -> None:
    if belief.known:
        turn.change(belief=belief, last_known=belief, unknown_since_mono_s=turn.now.monotonic_s)
    else:
        turn.change(belief=belief)


def drawing_lph(state: State) -> float:
    """The flow out of the tank by the model, through whatever valve is open now; 0 when all are shut."""
    if state.node is None or state.belief.level_m is None:
        return 0.0
    channels = {v.channel for v in state.node.valves if v.position in MOVING}
    if not channels:
        return 0.0
    flow = 0.0
    for zone in state.site.zones:
        if zone.valve.channel in channels:
            flow += (
                state.model.zones[zone.id].curve.total_lph(state.belief.level_m)
                * state.flow_factor(zone.id).value
            )
    return flow


def _hear_outcomes(turn: Turn, heard: NodeHeard) -> None:
    for outcome in heard.outcomes:
        held = next((h for h in turn.state.intents if h.intent.order.order_id == outcome.order_id), None)
        if held is not None:
            ledger.book_outcome(turn, held, outcome)
            count_run(turn, held, outcome)
            turn.change(track=valve_moved(turn.state.track, turn.now.wall, turn.state.site, drawing_lph=0.0))
        elif outcome.order_id not in turn.state.booked:
            ledger.book_stranger(turn, outcome)
    if heard.outcomes:
        turn.emit(SendReceipt(tuple(o.order_id for o in heard.outcomes)))


def _sight(state: State, valves: tuple[ValveStatus, ...]) -> Sight:
    ours = {h.intent.order.order_id for h in state.intents}
    if any(v.position == "fault" for v in valves):
        return "fault"
    # A valve that is closing is on its way to where it belongs, whoever sent it; a jam becomes "fault". One
    # that was not where it should be is at fault until it has arrived: it may jam again half-way.
    harmless = ("closed",) if state.phase == "unproven" else ("closed", "closing")
    astray = [v for v in valves if v.position not in harmless and v.order_id not in ours]
    if astray:
        return "stray"
    return "our_run" if any(v.position != "closed" for v in valves) else "all_shut"


def _move(turn: Turn, sight: Sight) -> None:
    before = turn.state.phase
    after = next_phase(before, sight)
    if sight == "all_shut" and turn.state.closes_at_fault:
        turn.change(closes_at_fault=0)
    if sight == "all_shut" and turn.state.track.drawing_lph > 0.0:
        # The last reading came while a valve was closing; none may come for long.
        turn.change(track=valve_moved(turn.state.track, turn.now.wall, turn.state.site, drawing_lph=0.0))
    if sight == "our_run":
        turn.change(intents=tuple(replace(h, seen_running=True) for h in turn.state.intents))
    if sight == "our_run" and before != "running":
        flow = drawing_lph(turn.state)
        turn.change(track=valve_moved(turn.state.track, turn.now.wall, turn.state.site, drawing_lph=flow))
    if before != after and after == "unproven":
        turn.emit(Note("A valve is not where it should be; closing all."))
    if after != before:
        turn.change(phase=after)


def _settle_orders(turn: Turn, heard: NodeHeard) -> None:
    """With every valve shut, an order either ended (booked above), never began, or its end is lost."""
    if any(v.position != "closed" for v in heard.valves):
        return
    for held in turn.state.intents:
        if _may_still_start(held, heard):
            continue
        if held.seen_running or _restarted_since(turn, held, heard):
            ledger.book_lost(turn, held)
        else:
            ledger.book_nothing(turn, held, "it never began")
            turn.change(zones_done=tried_again(turn.state, held.intent.zone))
    if not turn.state.intents and turn.state.phase in ("ordered", "running"):
        turn.change(phase=next_phase(turn.state.phase, "order_over"))


def _may_still_start(held: OpenIntent, heard: NodeHeard) -> bool:
    """The node may not have had the order yet: same session, sequence not reached, latest start not past."""
    order = held.intent.order
    if heard.session != order.session or heard.last_sequence >= order.sequence:
        return False
    return heard.uptime_ms <= order.start_by_uptime_ms


def _restarted_since(turn: Turn, held: OpenIntent, heard: NodeHeard) -> bool:
    """Whether the node was started anew after the order was made. Its uptime says so, whatever the wall clock
    says; only a node that is up for long again, after this service was started anew, is judged by that."""
    order = held.intent.order
    if heard.session == order.session:
        return False
    slack_ms = CRYSTAL_SHARE * FRESH_HEARTBEATS * turn.state.site.node.heartbeat_s * 1000
    if heard.uptime_ms < order.start_by_uptime_ms - START_WITHIN_MS - slack_ms:
        return True
    passed_s = turn.now.monotonic_s - held.sent_mono_s
    if held.restored:
        passed_s = (turn.now.wall - held.intent.made_at).total_seconds()
        if turn.now.trust == "unknown" or passed_s < 0.0:
            return True  # nobody can know: what may have flowed is booked
    return heard.uptime_ms < passed_s * 1000


def _insist_on_shut(turn: Turn) -> None:
    """Close what stands open without an order of ours, or against a person's stop; again until it is shut."""
    state = turn.state
    held = state.stopped_by is not None or state.leaving or bool(state.confirm_shut)
    open_now = state.node is not None and any(v.position != "closed" for v in state.node.valves)
    if state.phase != "unproven" and not (held and open_now):
        return
    if rests_dry(state.choices, state.belief.level_m) and not held:
        return  # turned by hand to where it winters
    last = state.close_asked_mono_s
    at_fault = _at_fault(state)
    pause_s = INSIST_S
    if at_fault and state.closes_at_fault > 0:
        doublings = min(state.closes_at_fault - 1, FAULT_DOUBLINGS_MAX)
        pause_s = min(FAULT_INSIST_S_MAX, FAULT_INSIST_S * 2.0**doublings)
    if last is None or turn.now.monotonic_s - last >= pause_s:
        closes = state.closes_at_fault + 1 if at_fault else 0
        turn.change(close_asked_mono_s=turn.now.monotonic_s, closes_at_fault=closes)
        turn.emit(SendClose(None), SendAsk())


def _at_fault(state: State) -> bool:
    """Whether a valve is in fault, or is driven closed once more after one, and no other one is anywhere but
    shut."""
    positions = {v.position for v in state.node.valves} if state.node is not None else set()
    if state.closes_at_fault > 0 and "closing" in positions:
        return positions <= {"fault", "closing", "closed"}
    return "fault" in positions and positions <= {"fault", "closed"}


def _confirm_stop(turn: Turn) -> None:
    state = turn.state
    if not state.confirm_stop or state.phase != "at_rest":
        return
    for request_id in state.confirm_stop:
        turn.emit(RecordAnswer(request_id, turn.now.wall, True, STOP_CONFIRMED))
    turn.change(confirm_stop=())


def watch_silence(turn: Turn) -> None:
    """What time alone shows: an order past its end, a node not heard."""
    state, now_s = turn.state, turn.now.monotonic_s
    if state.phase in ("ordered", "running") and any(is_overdue(state, h, now_s) for h in state.intents):
        turn.change(phase=next_phase(state.phase, "overdue"))
        turn.emit(Note("The order's time is over and the node has not said that the valve is shut."))
    limit_s = SILENT_HEARTBEATS * state.site.node.heartbeat_s
    if (
        turn.state.phase != "unheard"
        and now_s - state.silent_since_mono_s > limit_s
        and not turn.state.intents
    ):
        turn.change(phase=next_phase(turn.state.phase, "silent"))
        turn.emit(Note(f"Node {state.site.node.id} has been silent for {limit_s / 60:.0f} min."))
    _ask_often_enough(turn)


def is_overdue(state: State, held: OpenIntent, now_mono_s: float) -> bool:
    """Whether even a late start of this order would have ended, with its travel, long enough ago."""
    valve = state.site.zone(held.intent.zone).valve
    longest_s = (held.intent.order.open_ms + START_WITHIN_MS) / 1000 + valve.opening_s + 2 * valve.closing_s
    return now_mono_s - held.sent_mono_s > longest_s + REPORT_SLACK_S


def _ask_often_enough(turn: Turn) -> None:
    """Ask for a state while something is under way, while a run is being proven, and when none came."""
    state, now_s = turn.state, turn.now.monotonic_s
    if now_s < state.ask_at_mono_s or not state.connected:
        return
    unwanted = state.stopped_by is not None or state.leaving or bool(state.confirm_shut)
    if state.phase == "running" and state.intents and not unwanted:
        pause_s = RUNNING_ASK_S
        if now_s - state.silent_since_mono_s < pause_s:
            return  # it reports by itself
    elif state.intents or state.phase == "unproven":
        pause_s = FAULT_ASK_S if _at_fault(state) and state.closes_at_fault > 0 else INSIST_S
    elif state.proof is not None and now_s - state.proof.ended_mono_s < PROOF_READ_S:
        pause_s = PROOF_ASK_S
    else:
        pause_s = state.site.node.heartbeat_s
        if now_s - state.silent_since_mono_s < pause_s:
            return
    turn.change(ask_at_mono_s=now_s + pause_s)
    turn.emit(SendAsk())
    if state.phase == "unproven":
        _insist_on_shut(turn)


# For so long after a run the level is asked for this often, so that its end is known to a few litres.
PROOF_READ_S = 900.0
PROOF_ASK_S = 60.0
