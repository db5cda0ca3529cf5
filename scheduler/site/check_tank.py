"""Whether the barrels, the outlet, the sensor and the roof can be as the file says."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

from scheduler.site.fields import did_you_mean
from scheduler.site.records import Record
from scheduler.site.showing import show_length, show_volume

# Which measures a barrel of each shape has, and of these which must be given.
_MEASURES = {
    "upright": ({"diameter", "height"}, ("diameter", "height")),
    "lying": ({"diameter", "length", "height"}, ("diameter", "length")),
    "box": ({"length", "width", "height"}, ("length", "width", "height")),
}


@dataclass(frozen=True, slots=True)
class _Stand:
    """A barrel's ids and the heights of its bottom and its brim above the datum."""

    ids: tuple[str, ...]
    base_m: float
    brim_m: float


def barrel_ids(record: Record) -> tuple[str, ...]:
    """``drum`` with a count of 3 stands for drum-1, drum-2, drum-3."""
    ident, count = record.get("id"), record.get("count")
    if ident is None or count is None:
        return ()
    return (ident,) if "count" not in record.given else tuple(f"{ident}-{n + 1}" for n in range(count))


def water_depth_m(record: Record) -> float | None:
    """Depth at which a barrel overflows; a lying drum with no height given is full to its diameter."""
    name = "diameter" if record.get("height") is None and record.get("shape") == "lying" else "height"
    depth: float | None = record.get(name)
    return depth


def check_tank(site: Record) -> None:
    tank = site.one("tank")
    if tank is None:
        return
    barrels = tank.many("barrel")
    for barrel in barrels:
        _check_measures(barrel)
    _check_ids(barrels)
    stands = list(_stands(barrels))
    if len(stands) == len(barrels) and stands:
        _check_heights(tank, barrels, stands)
    _check_reserve(tank, barrels)
    if tank.one("link") is not None and sum(b.get("count") or 1 for b in barrels) == 1:
        tank.wrong(
            "link", "one barrel has nothing to be linked with: take [tank.link] out, or add the barrels"
        )
    _check_sensor(site, barrels, stands)


def _check_measures(barrel: Record) -> None:
    shape = barrel.get("shape")
    if shape is None:
        return
    allowed, needed = _MEASURES[shape]
    for name in needed:
        if name not in barrel.given:
            barrel.wrong(name, f'it is missing: a barrel of shape "{shape}" needs {" and ".join(needed)}')
    for name in ("diameter", "height", "length", "width"):
        if name in barrel.given and name not in allowed:
            barrel.wrong(name, f'a barrel of shape "{shape}" has no {name}: it needs {" and ".join(needed)}')
    diameter, height = barrel.get("diameter"), barrel.get("height")
    if shape == "lying" and diameter is not None and height is not None and height > diameter:
        barrel.wrong("height", f"a lying drum cannot be deeper than its diameter of {show_length(diameter)}")


def _check_ids(barrels: tuple[Record, ...]) -> None:
    seen: set[str] = set()
    for barrel in barrels:
        for ident in barrel_ids(barrel):
            if ident in seen:
                barrel.wrong("id", f'another barrel is called "{ident}" already: choose another name')
                break
            seen.add(ident)


def _stands(barrels: tuple[Record, ...]) -> Iterator[_Stand]:
    for barrel in barrels:
        base, depth = barrel.get("base_height"), water_depth_m(barrel)
        if base is not None and depth is not None and barrel_ids(barrel):
            yield _Stand(barrel_ids(barrel), base, base + depth)


def brim_m(site: Record) -> float | None:
    """Height above the datum at which the first barrel overflows; None when it cannot be told."""
    tank = site.one("tank")
    barrels = tank.many("barrel") if tank else ()
    stands = list(_stands(barrels))
    return min(s.brim_m for s in stands) if stands and len(stands) == len(barrels) else None


