"""A fingerprint of what a test depended on, so that a change of the site shows which tests are stale."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable
from dataclasses import asdict

from pydantic import BaseModel, ConfigDict

from scheduler.site.model import Barrel, Line, Site

# Lengths are compared to a tenth of a millimetre: finer is rounding, not a change.
_DIGITS = 4
# Enough of a SHA-256 that two gardens of one person never meet.
_HASH_LETTERS = 16

# What each test depends on: names of the fields of ``SiteMark``.
DEPENDS_ON: dict[str, tuple[str, ...]] = {
    "poured": ("tank",),
    "sensor_scale": ("sensor",),
    "leak_at_rest": ("tank",),
    "travel_times": ("valve",),
    "wet_walk": ("lines", "emitters", "valve", "feed"),
    "flush": ("lines",),
    "prime_time": ("stand", "lines", "emitters", "valve", "feed"),
    "head_flow": ("stand", "lines", "emitters", "valve", "feed"),
    "catch_cans": ("stand", "lines", "emitters", "valve", "feed"),
    "trim": ("stand", "lines", "emitters", "valve", "feed"),
}
_WORDS = {
    "tank": "the barrels",
    "stand": "the height of the outlet",
    "sensor": "the level sensor",
    "feed": "the filter or the hose from the barrels",
    "valve": "the valve",
    "lines": "the lines",
    "emitters": "the emitters",
}


class SiteMark(BaseModel):
    """A hash for each part. ``valve``, ``lines`` and ``emitters`` are of one zone, None without one;
    ``sensor`` is None in a garden without. ``emitters_then``: of each emitter of the zone its coefficient
    (L/h at 1 m), its exponent and its drop below the outlet (m), so that a test of some of them still tells
    of those when others were added, or when the barrels were raised.

    Barrels and sensor count from the outlet, so that raising all of them together changes ``stand`` only.
    """

    model_config = ConfigDict(frozen=True, extra="forbid")

    tank: str
    stand: str
    feed: str
    sensor: str | None = None
    valve: str | None = None
    lines: str | None = None
    emitters: str | None = None
    emitters_then: dict[str, tuple[float, float, float]] | None = None


def site_mark(site: Site, zone: str | None = None) -> SiteMark:
    """The mark of a site as drawn, for a test of ``zone``. KeyError for a zone that is not there."""
    tank, sensor = site.tank, site.sensor
    general = SiteMark(
        tank=_hash([[_barrel(b, tank.outlet_height_m) for b in tank.barrels], tank.link]),
        stand=_hash(tank.outlet_height_m),
        feed=_hash(site.feed),
        sensor=None
        if sensor is None
        else _hash(
            [sensor.kind, sensor.barrel, sensor.scale_m, sensor.mount_height_m - tank.outlet_height_m]
        ),
    )
    if zone is None:
        return general
    drawn = site.zone(zone)
    return general.model_copy(
        update={
            "valve": _hash(drawn.valve),
            "lines": _hash([_line(line) for line in drawn.lines]),
            "emitters": _hash(_emitters(drawn.lines)),
            "emitters_then": {
                e.id: (e.coefficient_lph, e.exponent, p.drop_m)
                for line in drawn.lines
                for p in line.points
                for e in p.emitters
            },
        }
    )


def changed_parts(kind: str, then: SiteMark, now: SiteMark) -> tuple[str, ...]:
    """What a test of that kind depended on and is no longer the same, in plain words."""
    return tuple(_WORDS[part] for part in DEPENDS_ON[kind] if getattr(then, part) != getattr(now, part))


def _barrel(barrel: Barrel, outlet_height_m: float) -> dict[str, object]:
    return {**asdict(barrel), "base_height_m": barrel.base_height_m - outlet_height_m}


def _line(line: Line) -> list[object]:
    drops = [(p.at_m, p.drop_m) for p in line.points]
    return [
        line.id,
        line.start and asdict(line.start),
        line.end and asdict(line.end),
        line.bore_m,
        line.length_m,
        line.roughness_m,
        line.inlet_loss_k,
        drops,
    ]


def _emitters(lines: Iterable[Line]) -> list[object]:
    """Where each emitter stands and what it gives as drawn; which plant it feeds does not change its flow."""
    return [
        [line.id, p.at_m, e.id, e.form, e.coefficient_lph, e.exponent, e.activation_head_m]
        for line in lines
        for p in line.points
        for e in p.emitters
    ]


def _hash(part: object) -> str:
    text = json.dumps(_plain(part), sort_keys=True)
    return hashlib.sha256(text.encode()).hexdigest()[:_HASH_LETTERS]


def _plain(part: object) -> object:
    """Lists, texts and rounded numbers only, so that the same garden read twice gives the same text."""
    if hasattr(part, "__dataclass_fields__"):
        part = asdict(part)  # type: ignore[call-overload]
    if isinstance(part, dict):
        return {str(key): _plain(value) for key, value in part.items()}
    if isinstance(part, list | tuple):
        return [_plain(value) for value in part]
    if isinstance(part, float):
        return f"{round(part, _DIGITS) + 0.0:.{_DIGITS}f}"
    return part
