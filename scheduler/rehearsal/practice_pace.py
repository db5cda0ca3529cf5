"""How fast a practice may run: fast while nothing happens, slowly around an order and while a valve moves.

The real programs must keep up, also on a busy machine: what they do takes real time, and much of what they
judge one another by is seconds of the garden.
"""

from __future__ import annotations

import math
from datetime import datetime, timedelta

from scheduler.control.ordering import RUN_GAP_S
from scheduler.control.pulses import next_run
from scheduler.control.state import State

# Virtual seconds in a real one. At rest a message takes some virtual minutes, which nothing minds; an order
# must be known to the node within 15 s and start within a minute, and a running valve is looked at every few
# seconds.
PACE_WAITING = 20.0
PACE_ORDERED = 4.0  # until the node has the order, which takes it a moment of real time
PACE_AT_REST = 30_000.0
PACE_BEFORE_ORDER = 500.0
PACE_RUNNING = 3_000.0
PACE_MOVING = 150.0
# Time runs fast only so far behind the last word of the node, in heartbeats, and then waits for the next: a
# busy or slow machine takes longer and changes nothing. (After three the daemon calls a node silent.)
HEARD_HEARTBEATS = 1.5
# A run is slowed down so long before its time is up, so that its end is seen as it happens.
BEFORE_END_S = 45.0
# So long before a planned start, and after it, an order is looked for.
BEFORE_ORDER = timedelta(minutes=4)
AFTER_START = timedelta(minutes=40)
# Towards that time the pace falls so that it is never nearer than this in real seconds: twenty looks.
APPROACH_S = 0.1
# From when an order may go out, time runs fast only so far past the last look at what happens: a look that a
# busy machine brings late finds the order no older than this and what has crawled by.
PAST_LOOK_S = 5.0
# An order names its latest start by the node's own clock, as the node's last word told it. So long before an
# order, in heartbeats, time crawls while such a word is under way: it must not be minutes old on arrival.
LISTEN_HEARTBEATS = 1.5
# The node speaks this much after its time at most.
SPEAKS_S = 1.0


def pace(state: State | None, wall: datetime, now_s: float, *, moving: bool, flowing: bool) -> float:
    """Virtual seconds in a real one. ``moving``: a valve is on its way; ``flowing``: water runs."""
    if state is None or state.node is None or state.plan is None:
        return PACE_WAITING
    if state.phase == "ordered" and not moving:
        return PACE_ORDERED
    if moving or state.phase == "unproven":
        return PACE_MOVING
    if state.intents:
        held = state.intents[0]
        ends_s = held.sent_mono_s + held.intent.order.open_ms / 1000.0
        near = now_s > ends_s - BEFORE_END_S
        return PACE_MOVING if near or not flowing else PACE_RUNNING
    run = next_run(state)
    if run is None or wall >= run.start + AFTER_START:
        return PACE_AT_REST
    ahead_s = (run.start - BEFORE_ORDER - wall).total_seconds()
    return min(PACE_AT_REST, max(PACE_BEFORE_ORDER, ahead_s / APPROACH_S))


def hold_from_s(
    state: State | None, began: datetime, heartbeat_s: float, now_s: float, booted_s: float
) -> float:
    """The second, counted from ``began``, from which on time crawls until it is asked again: where the node's
    next word is waited for, and where an order may go out before the next look. ``booted_s``: when the node's
    own clock stood at nothing."""
    if state is None or state.node is None:
        return math.inf
    heard_s = state.node.heard_mono_s + HEARD_HEARTBEATS * heartbeat_s
    run = next_run(state)
    if run is None or state.intents:
        return heard_s
    order_s = (run.start - began).total_seconds()
    if state.last_end_mono_s is not None:
        order_s = max(order_s, state.last_end_mono_s + RUN_GAP_S)
    if now_s > order_s + AFTER_START.total_seconds():
        return heard_s
    listen_s = order_s - LISTEN_HEARTBEATS * heartbeat_s
    if now_s < listen_s:
        return min(heard_s, listen_s)
    speaks_s = booted_s + state.node.uptime_ms / 1000.0 + heartbeat_s + SPEAKS_S
    return min(speaks_s, max(order_s, now_s + PAST_LOOK_S))
