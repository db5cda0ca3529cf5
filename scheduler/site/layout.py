"""How a zone's lines lie: who begins on whom, and the drop at any place along a line."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

from scheduler.site.records import Record


@dataclass(frozen=True, slots=True)
class Outlet:
    """One emitter's place: the entry that describes it and its distance along the line."""

    record: Record  # a point, or an entry of ``inline``
    at_m: float
    drop_m: float | None


def lines_by_id(zone: Record) -> dict[str, Record]:
    """The first line of each id."""
    found: dict[str, Record] = {}
    for line in zone.many("line"):
        if (ident := line.get("id")) is not None:
            found.setdefault(ident, line)
    return found


def circle(line: Record, lines: dict[str, Record]) -> tuple[str, ...]:
    """The ids along which a line's beginning leads back to itself; empty when it reaches the valve."""
    seen: list[str] = []
    current: Record | None = line
    while current is not None and current.get("from") is not None:
        ident = current.get("id")
        if ident in seen:
            return tuple(seen[seen.index(ident) :])
        seen.append(ident)
        current = lines.get(current.get("from"))
    return ()


def knots(line: Record, lines: dict[str, Record]) -> list[tuple[float, float]]:
    """(distance, drop) pairs that are known along a line, by rising distance.

    The ends of a line that lie on other lines take their drop from there.
    """
    if circle(line, lines):
        return []
    known = {p.get("at"): p.get("drop") for p in line.many("points")}
    found = {at: drop for at, drop in known.items() if at is not None and drop is not None}
    length = line.get("length")
    for at, where, distance in ((0.0, "from", "from_at"), (length, "to", "to_at")):
        other = lines.get(line.get(where))
        if other is None or other is line or at is None or line.get(distance) is None or at in found:
            continue
        drop = drop_at(other, line.get(distance), lines)
        if drop is not None:
            found[at] = drop
    return sorted(found.items())


def drop_at(line: Record, at_m: float, lines: dict[str, Record]) -> float | None:
    """Drop at a distance, interpolated, level beyond what was surveyed; None: nothing was."""
    known = knots(line, lines)
    if not known:
        return None
    if at_m <= known[0][0]:
        return known[0][1]
    for (at0, drop0), (at1, drop1) in pairwise(known):
        if at_m <= at1:
            return drop0 + (drop1 - drop0) * (at_m - at0) / (at1 - at0)
    return known[-1][1]


def inline_places(entry: Record, line_length_m: float | None) -> tuple[float, ...]:
    """Distances of the emitters of one ``inline`` entry; empty when they cannot be told."""
    every, first, count, last = (entry.get(n) for n in ("every", "first", "count", "last"))
    if every is None or first is None:
        return ()
    if count is not None:
        return tuple(round(first + n * every, 6) for n in range(count))
    end = last if last is not None else line_length_m
    if end is None or end < first:
        return ()
    # A hair's breadth of tolerance, so that a distance that divides evenly keeps its last emitter.
    return tuple(round(first + n * every, 6) for n in range(int((end - first) / every + 1e-9) + 1))


def outlets(line: Record, lines: dict[str, Record]) -> list[Outlet]:
    """Every emitter of a line by rising distance."""
    found = [
        Outlet(p, p.get("at"), p.get("drop"))
        for p in line.many("points")
        if p.get("at") is not None and p.get("emitter") is not None
    ]
    for entry in line.many("inline"):
        places = inline_places(entry, line.get("length"))
        found += [Outlet(entry, at, drop_at(line, at, lines)) for at in places]
    return sorted(found, key=lambda o: o.at_m)
