"""What may be typed at each question of a test, in this garden and in its units.

Worked out from the garden as drawn: a share of its own brim for a level, what its emitters give for a can. So
an example is of the right size, and is taken when it is typed; what is to be measured is rounded to one
figure, so that nobody takes it for the answer.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from itertools import pairwise

from scheduler.hydraulics.network import zone_network
from scheduler.hydraulics.priming import priming
from scheduler.hydraulics.solve import solve
from scheduler.report.forms import Form, Moment
from scheduler.site.errors import QuantityError
from scheduler.site.fields import Field, Json, Kind, Quantity, Table
from scheduler.site.model import DisplayUnits, Site, Zone
from scheduler.site.quantities import DIMENSIONS, parse
from scheduler.site.showing import show_duration
from scheduler.supply.stage import StageStorage, stage_storage

# Shares of the brim at which the readings of a test are taken in turn, in examples.
LEVEL_SHARES = (0.9, 0.5, 0.2)
POUR_SHARES = (0.2, 0.4, 0.6, 0.8)
# Most tests are done with the barrels well filled.
USUAL_SHARE = 0.9
RUN_S, TURN_S, FLUSH_S = 360.0, 120.0, 60.0
# Of the zone's flow, at a wet place.
WET_SHARE = 0.1
# At the open end of a flushed line: enough to carry dirt out (above ``survey.sense_entries.FLUSH_SPEED_MS``).
FLUSH_MS = 0.5
TRAVEL_S = 8.0
PRIME_S = 60.0
# Exact: NIST Handbook 44 Appendix C. A US fluid ounce is a gallon / 128.
_INCH_M, _GALLON_L = 0.0254, 3.785411784
_OUNCE_L = _GALLON_L / 128.0
# A ruler is read to a quarter of an inch, or half a centimetre; a fall of less tells nothing.
_FINE_IN, _FINE_CM = 0.25, 0.5
# Levels above this are given in whole inches or centimetres.
_WHOLE_ABOVE = 10.0


@dataclass(frozen=True, slots=True)
class Spoken:
    """A kind of entry with what to type there: everywhere, and at some rows by their name."""

    kind: Kind
    example: str
    at: Mapping[str, str] = field(default_factory=dict)

    def read(self, value: object) -> object:
        try:
            return self.kind.read(value)
        except QuantityError as error:
            if not isinstance(self.kind, Quantity) or not self.example:
                raise
            anywhere = " or ".join(f'"{e}"' for e in DIMENSIONS[self.kind.dimension].examples[:2])
            remedy = error.remedy.replace(anywhere, f'"{self.example}"')
            raise QuantityError(error.read, remedy) from None

    def schema(self) -> Json:
        return {**self.kind.schema(), "examples": [self.example] if self.example else []}

    def example_at(self, place: str) -> str:
        return self.at.get(place, self.example)


def with_examples(site: Site, form: Form, zone: str | None) -> Form:
    """The form with an example at each entry that wants one."""
    found = _Examples(site, None if zone is None else site.zone(zone)).of(form)

    def spoken(asked: Field) -> Field:
        if isinstance(asked.kind, Table) or asked.name not in found:
            return asked
        at = found[asked.name]
        return replace(asked, kind=Spoken(asked.kind, at.get("", next(iter(at.values()), "")), at))

    return replace(form, head=tuple(spoken(f) for f in form.head), row=tuple(spoken(f) for f in form.row))


class _Examples:
    """By entry, then by row; that of "", else the first, serves at all other rows."""

    def __init__(self, site: Site, zone: Zone | None) -> None:
        self.site, self.zone = site, zone
        self.units: DisplayUnits = site.units
        self.stage: StageStorage = stage_storage(site.tank)

    def of(self, form: Form) -> dict[str, dict[str, str]]:
        found = {
            f.name: {"": self._general(f)}
            for f in (*form.head, *form.row)
            if isinstance(f.kind, (Quantity, Moment))
        }
        return found | self._of_kind(form)

    def _of_kind(self, form: Form) -> dict[str, dict[str, str]]:
        if form.kind == "poured":
            return self._pours()
        if form.kind == "sensor_scale":
            levels = [self._level(share) for share in LEVEL_SHARES]
            return {"level": {f"reading {n}": text for n, text in enumerate(levels, 1)}}
        if self.zone is None:
            return {}
        if form.kind == "travel_times":
            valve = self.zone.valve
            times = {"opening": valve.opening_s, "closing": valve.closing_s}
            return {name: {"": f"{s or TRAVEL_S:.0f} s"} for name, s in times.items()}
        if form.kind == "flush":
            return self._flushes(self.zone)
        if form.kind == "prime_time":
            filled_s = priming(zone_network(self.site, self.zone), self._usual_m(), 1.0).fill_s
            return {"prime-time": {"": f"{10 * math.ceil(filled_s / 10.0) or PRIME_S:.0f} s"}}
        if form.kind == "head_flow":
            return self._draws(self.zone)
        if form.kind == "catch_cans":
            return self._cans(self.zone)
        if form.kind == "trim":
            return self._turns(self.zone)
        return {}

    def _general(self, asked: Field) -> str:
        """Where the kind of test has nothing more to say."""
        us = self.units == "us"
        if isinstance(asked.kind, Moment):
            return "now"
        dimension = asked.kind.dimension if isinstance(asked.kind, Quantity) else ""
        if asked.name == "level":
            return self._level(USUAL_SHARE)
        if dimension == "temperature":
            warm = asked.name == "air"
            return ("65 F" if warm else "55 F") if us else ("18 C" if warm else "13 C")
        if dimension == "flow" and self.zone is not None:
            return self._flow(WET_SHARE * sum(self._flows(self.zone, self._usual_m()).values()))
        if dimension == "duration":
            return show_duration(FLUSH_S)
        return ""

    def _usual_m(self) -> float:
        return USUAL_SHARE * self.stage.brim_level_m

    def _flows(self, zone: Zone, level_m: float) -> dict[str, float]:
        """L/h of each emitter."""
        network = zone_network(self.site, zone)
        return dict(zip(network.emitter_ids, solve(network, level_m).flow_lph.tolist(), strict=True))

    def _pours(self) -> dict[str, dict[str, str]]:
        levels = [share * self.stage.brim_level_m for share in POUR_SHARES]
        poured = [0.0, *(b - a for a, b in pairwise(self.stage.volume_l(m) for m in levels))]
        places = [f"pour {n}" for n in range(1, len(levels) + 1)]
        return {
            "added": {**dict(zip(places, map(self._volume, poured), strict=True)), "": ""},
            "level": {**dict(zip(places, map(self._height, levels), strict=True)), "": ""},
        }

    def _flushes(self, zone: Zone) -> dict[str, dict[str, str]]:
        full_l = self.stage.full_l
        litres = {
            line.id: min(1000.0 * FLUSH_MS * math.pi / 4.0 * line.bore_m**2 * FLUSH_S, full_l)
            for line in zone.lines
        }
        return {"volume": {line: self._volume(v) for line, v in litres.items()}}

    def _draws(self, zone: Zone) -> dict[str, dict[str, str]]:
        found: dict[str, dict[str, str]] = {"level": {}, "volume": {}, "level-end": {}}
        for number, share in enumerate(LEVEL_SHARES, 1):
            level_m = share * self.stage.brim_level_m
            litres = sum(self._flows(zone, level_m).values()) * RUN_S / 3600.0
            place = f"draw {number}"
            found["level"][place] = self._height(level_m)
            found["volume"][place] = self._volume(litres, 1)
            found["level-end"][place] = self._end(level_m, litres)
        return found | {"time": {"": show_duration(RUN_S)}}

    def _cans(self, zone: Zone) -> dict[str, dict[str, str]]:
        level_m = self._usual_m()
        litres = {e: q * RUN_S / 3600.0 for e, q in self._flows(zone, level_m).items()}
        cans = {e: self._volume(v, 1) for e, v in litres.items()}
        drawn = sum(parse(text, "volume") for text in cans.values())
        return {
            "time": {"": show_duration(RUN_S)},
            "drawn": {"": self._volume(drawn)},
            "level-end": {"": self._end(level_m, drawn)},
            "volume": cans,
        }

    def _turns(self, zone: Zone) -> dict[str, dict[str, str]]:
        bubblers = [e.id for e in zone.emitters if e.form == "bubbler"]
        if not bubblers:
            return {"emitter": {"": ""}, "volume": {"": ""}}
        litres = self._flows(zone, self._usual_m())[bubblers[0]] * TURN_S / 3600.0
        return {
            "emitter": {"": bubblers[0]},
            "volume": {"": self._volume(litres, 1)},
            "time": {"": show_duration(TURN_S)},
        }

    def _level(self, share: float) -> str:
        return self._height(share * self.stage.brim_level_m)

    def _height(self, level_m: float, *, fine: bool = False) -> str:
        us = self.units == "us"
        value, step = (level_m / _INCH_M, _FINE_IN) if us else (100.0 * level_m, _FINE_CM)
        if value >= _WHOLE_ABOVE and not fine:
            step = 1.0
        return f"{round(value / step) * step:g} {'in' if us else 'cm'}"

    def _end(self, level_m: float, litres: float) -> str:
        """The level after so many litres; nothing where a ruler would not show that it fell."""
        begun_m = parse(self._height(level_m), "length")
        end = self._height(self.stage.level_m(max(0.0, self.stage.volume_l(begun_m) - litres)), fine=True)
        return end if parse(end, "length") < begun_m else ""

    def _volume(self, litres: float, figures: int = 2) -> str:
        """As a can or a bucket is read."""
        if self.units == "us":
            if 0.0 < litres < 0.25 * _GALLON_L:
                return f"{_plain(litres / _OUNCE_L, figures)} fl oz"
            return f"{_plain(litres / _GALLON_L, figures)} gal"
        return (
            f"{_plain(1000.0 * litres, figures)} mL" if 0.0 < litres < 1.0 else f"{_plain(litres, figures)} L"
        )

    def _flow(self, flow_lph: float) -> str:
        us = self.units == "us"
        return f"{_plain(flow_lph / _GALLON_L, 1)} gph" if us else f"{_plain(flow_lph, 1)} L/h"


def _plain(value: float, figures: int) -> str:
    """So many figures, never written as a power of ten."""
    if value <= 0.0:
        return "0"
    places = figures - 1 - math.floor(math.log10(value))
    return f"{round(value, places):.{max(0, places)}f}"
