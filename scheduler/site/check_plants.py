"""Whether the plants, windows, people and the forecast can be as the file says."""

from __future__ import annotations

from collections.abc import Iterator

from scheduler.site.check_zones import no_doubles
from scheduler.site.fields import did_you_mean, nearest
from scheduler.site.records import Record
from scheduler.site.sections import NO_PLANT


def check_plants(site: Record) -> None:
    plants = site.many("plant")
    missed = _missed_by_doubles(site, plants)
    no_doubles(plants, "id", "plant", hint=_missed_words(missed))
    for plant in plants:
        _check_plant(plant)
    _check_feeding(site, plants, missed)
    _check_emitter_ids(site)


def check_rest(site: Record) -> None:
    """Windows, people, forecast, and the node's longest opening."""
    for window in site.many("window"):
        if window.get("from") is not None and window.get("from") == window.get("to"):
            window.wrong("to", "the window ends when it begins: for the whole day write from 00:00 to 23:59")
    no_doubles(site.many("person"), "name", "person")
    forecast = site.one("forecast")
    if forecast is not None:
        _check_forecast(forecast)


def _check_forecast(forecast: Record) -> None:
    first = forecast.get("service")
    if first is None:
        return  # told already
    services = [first, *(forecast.get("then") or ())]
    if len(set(services)) != len(services):
        forecast.wrong("then", "a service is named twice: name each once")
    if "file" in services and "path" not in forecast.given:
        forecast.wrong("path", 'it is missing: with service = "file" name the weather file')
    if "file" not in services and "path" in forecast.given:
        forecast.wrong("path", 'only service = "file" has a path: take it out')
    if {"met-norway", "us-weather"} & set(services) and not (forecast.get("contact") or "").strip():
        forecast.wrong("contact", "it is missing: met-norway and us-weather refuse who names no address")


def _check_plant(plant: Record) -> None:
    _one_of(plant, "canopy", "canopy_diameter", 'add canopy = "0.4 m2" or canopy_diameter = "70 cm"')
    _one_of(plant, "soil", "container", 'add soil = "loam" or, for a pot, container = "40 L"')
    if plant.get("id") == NO_PLANT:
        plant.wrong("id", "this word says that an emitter waters nothing: choose another name")
    planted, established = plant.get("planted"), plant.get("established")
    if planted is not None and established is not None and established <= planted:
        plant.wrong("established", f"it lies before the day of planting, {planted.isoformat()}")


def _one_of(plant: Record, first: str, second: str, how: str) -> None:
    if {first, second} <= plant.given:
        plant.wrong(second, f"give {first} or {second}, not both")
    elif not {first, second} & plant.given:
        plant.wrong(first, f"it is missing: {how}")


def _feeders(site: Record) -> Iterator[tuple[Record, Record]]:
    """Each zone with each of its entries that place emitters."""
    for zone in site.many("zone"):
        for line in zone.many("line"):
            for point in line.many("points"):
                if "emitter" in point.given:
                    yield zone, point
            for entry in line.many("inline"):
                yield zone, entry


def _missed_by_doubles(site: Record, plants: tuple[Record, ...]) -> frozenset[str]:
    """Plants that emitters name and that are not there, where they may be those whose id is another's; not
    the misspelt ones."""
    ids = [p.get("id") for p in plants if p.get("id") is not None]
    twice = {i for i in ids if ids.count(i) > 1}
    named = {entry.get("plant") for _, entry in _feeders(site)} - {None, NO_PLANT, *ids}
    missed = {n for n in named if nearest(n, twice) is not None or nearest(n, ids) is None}
    return frozenset(missed) if len(missed) <= len(ids) - len(set(ids)) else frozenset()


def _missed_words(missed: frozenset[str]) -> str:
    names = ", ".join(f'"{m}"' for m in sorted(missed))
    return f" (emitters water {names}, and no plant is called so)" if missed else ""


def _check_feeding(site: Record, plants: tuple[Record, ...], missed: frozenset[str]) -> None:
    known = {p.get("id"): p for p in plants if p.get("id") is not None}
    zones_of: dict[str, Record] = {}
    meant: set[str | None] = set()
    unsure = bool(site.findings.unreadable)
    for zone, entry in _feeders(site):
        name = entry.get("plant")
        if name == NO_PLANT:
            continue
        if name is None:
            unsure = True
        elif name in missed:
            continue  # told with the id that is written twice
        elif name not in known:
            entry.wrong("plant", f"there is no such plant; {did_you_mean(name, known)}")
            meant.add(nearest(name, known))
        elif zones_of.setdefault(name, zone) is not zone:
            other = zones_of[name].get("id") or "another"
            entry.wrong("plant", f'zone "{other}" feeds this plant already: a plant belongs to one zone')
    if unsure:
        return
    for name, plant in known.items():
        if name not in zones_of and name not in meant and name != NO_PLANT:
            plant.wrong("id", f'no emitter feeds it: add plant = "{name}" to an emitter on one of the lines')


def _check_emitter_ids(site: Record) -> None:
    named = [entry for _, entry in _feeders(site) if "id" in entry.given]
    no_doubles(named, "id", "emitter")
