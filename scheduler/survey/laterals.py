"""How long a lateral may be before its emitters give too unequally: found by solving longer and longer
ones."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from scheduler.hydraulics.network import zone_network
from scheduler.hydraulics.solve import solve
from scheduler.site.model import Emitter, Line, Point, Site, Zone

# Flow spread, largest less smallest over largest, that drip design allows along a lateral (common practice).
SPREAD_MAX = 0.10
EMITTERS_MAX = 512


@dataclass(frozen=True, slots=True)
class LateralLimit:
    """A line carried on at its own spacing and slope, alone behind its valve. ``emitters`` and ``length_m``
    are the most that keep ``SPREAD_MAX``; 0 when already two break it. ``more``: even ``EMITTERS_MAX`` keep
    it."""

    line: str
    length_m: float
    emitters: int
    more: bool


def longest_lateral(
    site: Site, zone: Zone, line: Line, level_m: float, *, spread: float = SPREAD_MAX
) -> LateralLimit | None:
    """The longest such lateral at a level. None for a line with fewer than three emitters or in a ring."""
    places = [(p.at_m, e) for p in line.points for e in p.emitters]
    if len(places) < 3 or line.end is not None:
        return None
    spacing = (places[-1][0] - places[0][0]) / (len(places) - 1)
    if spacing <= 0.0:
        return None
    drops = [p.at_m for p in line.points], [p.drop_m for p in line.points]
    first, last = (float(np.interp(places[i][0], *drops)) for i in (0, -1))
    slope = (last - first) / (places[-1][0] - places[0][0])
    k = float(np.mean([e.coefficient_lph for _, e in places]))
    middle = replace(places[len(places) // 2][1], coefficient_lph=k)

    def keeps(count: int) -> bool:
        made = _uniform(line, middle, count, spacing, first, slope)
        flow = solve(zone_network(site, replace(zone, lines=(made,))), level_m).flow_lph
        most = float(flow.max())
        return most > 0.0 and (most - float(flow.min())) / most <= spread

    count = _most(keeps)
    return LateralLimit(line.id, count * spacing, count, count == EMITTERS_MAX)


def _most(keeps: Callable[[int], bool]) -> int:
    """Largest count that keeps, by doubling and halving; 0 when two do not."""
    if not keeps(2):
        return 0
    low = 2
    while low < EMITTERS_MAX and keeps(2 * low):
        low *= 2
    if low >= EMITTERS_MAX:
        return EMITTERS_MAX
    high = 2 * low
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (middle, high) if keeps(middle) else (low, middle)
    return low


def _uniform(line: Line, emitter: Emitter, count: int, spacing_m: float, drop_m: float, slope: float) -> Line:
    """``count`` equal emitters from one spacing behind the valve on."""
    points = tuple(
        Point((i + 1) * spacing_m, drop_m + i * spacing_m * slope, (replace(emitter, id=f"e{i}"),))
        for i in range(count)
    )
    return replace(line, start=None, points=points, length_m=count * spacing_m)
