"""Whether the valves, lines and emitters can be as the file says."""

from __future__ import annotations

from scheduler.site.check_tank import brim_m
from scheduler.site.fields import did_you_mean
from scheduler.site.layout import circle, inline_places, knots, lines_by_id, outlets
from scheduler.site.records import Record

# An emitter's settings that a point may trim.
TRIMMED = ("flow", "at_head", "exponent", "tested")


def check_zones(site: Record) -> None:
    zones = site.many("zone")
    no_doubles(zones, "id", "zone")
    no_doubles([v for z in zones if (v := z.one("valve"))], "channel", "valve")
    kinds = {k.get("id"): k for k in site.many("emitter")}
    level_max_m = _highest_level_m(site)
    for feed in (site.one("feed"),):
        if feed is not None and {"filter_kv", "filter_cv"} <= feed.given:
            feed.wrong("filter_cv", "give filter_kv or filter_cv, not both")
    for zone in zones:
        _check_valve(zone.one("valve"))
        _check_lines(zone)
        for line in zone.many("line"):
            _check_points(line)
            _check_inline(line, kinds)
            for point in line.many("points"):
                _check_point(point, kinds)
        if level_max_m is not None:
            _check_reached(zone, level_max_m)


def no_doubles(records: list[Record] | tuple[Record, ...], name: str, what: str, *, hint: str = "") -> None:
    """Note every value that an earlier record of the kind has already; ``hint`` ends what is said."""
    first: dict[object, Record] = {}
    for record in records:
        value = record.get(name)
        if value is None or name not in record.values:
            continue
        if value in first:
            line = first[value].findings.line((*first[value].path, name))
            record.wrong(name, f"another {what} has it already (line {line}): choose another{hint}")
        else:
            first[value] = record


def _highest_level_m(site: Record) -> float | None:
    tank, brim = site.one("tank"), brim_m(site)
    outlet = tank.get("outlet_height") if tank else None
    return brim - outlet if brim is not None and outlet is not None and outlet < brim else None


def _check_valve(valve: Record | None) -> None:
    if valve is None:
        return
    if {"kv", "cv"} <= valve.given:
        valve.wrong("cv", "give kv or cv, not both")
    elif not {"kv", "cv"} & valve.given:
        valve.wrong("kv", 'it is missing: add kv = "6 m3/h" (flow at 1 bar) or cv = "7 gpm" (flow at 1 psi)')


def _check_lines(zone: Record) -> None:
    lines = zone.many("line")
    no_doubles(lines, "id", "line of this zone")
    by_id = lines_by_id(zone)
    for line in lines:
        _check_joint(line, "from", "from_at", by_id)
        _check_joint(line, "to", "to_at", by_id)
        if line.get("to") is not None and line.get("to") == line.get("id"):
            line.wrong("to", "a line cannot end on itself: give the line on which it ends")
    reported: set[frozenset[str]] = set()
    for line in lines:
        round_trip = circle(line, by_id)
        if round_trip and frozenset(round_trip) not in reported:
            reported.add(frozenset(round_trip))
            way = " on ".join(f'"{i}"' for i in (*round_trip, round_trip[0]))
            line.wrong(
                "from",
                f"it begins on itself ({way}), so no water comes in: let one of them start at the valve",
            )
    if lines and all("from" in line.given for line in lines) and not reported:
        zone.wrong(
            "line",
            "none of its lines starts at the valve: leave out 'from' at the first",
            read="only branches",
        )


def _check_joint(line: Record, where: str, distance: str, by_id: dict[str, Record]) -> None:
    name, at = line.get(where), line.get(distance)
    if where in line.given and distance not in line.given:
        line.wrong(distance, f'it is missing: say where on that line, such as {distance} = "3 m"')
    if distance in line.given and where not in line.given:
        line.wrong(distance, f"say also on which line: {where} = ...")
    if name is None:
        return
    other = by_id.get(name)
    if other is None:
        line.wrong(
            where,
            f"there is no such line in this zone; {did_you_mean(name, by_id.keys() - {line.get('id')})}",
        )
        return
    length = other.get("length")
    if at is not None and length is not None and at > length:
        line.wrong(distance, f'line "{name}" is only {line.shown_length(length)} long')


def _check_points(line: Record) -> None:
    length, last_at, last_drop = line.get("length"), None, None
    for point in line.many("points"):
        at, drop = point.get("at"), point.get("drop")
        if at is None:
            continue
        if length is not None and at > length:
            point.wrong("at", f"the line is only {line.shown_length(length)} long")
        if last_at is not None and at < last_at:
            point.wrong(
                "at", f"the point before lies at {line.shown_length(last_at)}: list points by rising distance"
            )
        if at == last_at and drop is not None and last_drop is not None and drop != last_drop:
            point.wrong(
                "drop",
                f"the same place has a drop of {line.shown_length(last_drop)} just above: "
                "give one of the two",
            )
        last_at, last_drop = at, drop


def _check_point(point: Record, kinds: dict[str, Record]) -> None:
    kind = point.get("emitter")
    if "emitter" in point.given:
        if kind is not None and kind not in kinds:
            point.wrong("emitter", f"there is no [emitter.{kind}]; {did_you_mean(kind, kinds)}")
        if "plant" not in point.given:
            point.wrong("plant", "it is missing: say which plant this emitter waters")
    else:
        for name in ("plant", "id", *TRIMMED):
            if name in point.given:
                point.wrong(name, "there is no emitter at this point: add emitter = ... or take this out")
    if "at_head" in point.given and "flow" not in point.given:
        point.wrong("at_head", "it belongs to a flow: give the flow too")
    if kind in kinds and kinds[kind].get("form") == "inline":
        point.wrong("emitter", f'"{kind}" is built into the tube: list it under inline = [ ... ] of the line')


def _check_inline(line: Record, kinds: dict[str, Record]) -> None:
    length = line.get("length")
    for entry in line.many("inline"):
        kind = entry.get("emitter")
        if kind is not None and kind not in kinds:
            entry.wrong("emitter", f"there is no [emitter.{kind}]; {did_you_mean(kind, kinds)}")
        if {"count", "last"} <= entry.given:
            entry.wrong("last", "give count or last, not both")
        places = inline_places(entry, length)
        if entry.get("every") is None or entry.get("first") is None or length is None:
            continue
        if not places or places[-1] > length + 1e-6:
            end = line.shown_length(places[-1] if places else entry.get("first"))
            entry.wrong(
                "first", f"its emitters reach to {end}, but the line is only {line.shown_length(length)} long"
            )


def _check_reached(zone: Record, level_max_m: float) -> None:
    """Every emitter must lie below the water of full barrels, and its height must be known."""
    by_id = lines_by_id(zone)
    for line in zone.many("line"):
        if line.many("inline") and not knots(line, by_id) and not circle(line, by_id):
            line.wrong("points", "give the drop of at least one point of this line, such as its start")
        high: set[int] = set()
        for outlet in outlets(line, by_id):
            if outlet.drop_m is None or level_max_m + outlet.drop_m > 0 or id(outlet.record) in high:
                continue
            high.add(id(outlet.record))
            name = "drop" if "drop" in outlet.record.given else ""
            outlet.record.wrong(
                name,
                f"even full barrels stand only {line.shown_length(level_max_m)} above the outlet, "
                "so no water ever comes out here: mind the sign (a drop below the outlet is positive)",
                read=f"a place {line.shown_length(-outlet.drop_m)} above the outlet",
            )
