"""How closely a storm is looked at. Faults, requests, water and rules are the same at either pace.

A coarse storm spares what finds little and costs most: its node reports each hour (each three in a season)
and while open only each few minutes, the daemon asks for levels less often and looks up only when a window
begins or ends, and its look at the weeks ahead tries fewer ways. So thousands of storms fit into a change's
time; what a pace of minutes can show, the fine ones show.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass

import scheduler.control.supervision as supervision
import scheduler.planning.spending as spending
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
    proof_ask_s: float = supervision.PROOF_ASK_S
    running_ask_s: float = supervision.RUNNING_ASK_S

    @contextmanager
    def kept(self) -> Iterator[None]:
        """The controller's own pace meanwhile."""
        ours = (
            (spending, "MEMBERS", self.members),
            (spending, "HORIZON_D", self.horizon_d),
            (spending, "LITTLE_PAST_D", self.little_past_d),
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


FINE = Pace()
COARSE = Pace(
    thinned=((5 * MINUTE, 600.0), (1 * MINUTE, 150.0), (15 * SECOND, 30.0)),
    thinned_in_a_run=((1 * MINUTE, 600.0), (15 * SECOND, 120.0)),
    twice_every=100,
    orders_twice=8,
    looks_each_hour=False,
    out_of_order_s=1800.0,
    tend_ms=2 * HOUR,
    members=4,
    horizon_d=3,
    little_past_d=3,
    proof_ask_s=300.0,
    running_ask_s=300.0,
)
