"""The level sensor against a ruler: what one raw count is worth, and how far the zero is off.

A pressure cell and a float are straight lines, ``level = zero + scale * raw``; both are fitted by least
squares. An echo's scale is the speed of sound, so only its zero is fitted, and its slope is looked at: a
slope that is not 1 tells of air that was not as warm as stated, or of an echo from something else.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from scheduler.sensing.scale import level_from_raw
from scheduler.site.errors import UsageError
from scheduler.site.model import LevelSensor, Site
from scheduler.site.showing import show_length
from scheduler.survey.intervals import Measured, error_scale
from scheduler.survey.tests_done import SensorScale

Array = NDArray[np.float64]

# Error of a level read by hand on a ruler or a sight tube, one sd (common practice, no source).
HAND_SD_M = 0.005
# Levels closer together than this tell no scale.
LEAST_SPAN_M = 0.10
# The same in words, whole in either unit.
_SPAN = {"metric": "10 cm", "us": "4 in"}
# A reading further from the fit than so many standard errors is doubtful.
DOUBTFUL_SD = 3.0
# Offsets up to this much are not worth a word: about what a ruler tells.
SMALL_OFFSET_M = 0.01


@dataclass(frozen=True, slots=True)
class SensorFit:
    """``offset_m`` is what to add to the levels that the site file gives, with ``scale_m`` in place of its
    scale; its error is that at ``middle_m``, the middle of the levels measured, and grows away from it.

    ``off_m``: by hand less by the site file, at that middle; None where the file has no scale.
    ``scale_m``: metres for each raw count, None for an echo. ``slope``: level by hand for each metre by the
    site file; None where the levels were too few or too close. ``scale_fitted``: False where the drawn scale
    was kept. ``residuals_m``: hand less fit; ``residual_sd_m`` None with none to spare. ``doubtful``: number
    of the reading, from 0, that fits the others least.
    """

    scale_m: Measured | None
    offset_m: Measured
    off_m: Measured | None
    slope: Measured | None
    scale_fitted: bool
    middle_m: float
    slope_sd: float  # of a metre of level, away from the middle; 0 where it was not fitted
    residuals_m: tuple[float, ...]
    residual_sd_m: float | None
    doubtful: tuple[int, ...]
    lowest_m: float
    highest_m: float
    verdict: str

    def level_sd_m(self, level_m: float) -> float:
        """What is left unknown of a level by this fit, one sd."""
        return float(np.hypot(self.offset_m.sd, self.slope_sd * (level_m - self.middle_m)))

    def on(self, sensor: LevelSensor) -> LevelSensor:
        """The sensor as it was found: its scale, and its mounting height moved by the offset."""
        scale = sensor.scale_m if self.scale_m is None else self.scale_m.value
        return replace(sensor, scale_m=scale, mount_height_m=sensor.mount_height_m + self.offset_m.value)


def sensor_scale(site: Site, record: SensorScale, *, hand_sd_m: float = HAND_SD_M) -> SensorFit:
    """Fit the sensor of a site to levels measured by hand.

    One reading, or some closer than ``LEAST_SPAN_M``, give the zero only. UsageError for a garden without a
    sensor, or with readings that hold no scale where the site file has none either.
    """
    sensor = site.sensor
    if sensor is None:
        raise UsageError(f"garden {site.id!r} has no level sensor; add a [sensor] table to its site file")
    hand = np.array([r.level_m for r in record.readings])
    raw = np.array([r.raw for r in record.readings])
    spread = float(np.ptp(hand)) >= LEAST_SPAN_M and float(np.ptp(raw)) > 0.0
    if sensor.kind != "echo" and spread:
        return _line_fit(site, sensor, hand, raw, hand_sd_m)
    if sensor.kind != "echo" and sensor.scale_m is None:
        raise UsageError(
            f"levels so close together tell no scale: measure at two levels {_SPAN[site.units]} apart or more"
        )
    drawn = np.array([level_from_raw(site, r.raw, r.air_c) for r in record.readings])
    return _zero_fit(site, sensor, hand, drawn, hand_sd_m, spread)


def _line_fit(site: Site, sensor: LevelSensor, hand: Array, raw: Array, sd_m: float) -> SensorFit:
    """level = a + b raw, by least squares about the middle."""
    middle_raw = float(raw.mean())
    off = raw - middle_raw
    scale = float(off @ hand / (off @ off))
    residuals = hand - hand.mean() - scale * off
    free = len(hand) - 2
    widen, times = error_scale(float(residuals @ residuals) / sd_m**2, free)
    scale_sd = widen * sd_m / float(np.sqrt(off @ off))
    offset_sd = widen * sd_m / float(np.sqrt(len(hand)))
    at_middle = sensor.mount_height_m - site.tank.outlet_height_m + scale * middle_raw
    offset = float(hand.mean()) - at_middle
    drawn_scale = sensor.scale_m
    slope = off_file = None
    if drawn_scale is not None and drawn_scale != 0.0:
        slope = Measured.of(scale / drawn_scale, scale_sd / abs(drawn_scale), times)
        off_file = Measured.of(offset + (scale - drawn_scale) * middle_raw, offset_sd, times)
    fit = SensorFit(
        scale_m=Measured.of(scale, scale_sd, times),
        offset_m=Measured.of(offset, offset_sd, times),
        off_m=off_file,
        slope=slope,
        scale_fitted=True,
        middle_m=float(hand.mean()),
        slope_sd=scale_sd / abs(scale) if scale != 0.0 else float("inf"),
        residuals_m=tuple(residuals.tolist()),
        residual_sd_m=_residual_sd(residuals, free),
        doubtful=_doubtful(residuals, sd_m, free),
        lowest_m=float(hand.min()),
        highest_m=float(hand.max()),
        verdict="",
    )
    return replace(fit, verdict=_verdict(site, fit))


def _zero_fit(
    site: Site, sensor: LevelSensor, hand: Array, drawn: Array, sd_m: float, spread: bool
) -> SensorFit:
    """The zero alone, with the scale as drawn."""
    offset = float((hand - drawn).mean())
    residuals = hand - drawn - offset
    free = len(hand) - 1
    widen, times = error_scale(float(residuals @ residuals) / sd_m**2, free)
    slope = None
    if spread:
        away = drawn - drawn.mean()
        square = float(away @ away)
        if square > 0.0:
            slope = Measured.of(float(away @ hand) / square, sd_m / square**0.5, times)
    scale = None if sensor.scale_m is None else Measured.of(sensor.scale_m, 0.0)
    zero = Measured.of(offset, widen * sd_m / float(np.sqrt(len(hand))), times)
    fit = SensorFit(
        scale_m=scale,
        offset_m=zero,
        off_m=zero,
        slope=slope,
        scale_fitted=False,
        middle_m=float(hand.mean()),
        slope_sd=0.0,
        residuals_m=tuple(residuals.tolist()),
        residual_sd_m=_residual_sd(residuals, free),
        doubtful=_doubtful(residuals, sd_m, free),
        lowest_m=float(hand.min()),
        highest_m=float(hand.max()),
        verdict="",
    )
    return replace(fit, verdict=_verdict(site, fit))


def _residual_sd(residuals: Array, free: int) -> float | None:
    return None if free < 1 else float(np.sqrt(residuals @ residuals / free))


def _doubtful(residuals: Array, sd_m: float, free: int) -> tuple[int, ...]:
    """The worst one only: it pulls the fit, so that good ones lie off too."""
    worst = int(np.argmax(np.abs(residuals)))
    return (worst,) if free >= 1 and abs(residuals[worst]) > DOUBTFUL_SD * sd_m else ()


def _verdict(site: Site, fit: SensorFit) -> str:
    """Plain words: how far off it was, how well it fits now, what to do."""
    words = [_offset_words(site, fit)]
    if len(fit.residuals_m) == 1:
        words.append(
            f"One level tells the zero only; measure at a second one, {_SPAN[site.units]} away or more."
        )
    elif fit.scale_fitted and fit.slope is not None and not fit.slope.low <= 1.0 <= fit.slope.high:
        words.append(f"A count is worth {fit.slope.value:.3f} of what the site file says.")
    elif not fit.scale_fitted and fit.slope is not None and not fit.slope.low <= 1.0 <= fit.slope.high:
        words.append(
            f"By hand the level moves {fit.slope.value:.2f} times as far as by the sensor: "
            "see what its echo comes from, and note the air's temperature."
        )
    if fit.residual_sd_m is not None:
        words.append(f"Readings lie {show_length(fit.residual_sd_m, site.units)} about the fit.")
    if fit.doubtful:
        words.append(f"Measure reading {fit.doubtful[0] + 1} again: it does not fit the others.")
    return " ".join(words)


def _offset_words(site: Site, fit: SensorFit) -> str:
    units = site.units
    off = fit.off_m
    if off is None:
        shown = show_length(fit.offset_m.high - fit.offset_m.value, units)
        return f"The sensor now has a scale; its zero is known to {shown}."
    give = f"give or take {show_length(off.high - off.value, units)}"
    if abs(off.value) <= SMALL_OFFSET_M and off.low <= 0.0 <= off.high:
        return f"The sensor's zero is right, {give}."
    side = "low" if off.value > 0.0 else "high"
    where = f" at {show_length(fit.middle_m, units)}" if fit.scale_fitted else ""
    return f"The sensor read {show_length(abs(off.value), units)} too {side}{where}, {give}."