def _check_heights(tank: Record, barrels: tuple[Record, ...], stands: list[_Stand]) -> None:
    outlet = tank.get("outlet_height")
    first, brim = stands[0], min(s.brim_m for s in stands)
    if outlet is not None and outlet >= brim:
        tank.wrong(
            "outlet_height", f"the outlet lies above the brim at {show_length(brim)}: no water reaches it"
        )
    elif outlet is not None and outlet < first.base_m:
        tank.wrong(
            "outlet_height",
            f'the outlet lies below the bottom of barrel "{first.ids[0]}" at {show_length(first.base_m)}; '
            "heights are measured above the datum",
        )
    for barrel, stand in zip(barrels, stands, strict=True):
        if stand.base_m >= brim:
            barrel.wrong(
                "base_height",
                f"this barrel stands above the brim of the lowest at {show_length(brim)}: it never fills",
            )


def _check_reserve(tank: Record, barrels: tuple[Record, ...]) -> None:
    outlet, reserve = tank.get("outlet_height"), tank.get("reserve")
    stored = [_volume_above_l(b, outlet) for b in barrels] if outlet is not None else [None]
    known = [v for v in stored if v is not None]
    if reserve is None or not barrels or len(known) < len(stored):
        return
    total_l = sum(known)
    if reserve >= total_l > 0:
        tank.wrong(
            "reserve", f"the barrels hold only {show_volume(total_l)} above the outlet: keep back less"
        )


def _volume_above_l(barrel: Record, height_m: float) -> float | None:
    """Litres that full barrels of a count hold above a height; None: a measure is missing."""
    depth, base, count = water_depth_m(barrel), barrel.get("base_height"), barrel.get("count")
    if depth is None or base is None or count is None:
        return None
    below_m = min(max(height_m - base, 0.0), depth)
    shape, diameter, length, width = (barrel.get(n) for n in ("shape", "diameter", "length", "width"))
    if shape == "upright" and diameter:
        area = math.pi * diameter**2 / 4
        return float(1000 * count * area * (depth - below_m))
    if shape == "box" and length and width:
        return float(1000 * count * length * width * (depth - below_m))
    if shape == "lying" and length and diameter and depth <= diameter:
        return float(1000 * count * length * (_segment_m2(depth, diameter) - _segment_m2(below_m, diameter)))
    return None


def _segment_m2(depth_m: float, diameter_m: float) -> float:
    """Area of a circle's segment up to a depth."""
    radius = diameter_m / 2
    angle = math.acos(max(-1.0, min(1.0, 1 - depth_m / radius)))
    return radius**2 * (angle - math.sin(angle) * math.cos(angle))


def _check_sensor(site: Record, barrels: tuple[Record, ...], stands: list[_Stand]) -> None:
    sensor = site.one("sensor")
    if sensor is None:
        return
    kind, name = sensor.get("kind"), sensor.get("barrel")
    known = [ident for b in barrels for ident in barrel_ids(b)]
    if name is not None and known and name not in known:
        sensor.wrong("barrel", f"there is no such barrel; {did_you_mean(name, known)}")
    if kind == "echo" and "scale" in sensor.given:
        sensor.wrong("scale", "an echo sensor reports microseconds and needs no scale: take it out")
    if kind in ("pressure", "float") and "scale" not in sensor.given:
        sensor.wrong(
            "scale", f'it is missing: a {kind} sensor needs the level per count, such as scale = "0.5 mm"'
        )
    stand = next((s for s in stands if name in s.ids), stands[0] if stands and name is None else None)
    mount = sensor.get("mount_height")
    if stand is None or mount is None:
        return
    if kind == "echo" and mount <= stand.brim_m:
        sensor.wrong("mount_height", f"an echo face must hang above the brim at {show_length(stand.brim_m)}")
    if kind == "pressure" and not stand.base_m <= mount < stand.brim_m:
        span = f"{show_length(stand.base_m)} and {show_length(stand.brim_m)}"
        sensor.wrong("mount_height", f"a pressure cell must sit in the water, between {span}")
