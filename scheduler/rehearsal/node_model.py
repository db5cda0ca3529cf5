"""The valve node in virtual time: keeps the order protocol's promises, moves the garden's valves, reports.

It speaks in the values of ``scheduler.control.orders`` and ``events``; the bytes and the signatures are the
business of ``scheduler.link`` and of the firmware, whose real core runs in the practice garden.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta
from statistics import median

from scheduler.control.events import NodeHeard
from scheduler.control.orders import (
    EndReason,
    Order,
    Refusal,
    RefusalReason,
    RunOutcome,
    ValvePosition,
    ValveStatus,
)
from scheduler.rehearsal.garden import TrueGarden
from scheduler.sensing.belief import LevelReading
from scheduler.site.model import Site

# While a valve is open the node looks at its sensor and reports this often. The protocol says each 10 s;
# a season in virtual time thins it, which gives the controller less to go by, not more.
OPEN_REPORT_S = 60.0
SUPPLY_MV = 12_600


@dataclass(slots=True)
class _Run:
    order: Order
    opened: datetime
    ends: datetime
    why: EndReason | None = None
    closed_ms: int = 0


class VirtualNode:
    """One node with all its valves. Feed it orders, ask when it next acts, let it act."""

    def __init__(self, site: Site, garden: TrueGarden, *, rest_report_s: float, open_report_s: float) -> None:
        self.site = site
        self.garden = garden
        self.session = f"virtual-{garden.truth.seed}"
        self.booted = garden.clock
        self.rest_report_s = rest_report_s
        self.open_report_s = open_report_s
        self.last_sequence = 0
        self._zone_of = {z.valve.channel: z.id for z in site.zones}
        self._shut = {channel: ValveStatus(channel, "closed") for channel in sorted(self._zone_of)}
        self.accepted: set[str] = set()
        self._run: _Run | None = None
        self._outcomes: dict[str, RunOutcome] = {}
        self._refusals: list[Refusal] = []
        self._refused_total = 0
        self._report_at = garden.clock
        self.shut_after_s: dict[str, float] = {}  # order id -> seconds from opening to shut, as it happened

    def uptime_ms(self) -> int:
        return int((self.garden.clock - self.booted).total_seconds() * 1000.0)

    def under_way(self) -> frozenset[str]:
        """Orders that run, or whose outcome waits for its receipt."""
        running = {self._run.order.order_id} if self._run is not None else set()
        return frozenset(running | set(self._outcomes))

    def holds_open(self) -> bool:
        return self._run is not None and self._run.why is None

    # -- orders

    def order(self, order: Order) -> None:
        """Take one order, or refuse it and say why in the next state."""
        self._report_at = self.garden.clock
        why = self._refusal(order)
        if why is not None:
            self._refusals.append(Refusal(why, order.order_id))
            self._refused_total += 1
            return
        self.last_sequence = order.sequence
        self.accepted.add(order.order_id)
        seconds = min(order.open_ms / 1000.0, self.site.node.longest_open_s)
        now = self.garden.clock
        self._run = _Run(order, now, now + timedelta(seconds=seconds))
        self.garden.open_valve(self._zone_of[order.channel])

    def close(self, channel: int | None) -> None:
        """A close is always obeyed."""
        self._report_at = self.garden.clock
        run = self._run
        if run is not None and channel in (None, run.order.channel):
            self._start_closing(run, "asked")

    def receipt(self, order_ids: tuple[str, ...]) -> None:
        for order_id in order_ids:
            self._outcomes.pop(order_id, None)

    def ask(self) -> None:
        self._report_at = self.garden.clock

    # -- time

    def next_at(self) -> datetime:
        """When the node next does something by itself."""
        run = self._run
        if run is None:
            return self._report_at
        if run.why is not None:
            return min(self._report_at, self.garden.travel_end(self._zone_of[run.order.channel]))
        return min(self._report_at, run.ends)

    def act(self, *, rest_report_s: float | None = None) -> NodeHeard | None:
        """Do what is due at the garden's clock; the state it reports, if one is due."""
        if rest_report_s is not None:
            self.rest_report_s = rest_report_s
        now = self.garden.clock
        run = self._run
        if run is not None and run.why is None and now >= run.ends:
            self._start_closing(run, "time_up")
        if run is not None and run.why is not None:
            self._finish_if_shut(run)
        if now < self._report_at:
            return None
        reading = self.garden.reading() if self.site.sensor is not None else None
        if run is not None and run.why is None and reading is not None:
            self._watch_level(run, reading)
        interval = self.open_report_s if self._run is not None else self.rest_report_s
        self._report_at = now + timedelta(seconds=interval)
        return self._state(reading)

    # -- inside

    def _refusal(self, order: Order) -> RefusalReason | None:
        if order.node != self.site.node.id:
            return "other_node"
        if order.session != self.session:
            return "old_session"
        if order.sequence <= self.last_sequence:
            return "old_sequence"
        if order.order_id in self.accepted:
            return "used_order"
        if order.start_by_uptime_ms < self.uptime_ms():
            return "too_late"
        if order.channel not in self._zone_of:
            return "no_such_valve"
        if self._run is not None:
            return "busy"
        return None

    def _start_closing(self, run: _Run, why: EndReason) -> None:
        if run.why is None:
            run.why = why
            run.closed_ms = round((self.garden.clock - run.opened).total_seconds() * 1000.0)
            self.garden.close_valve(self._zone_of[run.order.channel])

    def _finish_if_shut(self, run: _Run) -> None:
        zone = self._zone_of[run.order.channel]
        if self.garden.position(zone) > 0.0 or run.why is None:
            return
        order = run.order
        outcome = RunOutcome(order.order_id, order.channel, run.closed_ms, run.closed_ms, run.why)
        self._outcomes[order.order_id] = outcome
        self.shut_after_s[order.order_id] = (self.garden.clock - run.opened).total_seconds()
        self._run = None
        self._report_at = self.garden.clock

    def _watch_level(self, run: _Run, reading: LevelReading) -> None:
        order = run.order
        if order.low_raw is None or order.low_side is None:
            return
        value = median(reading.pings)
        past = value < order.low_raw if order.low_side == "below" else value > order.low_raw
        if past:
            self._start_closing(run, "low_level")

    def _state(self, reading: LevelReading | None) -> NodeHeard:
        refusals, self._refusals = tuple(self._refusals), []
        return NodeHeard(
            node=self.site.node.id,
            session=self.session,
            uptime_ms=self.uptime_ms(),
            last_sequence=self.last_sequence,
            valves=tuple(self._status(channel) for channel in self._shut),
            outcomes=tuple(self._outcomes.values()),
            refusals=refusals,
            refused_total=self._refused_total,
            supply_mv=SUPPLY_MV,
            reading=reading,
        )

    def _status(self, channel: int) -> ValveStatus:
        run = self._run
        if run is None or run.order.channel != channel:
            return self._shut[channel]
        seconds = (self.garden.clock - run.opened).total_seconds()
        opened_ms = run.closed_ms if run.why is not None else round(seconds * 1000.0)
        return ValveStatus(channel, self._position(run), run.order.order_id, opened_ms)

    def _position(self, run: _Run) -> ValvePosition:
        if run.why is not None:
            return "closing"
        return "open" if self.garden.position(self._zone_of[run.order.channel]) >= 1.0 else "opening"
