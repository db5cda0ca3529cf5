"""What to have in the van for a trouble: parts, by what the garden's own site file says is fitted there."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping

from scheduler.report.answers import RoundGardenAnswer, RoundPartAnswer
from scheduler.site.model import Site, Zone
from scheduler.site.showing import show_length

# Common practice, no source: what the trade carries for each of these.
_SENSOR = {"echo": "echo level sensor", "pressure": "pressure level sensor", "float": "float level sensor"}
CANS_STEP = "catch-cans"


def parts_for(site: Site, kind: str, subject: str) -> list[str]:
    """Parts for one trouble; none where hands and a look are enough."""
    make = _PARTS.get(kind)
    return make(site, subject) if make is not None else []


def _zones(site: Site, subject: str) -> list[Zone]:
    return [z for z in site.zones if z.id == subject] or list(site.zones)


def _bores(site: Site, subject: str) -> str:
    bores = sorted({line.bore_m for z in _zones(site, subject) for line in z.lines})
    return ", ".join(show_length(b, site.units) for b in bores)


def _forms(site: Site, subject: str) -> list[str]:
    forms = {e.form for z in _zones(site, subject) for e in z.emitters}
    words = {"bubbler": "bubblers", "inline": "emitter tube"}
    return sorted(words[f] for f in forms)


def _valve(_site: Site, _subject: str) -> list[str]:
    return ["gravity valve of the kind fitted", "lead and fuse for the valve"]


def _node(_site: Site, _subject: str) -> list[str]:
    return ["valve node with this garden's key", "charged battery", "lead and fuse for the shed box"]


def _level(site: Site, _subject: str) -> list[str]:
    return [*([_SENSOR[site.sensor.kind]] if site.sensor else []), "ruler"]


def _short(site: Site, subject: str) -> list[str]:
    return ["filter screen", "flushing hose", *_forms(site, subject)]


def _over(site: Site, subject: str) -> list[str]:
    return [f"joiners and end caps of bore {_bores(site, subject)}", *_forms(site, subject)]


def _lost(site: Site, _subject: str) -> list[str]:
    link = site.tank.link
    return [f"seals for the barrel links of bore {show_length(link.bore_m, site.units)}"] if link else []


_PARTS: Mapping[str, Callable[[Site, str], list[str]]] = {
    "valve_not_shut": _valve,
    "node_silent": _node,
    "supply_low": lambda _site, _subject: ["charged battery"],
    "level_unknown": _level,
    "level_doubtful": lambda _site, _subject: ["ruler"],
    "run_short": _short,
    "run_over": _over,
    "water_lost": _lost,
    "store_failed": lambda _site, _subject: ["new storage card"],
    "near_empty": lambda _site, _subject: ["hose for topping up"],
    "out_of_reach": lambda _site, _subject: ["hose for topping up"],
    "tests_due": lambda site, _subject: [f"{max(len(z.emitters) for z in site.zones)} catch cans or more"],
}


def bring(gardens: Iterable[RoundGardenAnswer]) -> list[RoundPartAnswer]:
    """All parts of a round with the gardens that want them, what most of them want first."""
    wanted: dict[str, list[str]] = {}
    for garden in gardens:
        for part in garden.parts:
            wanted.setdefault(part, []).append(garden.garden)
    parts = [RoundPartAnswer(part=p, gardens=g) for p, g in wanted.items()]
    return sorted(parts, key=lambda p: (-len(p.gardens), p.part))
