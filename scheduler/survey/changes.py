"""Changes to a garden as a fitter would say them, for asking what they would do before anything is bought.

Each change is one sentence; ``SENTENCES`` lists the forms. Quantities carry their unit. Several in a row are
read too, with "then" between them.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Mapping
from dataclasses import replace
from functools import partial

import numpy as np

from scheduler.site.errors import UsageError
from scheduler.site.model import DisplayUnits, Emitter, Joint, Line, Point, Site, Zone
from scheduler.site.quantities import parse
from scheduler.site.showing import show_length
from scheduler.survey.sentences import KV_PER_CV

_UNITLESS = ("add barrel", "open EMITTER 20 %", "close EMITTER 20 %", "remove EMITTER")
_LAID = ("feed LINE from its middle", "split ZONE at LINE")
SENTENCES: Mapping[DisplayUnits, tuple[str, ...]] = {
    "metric": (
        "raise barrels 30 cm",
        "lower barrels 10 cm",
        "roof 60 m2",
        "bore LINE 20 mm",
        "feed bore 25 mm",
        "filter 6 m3/h",
        "valve ZONE 10 m3/h",
        "add 8 L/h bubbler for PLANT on LINE at 12 m",
        "move EMITTER to 3 m",
        *_UNITLESS,
        *_LAID,
    ),
    "us": (
        "raise barrels 12 in",
        "lower barrels 4 in",
        "roof 650 ft2",
        "bore LINE 0.82 in",
        "feed bore 1 in",
        "filter cv 7 gpm",
        "valve ZONE cv 12 gpm",
        "add 2 gph bubbler for PLANT on LINE at 40 ft",
        "move EMITTER to 10 ft",
        *_UNITLESS,
        *_LAID,
    ),
}
# What an added bubbler is taken to be: flow given at 1 m of head, exponent between shut and open (see
# trimming).
ADDED_EXPONENT = 0.65
# More are a typing slip, or a garden of its own.
MORE_BARRELS_MAX = 50
_NAME = r"([a-z0-9-]+)"
_NAMES = r"([a-z0-9-]+(?:, ?[a-z0-9-]+)*)"
_THEN = re.compile(r",?\s+then\s+", re.IGNORECASE)


def changed(site: Site, sentences: Iterable[str]) -> Site:
    """The site after all the changes, one after the other. UsageError for one that cannot be read or made."""
    for several in sentences:
        for sentence in _THEN.split(several.strip()):
            site = _one(site, sentence)
    return site


def _one(site: Site, sentence: str) -> Site:
    text = " ".join(sentence.split())
    for pattern, change in _FORMS:
        match = re.fullmatch(pattern, text, re.IGNORECASE)
        if match:
            return change(site, *match.groups())
    forms = "; ".join(SENTENCES[site.units])
    raise UsageError(f"read the change {sentence!r}; write it as one of: {forms}")


def raised(site: Site, rise_m: float) -> Site:
    """The barrels stand ``rise_m`` higher (lower if negative); the lines stay where they are."""
    barrels = tuple(replace(b, base_height_m=b.base_height_m + rise_m) for b in site.tank.barrels)
    tank = replace(site.tank, barrels=barrels, outlet_height_m=site.tank.outlet_height_m + rise_m)
    sensor = site.sensor
    if sensor is not None:
        sensor = replace(sensor, mount_height_m=sensor.mount_height_m + rise_m)

    def sunk(line: Line) -> Line:
        return replace(line, points=tuple(replace(p, drop_m=p.drop_m + rise_m) for p in line.points))

    zones = tuple(replace(z, lines=tuple(sunk(line) for line in z.lines)) for z in site.zones)
    return replace(site, tank=tank, sensor=sensor, zones=zones)


def _raise(site: Site, word: str, amount: str) -> Site:
    rise = parse(amount, "length")
    return raised(site, rise if word.lower() == "raise" else -rise)


def _add_barrels(site: Site, count: str | None) -> Site:
    """More of the last barrel, linked on."""
    barrels = list(site.tank.barrels)
    if not 1 <= int(count or 1) <= MORE_BARRELS_MAX:
        raise UsageError(f"read {count} barrels; add 1 to {MORE_BARRELS_MAX}")
    if site.tank.measured:
        raise UsageError("the litres of these barrels were poured, so what another holds must be poured too")
    for number in range(len(barrels) + 1, len(barrels) + 1 + int(count or 1)):
        barrels.append(replace(barrels[-1], id=f"added-{number}"))
    return replace(site, tank=replace(site.tank, barrels=tuple(barrels)))


def _roof(site: Site, amount: str) -> Site:
    area = _positive(amount, "area")
    if site.roof is None:
        raise UsageError("no roof feeds the barrels yet; write a [roof] into the site file")
    return replace(site, roof=replace(site.roof, catchment_m2=area))


def _bore(site: Site, name: str, amount: str) -> Site:
    bore = _positive(amount, "length")
    return _with_line(site, name, lambda line: replace(line, bore_m=bore))


def _feed_bore(site: Site, amount: str) -> Site:
    return replace(site, feed=replace(site.feed, bore_m=_positive(amount, "length")))


def _filter(site: Site, at_psi: str | None, amount: str) -> Site:
    return replace(site, feed=replace(site.feed, filter_kv_m3ph=_part(at_psi, amount)))


def _valve(site: Site, name: str, at_psi: str | None, amount: str) -> Site:
    kv = _part(at_psi, amount)
    zone = _zone(site, name)
    return _with_zone(site, replace(zone, valve=replace(zone.valve, kv_m3ph=kv)))


def _part(at_psi: str | None, amount: str) -> float:
    """m3/h at 1 bar, from either of the two ways to say it."""
    return _positive(amount, "kv") if at_psi is None else _positive(amount, "cv") * KV_PER_CV


def _turn(site: Site, word: str, names: str, amount: str) -> Site:
    share = parse(amount, "share")
    factor = 1.0 + share if word.lower() == "open" else 1.0 - share
    if factor < 0.0 or share < 0.0:
        raise UsageError(f"read {amount!r}; {word} by a share between 0 % and 100 %")
    return turned(site, {name.strip(): factor for name in names.split(",")})


def turned(site: Site, factors: dict[str, float]) -> Site:
    """Emitters turned so that they give so many times their flow at the same head. UsageError: unknown id."""
    known = {e.id for z in site.zones for e in z.emitters}
    for name in factors:
        if name not in known:
            raise UsageError(f"there is no emitter {name!r}; there are {_some(known)}")

    def one(emitter: Emitter) -> Emitter:
        factor = factors.get(emitter.id, 1.0)
        return replace(emitter, coefficient_lph=emitter.coefficient_lph * factor)

    return with_emitters(site, lambda e: (one(e),))


def _add(site: Site, amount: str, plant: str, name: str, place: str) -> Site:
    flow, at_m = _positive(amount, "flow"), parse(place, "length")
    if plant not in {p.id for p in site.plants}:
        raise UsageError(
            f"there is no plant {plant!r}; there are {_some(p.id for p in site.plants)}. A plant still to "
            "come: write it into a copy of the site file and compare with --against"
        )
    taken = {e.id for z in site.zones for e in z.emitters}
    ident = next(f"{plant}-new{n}" for n in range(1, 1000) if f"{plant}-new{n}" not in taken)
    emitter = Emitter(ident, "bubbler", plant, flow, ADDED_EXPONENT)
    return _with_line(site, name, lambda line: _with_point(line, at_m, emitter, site.units))


def _with_point(line: Line, at_m: float, emitter: Emitter, units: DisplayUnits) -> Line:
    """An emitter on a line; a place beyond its end makes the line longer, on the level of its last point."""
    if at_m < 0.0:
        before = show_length(-at_m, units)
        raise UsageError(f"a place {before} before the start of line {line.id!r} is not on it")
    drop = float(np.interp(at_m, [p.at_m for p in line.points], [p.drop_m for p in line.points]))
    points = sorted((*line.points, Point(at_m, drop, (emitter,))), key=lambda p: p.at_m)
    if at_m > line.length_m and line.end is not None:
        long, at = show_length(line.length_m, units), show_length(at_m, units)
        raise UsageError(f"line {line.id!r} is {long} long and closed: {at} is not on it")
    return replace(line, points=tuple(points), length_m=max(line.length_m, at_m))


def _move(site: Site, name: str, place: str) -> Site:
    at_m = parse(place, "length")
    for line in (x for z in site.zones for x in z.lines):
        for emitter in (e for p in line.points for e in p.emitters if e.id == name):
            moved = partial(_with_point, at_m=at_m, emitter=emitter, units=site.units)
            return _with_line(_remove(site, name), line.id, moved)
    raise UsageError(f"there is no emitter {name!r}")


def _remove(site: Site, name: str) -> Site:
    turned(site, {name: 1.0})  # refuses an unknown one
    return with_emitters(site, lambda e: () if e.id == name else (e,))


def _middle(site: Site, name: str) -> Site:
    """A tube of the same bore from the line's beginning to its middle; its two halves hang there."""
    zone, line = _line(site, name)
    joined = [x.id for x in zone.lines for j in (x.start, x.end) if j is not None and j.line == name]
    if joined or line.end is not None:
        why = f"line {joined[0]!r} hangs on it" if joined else "it is fed from both ends already"
        raise UsageError(f"line {name!r} cannot be fed from its middle here: {why}")
    if not line.points:
        raise UsageError(f"line {name!r} has no points, so nothing on it to feed")
    middle = line.length_m / 2.0
    drops = [p.at_m for p in line.points], [p.drop_m for p in line.points]
    start, mid = (float(np.interp(x, *drops)) for x in (0.0, middle))
    feeder = replace(
        line, id=f"{name}-feed", length_m=middle, points=(Point(0.0, start), Point(middle, mid)), end=None
    )
    joint, here = Joint(feeder.id, middle), Point(0.0, mid)
    far = tuple(replace(p, at_m=p.at_m - middle) for p in line.points if p.at_m > middle)
    near = tuple(replace(p, at_m=middle - p.at_m) for p in reversed(line.points) if p.at_m <= middle)
    halves = (
        replace(line, id=f"{name}-far", start=joint, length_m=line.length_m - middle, points=(here, *far)),
        replace(line, id=f"{name}-near", start=joint, length_m=middle, points=(here, *near)),
    )
    lines = tuple(x for old in zone.lines for x in ((feeder, *halves) if old.id == name else (old,)))
    return _with_zone(site, replace(zone, lines=lines))


