"""The store stepped day by day through many ways the weather may go, all at once.

A *member* is one such way. Litres are those above the outlet. Each day the zones draw first, one after the
other, each down to its own floor; then a known leak takes its litres, as far as they are there; then the
roof's catch comes in, and what is over the brim is lost and counted. What is drawn is that of the cautious
rule, yield after spillage (Fewkes and Butler 2000): none of the day's own rain. Its room is not: that rule
spills first and so ends a wet day up to one draw lower, while a garden watered in the morning has made room
for the rain of the day.

The leak takes as much at every level, for where it is nobody knows. An orifice gives by the root of its head
(Torricelli): as the water falls this counts too much rather than too little, after a filling too little. What
evaporates past the lids was seen with the leak and is in it; else evaporation is left out.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from scheduler.site.model import Roof

Array = NDArray[np.float64]


def roof_catches_l(roof: Roof | None, rain_mm: Array) -> Array:
    """Litres that days of rain bring to the barrels; any shape, as ``roof.roof_catch_l`` for one day.

    ValueError for negative or nan rain: unknown rain is the caller's to decide.
    """
    if not np.all(rain_mm >= 0.0):
        raise ValueError("a day's rain is 0 mm or more, and unknown rain is left out")
    if roof is None:
        return np.zeros_like(rain_mm)
    caught: Array = (
        roof.catchment_m2 * roof.runoff_coefficient * np.maximum(0.0, rain_mm - roof.first_flush_mm)
    )
    return caught


@dataclass(frozen=True, slots=True, eq=False)
class DrawnDay:
    """A day of every member: ``given_l`` (members, zones); ``held_l`` at its end and ``overflow_l``
    (members)."""

    given_l: Array
    held_l: Array
    overflow_l: Array


def draw_then_catch(
    held_l: Array, wanted_l: Array, floors_l: Array, caught_l: Array, full_l: float, leak_l: float = 0.0
) -> DrawnDay:
    """One day. ``held_l`` and ``caught_l`` (members), ``wanted_l`` (members, zones) in the order in which the
    zones are served, ``floors_l`` (zones): litres below which a zone is not watered; ``leak_l``: what a leak
    takes in the day, as far as there is water."""
    given = np.zeros_like(wanted_l)
    left = held_l
    for zone in np.flatnonzero(wanted_l.any(axis=0)):
        given[:, zone] = np.minimum(wanted_l[:, zone], np.maximum(0.0, left - floors_l[zone]))
        left = left - given[:, zone]
    filled = np.maximum(left - leak_l, 0.0) + caught_l
    held = np.minimum(filled, full_l)
    return DrawnDay(given, held, filled - held)
