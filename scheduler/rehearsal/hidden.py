"""What a virtual garden hides from the controller: sizes as options, and one garden drawn from a seed.

Each part draws from a stream of its own, so that a new kind of fault does not shift the others.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, fields
from enum import IntEnum
from typing import Any

import numpy as np

from scheduler.site.model import DisplayUnits, Site
from scheduler.site.showing import show_flow, show_length, show_share


class Part(IntEnum):
    """One random stream each. Numbers stay for good: a new part takes the next free one."""

    EMITTERS = 1
    CLOGGING = 2
    SENSOR = 3
    PRIMING = 4
    RAIN = 5
    FORECAST = 6
    VALVE = 7


def stream(seed: int, part: Part) -> np.random.Generator:
    """The random stream of one part of the garden with that seed."""
    return np.random.default_rng([seed, int(part)])


# Of a size below this nothing is there to be told (rounding of figures near one).
NOTHING = 1e-9


@dataclass(frozen=True, slots=True)
class Hidden:
    """Sizes of what the controller is not told. The defaults are what a careful commissioning leaves."""

    coefficient_sd: float = 0.015  # of ln k, each emitter
    exponent_sd: float = 0.015  # of x, each emitter
    clogging_loss: float = 0.15  # share of the flow lost by the end of the season
    clogging_spread: float = 0.0  # standard deviation between emitters, relative to their loss
    level_noise_m: float = 0.004  # standard deviation, common to the pings of one report
    ping_scatter_m: float = 0.002  # standard deviation between the pings of one report
    level_offset_m: float = 0.005  # constant; its sign is drawn
    emptied_share_error: float = 0.15  # half width, on the share of the line that empties between runs
    priming_loss_factor: float = 1.15  # true litres missed while filling over those of the usual estimate
    leak_lph: float = 0.3  # from the outlet fitting, day and night
    travel_sd: float = 0.05  # relative, of each valve's travel times

    def lines(self) -> tuple[str, ...]:
        """Every option with its value, for a program."""
        return tuple(f"{f.name} = {getattr(self, f.name):g}" for f in fields(self))

    def words(self, units: DisplayUnits) -> tuple[str, ...]:
        """The same in words of the garden, to print with a run; what is not there is left out. sd: standard
        deviation."""
        more = self.priming_loss_factor - 1.0
        said = (
            (self.coefficient_sd, f"each emitter's flow differs by {show_share(self.coefficient_sd)} (sd)"),
            (self.exponent_sd, f"its exponent differs by {self.exponent_sd:g} (sd)"),
            (
                self.clogging_loss,
                f"clogging takes {show_share(self.clogging_loss)} of the flow by the last day",
            ),
            (
                self.clogging_spread,
                f"at one emitter more than at another by {show_share(self.clogging_spread)}",
            ),
            (
                self.level_noise_m,
                f"the level is read with {_small(self.level_noise_m, units)} of noise (sd)",
            ),
            (self.ping_scatter_m, f"its pings scatter by {_small(self.ping_scatter_m, units)} (sd)"),
            (self.level_offset_m, f"the sensor is {_small(self.level_offset_m, units)} off"),
            (
                self.emptied_share_error,
                "of the share of a line that empties between runs up to "
                f"{100.0 * self.emptied_share_error:g} percentage points are not known",
            ),
            (
                more,
                f"filling the lines costs {show_share(abs(more))} {'more' if more > 0.0 else 'less'} water "
                "than reckoned",
            ),
            (self.leak_lph, f"a leak takes {show_flow(self.leak_lph, units)}, day and night"),
            (self.travel_sd, f"valves take {show_share(self.travel_sd)} longer or shorter to move (sd)"),
        )
        return tuple(text for value, text in said if abs(value) > NOTHING)


NOTHING_HIDDEN = Hidden(
    coefficient_sd=0.0,
    exponent_sd=0.0,
    clogging_loss=0.0,
    level_noise_m=0.0,
    ping_scatter_m=0.0,
    level_offset_m=0.0,
    emptied_share_error=0.0,
    priming_loss_factor=1.0,
    leak_lph=0.0,
    travel_sd=0.0,
)


@dataclass(frozen=True, slots=True)
class Truth:
    """One garden as it really is, by emitter or zone id."""

    seed: int
    hidden: Hidden
    coefficient_factor: Mapping[str, float]
    exponent_shift: Mapping[str, float]
    clogging_loss: Mapping[str, float]  # emitter -> share of its flow lost at the end of the season
    level_offset_m: float
    emptied_share: Mapping[str, float]  # zone
    opening_s: Mapping[str, float]  # zone
    closing_s: Mapping[str, float]


def draw_truth(site: Site, seed: int, hidden: Hidden) -> Truth:
    """The true garden behind ``site`` for that seed."""
    emitters = [e for zone in site.zones for e in zone.emitters]
    ids = [e.id for e in emitters]
    rng = stream(seed, Part.EMITTERS)
    ln_k = hidden.coefficient_sd * rng.standard_normal(len(ids))
    x_shift = hidden.exponent_sd * rng.standard_normal(len(ids))
    wear = 1.0 + hidden.clogging_spread * stream(seed, Part.CLOGGING).standard_normal(len(ids))
    loss = np.clip(hidden.clogging_loss * wear, 0.0, 0.95)
    prime = stream(seed, Part.PRIMING)
    travel = stream(seed, Part.VALVE)
    sign = 1.0 if stream(seed, Part.SENSOR).random() < 0.5 else -1.0
    return Truth(
        seed=seed,
        hidden=hidden,
        coefficient_factor=_by_id(ids, np.exp(ln_k)),
        exponent_shift=_by_id(ids, x_shift),
        clogging_loss=_by_id(ids, loss),
        level_offset_m=sign * hidden.level_offset_m,
        emptied_share={
            z.id: _share(z.emptied_share + hidden.emptied_share_error * prime.uniform(-1.0, 1.0))
            for z in site.zones
        },
        opening_s={z.id: z.valve.opening_s * _factor(travel, hidden.travel_sd) for z in site.zones},
        closing_s={z.id: z.valve.closing_s * _factor(travel, hidden.travel_sd) for z in site.zones},
    )


def _by_id(ids: list[str], values: np.ndarray[Any, np.dtype[np.float64]]) -> dict[str, float]:
    return {i: float(v) for i, v in zip(ids, values, strict=True)}


def _small(length_m: float, units: DisplayUnits) -> str:
    """Some millimetres, or inches."""
    return f"{1000.0 * length_m:g} mm" if units == "metric" else show_length(length_m, units)


def _share(value: float) -> float:
    return min(0.98, max(0.0, value))


def _factor(rng: np.random.Generator, sd: float) -> float:
    return math.exp(sd * float(rng.standard_normal()))
