"""Rain -> litres caught, and what a full store lets go."""

from __future__ import annotations

from dataclasses import dataclass

from scheduler.site.model import Roof


@dataclass(frozen=True, slots=True)
class StoreDay:
    """A day of the store: litres held at its end, what it gave, what ran over."""

    held_l: float
    given_l: float
    overflow_l: float


def roof_catch_l(roof: Roof | None, rain_mm: float) -> float:
    """Litres that a day's rain brings to the barrels: plan area x (rain less first flush) x coefficient.

    The first flush is taken off once on each wet day. 0 without a roof. Raises ValueError for negative or
    nan rain: unknown rain is the caller's to decide.
    """
    if not rain_mm >= 0.0:
        raise ValueError(f"rain of {rain_mm} mm; a day's rain is 0 or more, and unknown rain is left out")
    if roof is None:
        return 0.0
    return roof.catchment_m2 * max(0.0, rain_mm - roof.first_flush_mm) * roof.runoff_coefficient


def overflow_l(held_l: float, inflow_l: float, full_l: float) -> float:
    """Litres that run over when ``inflow_l`` comes to a store that holds ``held_l`` of ``full_l``."""
    return max(0.0, held_l + inflow_l - full_l)


def draw_then_spill(held_l: float, inflow_l: float, wanted_l: float, full_l: float) -> StoreDay:
    """A day in which the draw comes before the rain counts: the cautious rule for the store's outlook.

    Yield after spillage (Fewkes and Butler 2000): Y = min(D, V), V' = min(V + Q - Y, S - Y).
    """
    given = min(wanted_l, held_l)
    held = min(held_l + inflow_l - given, full_l - given)
    return StoreDay(held, given, held_l + inflow_l - given - held)


def spill_then_draw(held_l: float, inflow_l: float, wanted_l: float, full_l: float) -> StoreDay:
    """A day in which the rain comes first, what is over the brim runs away, and then water is drawn."""
    spilt = overflow_l(held_l, inflow_l, full_l)
    stored = held_l + inflow_l - spilt
    given = min(wanted_l, stored)
    return StoreDay(stored - given, given, spilt)
