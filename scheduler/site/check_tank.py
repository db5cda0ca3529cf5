"""Whether the barrels, the outlet, the sensor and the roof can be as the file says."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise

from scheduler.site.barrels import barrel_ids, litres_above, water_depth_m
from scheduler.site.fields import did_you_mean
from scheduler.site.records import Record, misspelt

# Which measures a barrel of each shape has, and of these which must be given.
_MEASURES = {
    "upright": ({"diameter", "height", "tilt"}, ("diameter", "height")),
    "lying": ({"diameter", "length", "height", "tilt"}, ("diameter", "length")),
    "box": ({"length", "width", "height", "tilt"}, ("length", "width", "height")),
    "taper": (
        {"diameter", "top_diameter", "middle_diameter", "height", "tilt"},
        ("diameter", "top_diameter", "height"),
    ),
    "table": ({"table", "height"}, ("table",)),
}
_ALL_MEASURES = ("diameter", "top_diameter", "middle_diameter", "height", "length", "width", "tilt", "table")
# A barrel that leans more than this (15 degrees) would not be left standing so.
_STEEPEST = 0.26


@dataclass(frozen=True, slots=True)
class _Stand:
    """A barrel's ids and the heights of the lowest place of its bottom and of its brim above the datum."""

    ids: tuple[str, ...]
    base_m: float
    brim_m: float


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
        if name not in barrel.given and name not in misspelt(barrel):
            barrel.wrong(name, f'it is missing: a barrel of shape "{shape}" needs {_and(needed)}')
    for name in _ALL_MEASURES:
        if name in barrel.given and name not in allowed:
            barrel.wrong(name, _no_such_measure(shape, name, needed))
    diameter, height = barrel.get("diameter"), barrel.get("height")
    if shape == "lying" and diameter is not None and height is not None and height > diameter:
        barrel.wrong(
            "height", f"a lying drum cannot be deeper than its diameter of {barrel.shown_length(diameter)}"
        )
    _check_rows(barrel)
    _check_bulge(barrel)
    _check_tilt(barrel)


def _and(names: tuple[str, ...]) -> str:
    return " and ".join(names)


def _no_such_measure(shape: str, name: str, needed: tuple[str, ...]) -> str:
    if (shape, name) == ("table", "tilt"):
        return "a maker's table holds for a level barrel only: level it, or pour water in and read the level"
    also = ' (a drum that widens or bulges is of shape "taper")' if name.endswith("_diameter") else ""
    return f'a barrel of shape "{shape}" has no {name}: it needs {_and(needed)}{also}'


def _check_rows(barrel: Record) -> None:
    """A maker's table rises, depth and litres, and reaches the overflow."""
    rows = barrel.many("table")
    if barrel.get("shape") != "table":
        return
    if "table" in barrel.given and barrel.values.get("table") == ():
        barrel.wrong("table", 'give at least one row, such as { depth = "10 cm", volume = "25 L" }')
    for before, row in pairwise(rows):
        for name, show in (("depth", barrel.shown_length), ("volume", barrel.shown_volume)):
            low, high = before.get(name), row.get(name)
            if low is not None and high is not None and high <= low:
                row.wrong(name, f"it must be more than the {show(low)} of the row before: sort by depth")
    last, height = rows[-1].get("depth") if rows else None, barrel.get("height")
    if last is not None and height is not None and height > last:
        barrel.wrong(
            "height", f"the table ends at {barrel.shown_length(last)} of depth: add a row for the overflow"
        )


def _check_bulge(barrel: Record) -> None:
    ends, middle = (barrel.get("diameter"), barrel.get("top_diameter")), barrel.get("middle_diameter")
    if barrel.get("shape") != "taper" or middle is None or None in ends:
        return
    if middle < min(ends):
        barrel.wrong(
            "middle_diameter",
            f"a waist thinner than both ends ({barrel.shown_length(min(ends))}) is no bulge: "
            'measure again, or give the shape "table"',
        )


def _check_tilt(barrel: Record) -> None:
    tilt = barrel.get("tilt")
    span = barrel.get("length" if barrel.get("shape") in ("box", "lying") else "diameter")
    if tilt and span and barrel.get("shape") != "table" and tilt > _STEEPEST * span:
        barrel.wrong(
            "tilt", f"it would lean by more than 15 degrees over {barrel.shown_length(span)}: set it level"
        )


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
        base, depth, tilt = barrel.get("base_height"), water_depth_m(barrel), barrel.get("tilt")
        if base is not None and depth is not None and tilt is not None and barrel_ids(barrel):
            yield _Stand(barrel_ids(barrel), base - 0.5 * tilt, base + depth)


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
            "outlet_height",
            f"the outlet lies above the brim at {tank.shown_length(brim)}: no water reaches it",
        )
    elif outlet is not None and outlet < first.base_m:
        tank.wrong(
            "outlet_height",
            f'the outlet lies below the bottom of barrel "{first.ids[0]}" at '
            f"{tank.shown_length(first.base_m)}; "
            "heights are measured above the datum",
        )
    for barrel, stand in zip(barrels, stands, strict=True):
        if stand.base_m >= brim:
            barrel.wrong(
                "base_height",
                f"this barrel stands above the brim of the lowest at {tank.shown_length(brim)}: "
                "it never fills",
            )


def _check_reserve(tank: Record, barrels: tuple[Record, ...]) -> None:
    outlet, reserve = tank.get("outlet_height"), tank.get("reserve")
    stored = [litres_above(b, outlet) for b in barrels] if outlet is not None else [None]
    known = [v for v in stored if v is not None]
    if reserve is None or not barrels or len(known) < len(stored):
        return
    total_l = sum(known)
    if reserve >= total_l > 0:
        tank.wrong(
            "reserve", f"the barrels hold only {tank.shown_volume(total_l)} above the outlet: keep back less"
        )


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
        sensor.wrong(
            "mount_height", f"an echo face must hang above the brim at {sensor.shown_length(stand.brim_m)}"
        )
    if kind == "pressure" and not stand.base_m <= mount < stand.brim_m:
        span = f"{sensor.shown_length(stand.base_m)} and {sensor.shown_length(stand.brim_m)}"
        sensor.wrong("mount_height", f"a pressure cell must sit in the water, between {span}")
