"""Connections that break again and again: as when a second program logs in under the same name.

MQTT 3.1.1 (3.1.4) makes a broker end the older connection of a client id when a newer one comes, and says
nothing of why; both then connect anew by turns. From here that looks like a connection that breaks soon after
it is made.
"""

from __future__ import annotations

from scheduler.control.alarms import WELL, Condition
from scheduler.control.events import NodeHeard
from scheduler.control.state import Turn

# So often within so long is no radio that was lost once (our choice).
BREAKS_TOLD = 5
BREAKS_WINDOW_S = 600.0
# A node that was up all the time is older by the time that passed, give or take a late state.
UP_SHARE = 0.5


def own_link_broke(turn: Turn) -> None:
    turn.change(broke_mono_s=_with_now(turn, turn.state.broke_mono_s))


def see_session(turn: Turn, heard: NodeHeard) -> None:
    """A new session of a node that was not started anew: its connection broke."""
    before = turn.state.node
    if before is None or before.session == heard.session:
        return
    passed_ms = 1000.0 * (turn.now.monotonic_s - before.heard_mono_s)
    if heard.uptime_ms - before.uptime_ms < UP_SHARE * passed_ms:
        return  # it was started anew
    turn.change(node_broke_mono_s=_with_now(turn, turn.state.node_broke_mono_s))


def _with_now(turn: Turn, times: tuple[float, ...]) -> tuple[float, ...]:
    now_s = turn.now.monotonic_s
    return (*(t for t in times if now_s - t < BREAKS_WINDOW_S), now_s)[-2 * BREAKS_TOLD :]


def breaking(turn: Turn) -> Condition:
    state = turn.state
    if not state.broke_mono_s and not state.node_broke_mono_s:
        return WELL
    own, node = _lately(turn, state.broke_mono_s), _lately(turn, state.node_broke_mono_s)
    most = max(own, node)
    who = "this service" if own >= node else f"the valve node {state.site.node.id}"
    return Condition(
        True if most >= BREAKS_TOLD else None if most else False,
        lambda: (
            f"{state.site.name}: the connection of {who} to the broker broke {most} times within "
            f"{BREAKS_WINDOW_S / 60:.0f} min."
        ),
        "Look whether a second program, or a copied card, logs in to the broker under the same name. If "
        "there is none, look at the network. If it is nobody of yours, change the broker's passwords.",
    )


def _lately(turn: Turn, times: tuple[float, ...]) -> int:
    return sum(turn.now.monotonic_s - t < BREAKS_WINDOW_S for t in times)
