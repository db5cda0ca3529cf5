"""How closely a storm is looked at. The kinds of faults and requests, the water and the rules are the same at
either pace; how many come, and how often node and daemon speak, is not.

A coarse storm spares what finds little and costs most. Its node reports each two hours (three in a season),
while open only each few minutes, and its clock is off by 2 in 1,000 at the most, not in 100. So an order is
too blind only after hours, and hardly a fault lasts until a silent node is told: that is left to the fine
ones. The daemon asks for levels less often, looks at its store each four hours, fetches weather each twelve
and looks up only when a window begins or ends, in trouble each half hour; what fails it tries again each ten
minutes. It looks seldom at the weeks ahead, in few ways. Fewer steps are taken twice. A storm has 20 faults
and 3 to 7 requests for water, a fine one 60 and 10 to 24; a season has one window a day and large beds. So
thousands of storms fit into a change's time; what a pace of minutes can show, the fine ones show.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any

import scheduler.control.schedule as schedule
import scheduler.control.supervision as supervision
import scheduler.planning.spending as spending
from scheduler.control.shortage import Supply, supply_now
from scheduler.control.state import Turn
from tests.simulation.clockwork import HOUR, MINUTE, SECOND

Thinned = tuple[tuple[int, float], ...]


@dataclass(frozen=True)
class Pace:
    """``thinned``: what is done again and again comes so many seconds apart once nothing was new for so many
    ms; in a run the node speaks by itself: sooner. ``twice_every``: of so many steps one is taken twice;
    ``orders_twice``: of so many that give an order."""

    thinned: Thinned = ((5 * MINUTE, 150.0), (1 * MINUTE, 30.0))
    thinned_in_a_run: Thinned = ((2 * MINUTE, 150.0), (15 * SECOND, 30.0))
    twice_every: int = 50
    orders_twice: int = 1
    looks_each_hour: bool = True
    out_of_order_s: float = 0.0  # a garden out of order is looked at so often at the most
    tend_ms: int = 15 * MINUTE  # the service's loop looks at its store
    members: int = spending.MEMBERS
    horizon_d: int = spending.HORIZON_D
    little_past_d: int = spending.LITTLE_PAST_D
    looks_ahead_every: int = 1  # of so many plans one looks at the weeks ahead
    proof_ask_s: float = supervision.PROOF_ASK_S
    running_ask_s: float = supervision.RUNNING_ASK_S

    @contextmanager
    def kept(self) -> Iterator[None]:
        """The controller's own pace meanwhile."""
        ours = (
            (spending, "MEMBERS", self.members),
            (spending, "HORIZON_D", self.horizon_d),
            (spending, "LITTLE_PAST_D", self.little_past_d),
            (schedule, "supply_now", self._supply_now),
            (supervision, "PROOF_ASK_S", self.proof_ask_s),
            (supervision, "RUNNING_ASK_S", self.running_ask_s),
        )
        before = [(module, name, getattr(module, name)) for module, name, _ in ours]
        try:
            for module, name, value in ours:
                setattr(module, name, value)
            yield
        finally:
            for module, name, value in before:
                setattr(module, name, value)

    def _supply_now(self, turn: Turn, *given: Any, **named: Any) -> Supply | None:
        """The controller's own, or now and then what it is where nothing tells; by the hour, so that the same
        step taken twice does the same."""
        hours = 24 * turn.local_day.toordinal() + turn.now.wall.hour
        return supply_now(turn, *given, **named) if hours % self.looks_ahead_every == 0 else None


FINE = Pace()
COARSE = Pace(
    thinned=((5 * MINUTE, 600.0), (1 * MINUTE, 150.0), (15 * SECOND, 30.0)),
    thinned_in_a_run=((1 * MINUTE, 600.0), (15 * SECOND, 120.0)),
    twice_every=200,
    orders_twice=16,
    looks_each_hour=False,
    out_of_order_s=1800.0,
    tend_ms=4 * HOUR,
    members=4,
    horizon_d=3,
    little_past_d=3,
    looks_ahead_every=3,
    proof_ask_s=300.0,
    running_ask_s=300.0,
)