def _split(site: Site, name: str, at_line: str) -> Site:
    """The line and all that hang on it get a valve of their own, of the same kind."""
    zone = _zone(site, name)
    owner, _ = _line(site, at_line)
    if owner.id != zone.id:
        raise UsageError(f"line {at_line!r} is not in zone {name!r}")
    moved = {at_line}
    while more := {x.id for x in zone.lines if x.start and x.start.line in moved} - moved:
        moved |= more
    for x in zone.lines:
        if x.end is not None and (x.id in moved) != (x.end.line in moved):
            raise UsageError(f"line {x.id!r} closes a ring, so zone {name!r} cannot be split at {at_line!r}")
    stay = tuple(x for x in zone.lines if x.id not in moved)
    own = tuple(replace(x, start=None) if x.id == at_line else x for x in zone.lines if x.id in moved)
    if not any(p.emitters for x in stay for p in x.points) or not any(
        p.emitters for x in own for p in x.points
    ):
        raise UsageError(f"splitting zone {name!r} at line {at_line!r} leaves one part without emitters")
    split_plants = {e.plant for x in stay for p in x.points for e in p.emitters} & {
        e.plant for x in own for p in x.points for e in p.emitters
    }
    if split_plants - {None}:
        raise UsageError(f"a plant is fed by one zone: both parts would feed {_some(map(str, split_plants))}")
    channel = max(z.valve.channel for z in site.zones) + 1
    second = replace(
        zone,
        id=f"{zone.id}-2",
        name=f"{zone.name}, second part",
        valve=replace(zone.valve, channel=channel),
        lines=own,
    )
    zones = tuple(
        x for z in site.zones for x in ((replace(z, lines=stay), second) if z.id == zone.id else (z,))
    )
    return replace(site, zones=zones)


