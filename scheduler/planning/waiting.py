"""Why a zone whose plants are due gets no dose today while water is short, and none is refused it."""

from __future__ import annotations

from typing import Literal

import numpy as np
from numpy.typing import NDArray

from scheduler.planning.doses import NEAR_D, PUT_OFF_SHARE, SURE, Coming, due_and_waiting, wants_mm
from scheduler.planning.garden_ahead import LEAST_L, GardenAhead
from scheduler.planning.plan import Reason
from scheduler.site.showing import show_share

Array = NDArray[np.float64]

# ``draws``: no plant is due by the usual dose; ``rain``: it is nearly sure to come;
# ``rain_in_mean``: it covers what they lack in the mean of the ways; ``no_room``: a useful dose is more than
# some soil of its zone takes.
WaitsFor = Literal["draws", "rain", "rain_in_mean", "no_room"]

WORDS: dict[WaitsFor, str] = {
    "draws": "its plants can still draw on what they have, and none falls short by tonight.",
    "rain": (
        f"in {show_share(SURE)} of the ways the weather may go, rain of the next {NEAR_D} days brings at "
        f"least {show_share(PUT_OFF_SHARE)} of what its due plants lack."
    ),
    "rain_in_mean": (
        "in the mean of the ways the weather may go, rain covers what its due plants lack and will use."
    ),
    "no_room": (
        "a useful dose for its due plants of the best rank is more than the soil of another of that rank in "
        "it takes."
    ),
}


def waits_for(garden: GardenAhead, root_mm: Array, ahead: Coming) -> tuple[WaitsFor, ...]:
    """By zone, what decided if it gets no dose on the first day, in the order of the rules of ``doses``.

    ``root_mm`` (1, plants): depletions that morning; ``ahead`` of one way. Meaningless where there is a dose.
    """
    table = garden.table
    due, rain = (flags[0] for flags in due_and_waiting(table, 0, root_mm, ahead))
    wants = table.gross_l(wants_mm(table, 0, root_mm, ahead))[0] >= LEAST_L
    due = due & (garden.shares > 0.0) & (table.gross_l(root_mm)[0] >= LEAST_L)

    def in_zones(flags: NDArray[np.bool_]) -> NDArray[np.bool_]:
        return np.asarray(np.logical_or.reduceat(flags, garden.first_rows))

    asks, waits, any_due = in_zones(due & ~rain & wants), in_zones(due & rain), in_zones(due)
    return tuple(
        "no_room" if a else "rain" if w else "rain_in_mean" if d else "draws"
        for a, w, d in zip(asks, waits, any_due, strict=True)
    )


def waits_while_short(waits: WaitsFor) -> Reason:
    """The reason as data and in words."""
    return Reason("rationed", f"While water is short it waits today: {WORDS[waits]}", (("waits_for", waits),))
