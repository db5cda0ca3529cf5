"""Barrels from their records, for the checks and for the garden alike."""

from __future__ import annotations

from dataclasses import replace

from scheduler.site.mensuration import litres_at_depth
from scheduler.site.model import Barrel
from scheduler.site.records import Record


def barrel_ids(record: Record) -> tuple[str, ...]:
    """``drum`` with a count of 3 stands for drum-1, drum-2, drum-3."""
    ident, count = record.get("id"), record.get("count")
    if ident is None or count is None:
        return ()
    return (ident,) if "count" not in record.given else tuple(f"{ident}-{n + 1}" for n in range(count))


def water_depth_m(record: Record) -> float | None:
    """Depth at which a barrel overflows. With no height given, a lying drum is full to its diameter and one
    with a maker's table to its last row."""
    depth: float | None = record.get("height")
    if depth is None and "height" not in record.given:
        if record.get("shape") == "lying":
            depth = record.get("diameter")
        elif record.get("shape") == "table" and record.many("table"):
            depth = record.many("table")[-1].get("depth")
    return depth


def barrels_of(record: Record) -> tuple[Barrel, ...]:
    """The barrels of an entry, all equal but for their names; none where a measure is missing or wrong."""
    depth, base, tilt = water_depth_m(record), record.get("base_height"), record.get("tilt")
    rows = tuple((row.get("depth"), row.get("volume")) for row in record.many("table"))
    ids = barrel_ids(record)
    if not ids or record.get("shape") is None or depth is None or base is None or tilt is None:
        return ()
    if any(value is None for row in rows for value in row):
        return ()
    one = Barrel(
        id=ids[0],
        shape=record.get("shape"),
        base_height_m=base,
        height_m=depth,
        diameter_m=record.get("diameter"),
        length_m=record.get("length"),
        width_m=record.get("width"),
        top_diameter_m=record.get("top_diameter"),
        middle_diameter_m=record.get("middle_diameter"),
        table=rows,
        tilt_m=tilt,
    )
    return tuple(replace(one, id=ident) for ident in ids)


def litres_above(record: Record, height_m: float) -> float | None:
    """Litres that the full barrels of an entry hold above a height; None where they cannot be told."""
    barrels = barrels_of(record)
    if not barrels:
        return None
    try:
        return sum(
            litres_at_depth(b, b.height_m) - litres_at_depth(b, height_m - b.base_height_m) for b in barrels
        )
    except ValueError:
        return None