def _positive(text: str, dimension: str) -> float:
    value = parse(text, dimension)  # type: ignore[arg-type]
    if value <= 0.0:
        raise UsageError(f"read {text!r}; it must be more than nothing")
    return value


def _some(names: Iterable[str]) -> str:
    ordered = sorted(names)
    more = f" and {len(ordered) - 12} more" if len(ordered) > 12 else ""
    return ", ".join(ordered[:12]) + more


def _zone(site: Site, name: str) -> Zone:
    for zone in site.zones:
        if zone.id == name:
            return zone
    raise UsageError(f"there is no zone {name!r}; there are {_some(z.id for z in site.zones)}")


def _line(site: Site, name: str) -> tuple[Zone, Line]:
    """A line by its id, the first of that name."""
    for zone in site.zones:
        for line in zone.lines:
            if line.id == name:
                return zone, line
    raise UsageError(
        f"there is no line {name!r}; there are {_some(x.id for z in site.zones for x in z.lines)}"
    )


def _with_zone(site: Site, new: Zone) -> Site:
    return replace(site, zones=tuple(new if z.id == new.id else z for z in site.zones))


def _with_line(site: Site, name: str, change: Callable[[Line], Line]) -> Site:
    zone, _ = _line(site, name)
    return _with_zone(site, replace(zone, lines=tuple(change(x) if x.id == name else x for x in zone.lines)))


def with_emitters(site: Site, change: Callable[[Emitter], tuple[Emitter, ...]]) -> Site:
    def point(p: Point) -> Point:
        return replace(p, emitters=tuple(n for e in p.emitters for n in change(e))) if p.emitters else p

    def line(x: Line) -> Line:
        return replace(x, points=tuple(point(p) for p in x.points))

    zones = tuple(replace(z, lines=tuple(line(x) for x in z.lines)) for z in site.zones)
    return replace(site, zones=zones)


_FORMS: tuple[tuple[str, Callable[..., Site]], ...] = (
    (r"(raise|lower) (?:the )?barrels (?:by )?(.+)", _raise),
    (r"add (?:(\d+) )?barrels?", _add_barrels),
    (r"roof (.+)", _roof),
    (r"feed bore (.+)", _feed_bore),
    (rf"bore {_NAME} (.+)", _bore),
    (r"filter (cv )?(.+)", _filter),
    (rf"valve {_NAME} (cv )?(.+)", _valve),
    (rf"(open|close) {_NAMES} (?:by )?(.+?)(?: of (?:its|their) flow)?", _turn),
    (rf"add (.+) bubbler for {_NAME} on {_NAME} at (.+)", _add),
    (rf"move {_NAME} to (.+)", _move),
    (rf"remove {_NAME}", _remove),
    (rf"feed {_NAME} from its middle", _middle),
    (rf"split {_NAME} at {_NAME}", _split),
)
