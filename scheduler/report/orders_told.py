"""What became of a zone's orders on a day, where it was not simply what was planned: by the records."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from datetime import timedelta

from scheduler.control.effects import Booking, Intent
from scheduler.control.orders import EndReason
from scheduler.planning.plan import PlannedRun
from scheduler.site.model import Site
from scheduler.site.showing import show_duration, show_volume

# Runs wait for one another and for the level to rest; an order later than this is told (ours).
LATE = timedelta(minutes=30)
# An order for less than this part of the planned time is told (ours).
SHORT_SHARE = 0.8

# Why a run ended that its time did not end, as the node says.
ENDED_EARLY: Mapping[EndReason, str] = {
    "asked": "it was told to close, by a stop or by the service",
    "low_level": "the water stood at the floor of the store",
    "low_supply": "the supply voltage was low",
    "fault": "the valve did not obey",
    "restart": "the node restarted",
}


def orders_told(
    site: Site, run: PlannedRun | None, bookings: Sequence[Booking], intents: Sequence[Intent]
) -> list[str]:
    """Lines without a full stop. ``bookings``: the zone's of that day; ``run``: what was planned for it, its
    openings as one; ``intents``: the orders as they were sent."""
    nothing = Counter(_why(b) for b in bookings if b.open_s <= 0.0)
    told = [f"{n} order{'s' if n > 1 else ''} opened nothing: {why}" for why, n in nothing.items()]
    opened = [b for b in bookings if b.open_s > 0.0]
    sent = {i.order.order_id: i for i in intents}
    if run is not None and len(opened) == 1 and opened[0].order_id in sent:
        told += _ordered(site, run, sent[opened[0].order_id])
    for booking in opened:
        ended = ENDED_EARLY.get(booking.outcome.why) if booking.outcome is not None else None
        if ended is not None:
            told.append(f"A run ended after {show_duration(booking.open_s)}: {ended}")
        elif booking.outcome is None:
            told.append(f"A run is booked as the most that can have flowed: {_why(booking)}")
    return told


def _why(booking: Booking) -> str:
    return booking.note or "the reason was not written down"


def _ordered(site: Site, run: PlannedRun, intent: Intent) -> list[str]:
    """Of the one order that opened: whether it came late, or asked for less than the plan."""
    if intent.asked_by is not None:
        return []
    late, open_s = intent.made_at - run.start, intent.order.open_ms / 1000.0
    less = open_s < SHORT_SHARE * run.run_s
    if late < LATE and not less:
        return []
    at = f"{intent.made_at.astimezone(site.place.timezone):%H:%M %Z}"
    what = f"for {show_duration(open_s)} and {show_volume(intent.volume_l, site.units)}"
    late_words = f", {show_duration(late.total_seconds())} after the planned start" if late >= LATE else ""
    rest = ": what its window had left, or its plants still wanted" if late >= LATE and less else ""
    return [f"The order that opened the valve went out at {at}{late_words}, {what}{rest}"]
