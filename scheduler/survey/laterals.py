"""How long a lateral may be before its emitters give too unequally: found by solving longer and longer
ones."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from scheduler.hydraulics.constants import SI
from scheduler.hydraulics.network import Network, zone_network
from scheduler.hydraulics.newton import Asked, Hydraulics
from scheduler.site.model import Emitter, Line, Point, Site, Zone

# Flow spread, largest less smallest over largest, that drip design allows along a lateral (common practice).
SPREAD_MAX = 0.10
EMITTERS_MAX = 512
# Counts tried first, and how many at once to end with.
FIRST_COUNTS = (2, 4, 8, 16, 32)
ASKED_AT_ONCE = 12
# A guess goes no further than so many times; the shares of it that are tried: it is a few in a hundred off.
FURTHEST = 4.0
NEAR_SHARES = (0.85, 0.93, 0.98, 1.02, 1.07, 1.15, 1.5)
# Water for which emitters' curves hold, degC.
USUAL_C = 20.0


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

    two = zone_network(site, replace(zone, lines=(_two(line, middle, spacing, first, slope),)))
    networks: dict[int, Network] = {}

    def spreads(counts: Sequence[int]) -> list[float]:
        least = max(counts)
        size = min((n for n in networks if least <= n <= 2 * least), default=least)
        if size not in networks:
            networks[size] = _carried_on(two, size)
        return _spreads(networks[size], counts, level_m)

    count = _most(spreads, spread)
    return LateralLimit(line.id, count * spacing, count, count == EMITTERS_MAX)


def _most(spreads: Callable[[Sequence[int]], list[float]], allowed: float) -> int:
    """The largest count that keeps, the first that does not being one more; 0 when two do not."""
    low, high = 0, EMITTERS_MAX + 1
    known: dict[int, float] = {}
    counts: Sequence[int] = FIRST_COUNTS
    while counts:
        found = spreads(counts)
        known.update(zip(counts, found, strict=True))
        kept = _kept(counts, found, allowed)
        low = kept or low
        high = next((n for n in counts if n > low), high)
        counts = _next_counts(known, low, high, allowed)
    return low


def _next_counts(known: Mapping[int, float], low: int, high: int, allowed: float) -> list[int]:
    """Counts to ask next, between the last that keeps and the first that does not: all when they are few,
    else some about where the spread, as a power of the count, is the allowed one; where that points nowhere
    between, the middle. None: they are neighbours, or two do not keep."""
    between = high - low - 1
    if low == 0 or between == 0:
        return []
    if between <= ASKED_AT_ONCE:
        return list(range(low + 1, high))
    inside = [a for a in known if a <= low]
    a, b = (low, high) if high in known else (max(inside[:-1], default=low), low)
    spread_a, spread_b = known[a], known[b]
    middle = round(math.sqrt(low * high))
    if not (a < b and 0.0 < spread_a < spread_b < math.inf):
        return sorted({middle, high - 1})
    power = math.log(spread_b / spread_a) / math.log(b / a)
    times = math.log(allowed / spread_a) / power
    guess = min(a * math.exp(min(times, math.log(FURTHEST))), EMITTERS_MAX)
    near = {min(round(guess * share), EMITTERS_MAX) for share in NEAR_SHARES}
    return sorted(n for n in near if low < n < high) or [middle]


def _kept(counts: Sequence[int], found: Sequence[float], allowed: float) -> int:
    """The last of the counts before one that does not keep; 0: not the first."""
    kept = 0
    for count, each in zip(counts, found, strict=True):
        if each > allowed:
            break
        kept = count
    return kept


def _spreads(network: Network, counts: Sequence[int], level_m: float) -> list[float]:
    """Spread of the flows of the first so many emitters, those behind them shut; infinite when nothing flows.
    All counts are solved at once."""
    hydraulics = Hydraulics.of(network, USUAL_C, SI)
    wanted = np.array(counts)
    shut = np.arange(len(network.emitter_ids)) >= wanted[:, None]
    levels = np.full(len(wanted), max(level_m, 0.0))
    first = np.where(shut, 0.0, hydraulics.first_guess(levels))
    flows = hydraulics.settle(Asked(levels, None, shut | hydraulics.shut), first).flows
    found = []
    for row, count in zip(flows, counts, strict=True):
        most = float(row[:count].max())
        found.append((most - float(row[:count].min())) / most if most > 0.0 else np.inf)
    return found


def _two(line: Line, emitter: Emitter, spacing_m: float, drop_m: float, slope: float) -> Line:
    """Two equal emitters, one spacing and two behind the valve."""
    points = tuple(
        Point((i + 1) * spacing_m, drop_m + i * spacing_m * slope, (replace(emitter, id=f"e{i}"),))
        for i in range(2)
    )
    return replace(line, start=None, points=points, length_m=2 * spacing_m)


def _carried_on(two: Network, count: int) -> Network:
    """The network of two emitters in a row with its last piece of line laid on to ``count`` emitters."""
    more = count - 2
    node, step_m = len(two.node_elevation_m) - 1, float(np.diff(two.node_elevation_m[-2:])[0])
    on = np.arange(1, more + 1)

    def repeated(values: NDArray[Any]) -> NDArray[Any]:
        return np.concatenate([values, np.full(more, values[-1])])

    return replace(
        two,
        emitter_ids=(*two.emitter_ids, *(f"e{i}" for i in range(2, count))),
        emitter_plant=two.emitter_plant + two.emitter_plant[-1:] * more,
        k_m3s=repeated(two.k_m3s),
        exponent=repeated(two.exponent),
        activation_head_m=repeated(two.activation_head_m),
        emitter_node=np.concatenate([two.emitter_node, node + on]),
        node_elevation_m=np.concatenate([two.node_elevation_m, two.node_elevation_m[-1] + on * step_m]),
        pipe_from=np.concatenate([two.pipe_from, node + on - 1]),
        pipe_to=np.concatenate([two.pipe_to, node + on]),
        pipe_length_m=repeated(two.pipe_length_m),
        pipe_bore_m=repeated(two.pipe_bore_m),
        pipe_roughness_m=repeated(two.pipe_roughness_m),
        pipe_loss_k=repeated(two.pipe_loss_k),
        pipe_line=two.pipe_line + two.pipe_line[-1:] * more,
        cache={},
    )
