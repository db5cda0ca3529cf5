"""The rules that hold in every state, watched from outside: this shares no code with the controller."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from datetime import date, datetime, tzinfo
from itertools import pairwise

from scheduler.control.effects import Alert, Booking, Intent
from scheduler.control.orders import Order
from scheduler.rehearsal.true_run import TrueRun

# Report resolution of the node, and the step of the virtual garden, together (chosen here).
TIME_SLACK_S = 1.0


def one_valve_at_a_time(runs: Sequence[TrueRun], closing_s: dict[str, float]) -> Iterable[str]:
    """No run begins before the one before it is shut."""
    in_order = sorted(runs, key=lambda r: r.opened)
    for before, after in pairwise(in_order):
        gap = (after.opened - before.opened).total_seconds() - before.open_s - closing_s[before.zone]
        if gap < -TIME_SLACK_S:
            yield f"{after.zone} opened at {after.opened:%Y-%m-%d %H:%M} while {before.zone} was not shut"


def open_no_longer_than_ordered(
    orders: Sequence[Order], shut_after_s: dict[str, float], travel_s: dict[int, float]
) -> Iterable[str]:
    """From opening to shut: the order's time and the valve's travel."""
    by_id = {o.order_id: o for o in orders}
    for order_id, seconds in shut_after_s.items():
        order = by_id[order_id]
        allowed = order.open_ms / 1000.0 + travel_s[order.channel] + TIME_SLACK_S
        if seconds > allowed:
            yield f"order {order_id} held its valve open {seconds:.0f} s, allowed {allowed:.0f} s"


def booked_once(
    intents: Sequence[Intent], bookings: Sequence[Booking], *, under_way: frozenset[str]
) -> Iterable[str]:
    """Every intended order is booked exactly once, apart from one still under way; nothing else is booked."""
    counts = Counter(b.order_id for b in bookings)
    known = {i.order.order_id for i in intents}
    for order_id, count in counts.items():
        if count > 1:
            yield f"order {order_id} was booked {count} times"
        if order_id not in known:
            yield f"order {order_id} was booked but never intended"
    for order_id in known - set(counts) - under_way:
        yield f"order {order_id} was never booked"


def intent_before_order(sequence: Sequence[tuple[str, str]]) -> Iterable[str]:
    """``sequence`` of ("intent" | "order", id): each order stands after its intent."""
    intended: set[str] = set()
    for kind, order_id in sequence:
        if kind == "intent":
            intended.add(order_id)
        elif order_id not in intended:
            yield f"order {order_id} was sent before its intent was recorded"


def told_once_a_day(alerts: Sequence[Alert], zone: tzinfo) -> Iterable[str]:
    """Nobody is told the same thing twice in a local day."""
    seen: set[tuple[str, str, date]] = set()
    for alert in alerts:
        key = (alert.kind, alert.subject, alert.at.astimezone(zone).date())
        if key in seen:
            yield f"{alert.kind} {alert.subject!r} was told twice on {key[2]}"
        seen.add(key)


def above_the_reserve(runs: Sequence[TrueRun], reserve_m: float, floor_m: dict[str, float]) -> Iterable[str]:
    """No run of ours takes the true level below the reserve or the level at which its worst emitter stops."""
    for run in runs:
        for what, least in (("reserve", reserve_m), ("worst emitter's level", floor_m[run.zone])):
            if run.lowest_level_m < least - 1e-6:
                by_mm = 1000.0 * (least - run.lowest_level_m)
                yield f"{run.zone} at {run.opened:%Y-%m-%d %H:%M} went {by_mm:.1f} mm below the {what}"
                break


def told_before_empty(alerts: Sequence[Alert], reached: datetime | None) -> Iterable[str]:
    """Before the store first reaches its floor, somebody was told that it would."""
    if reached is None:
        return
    warned = [a for a in alerts if a.kind in ("near_empty", "runs_out") and a.at < reached]
    if not warned:
        yield f"the store reached its floor on {reached:%Y-%m-%d} and nobody had been told"
