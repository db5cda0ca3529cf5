"""How long a zone must run for the same litres from each level, filling of the lines included."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from scheduler.planning.garden import GardenModel, run_litres

Array = NDArray[np.float64]

# A run longer than this is not drawn: the valve would not be left open so long.
LONGEST_RUN_S = 6.0 * 3600.0
# The table begins where the barrels hold so many times the litres.
LEFT_OVER = 1.25
# Levels of the table.
RUN_LEVELS = 25
# Litres are settled to this share; the time is nearly straight in them, so false position is quick.
_LITRES_SHARE = 1e-4
_STEPS_MAX = 40


@dataclass(frozen=True, slots=True)
class RunTimes:
    """``runs_s`` at each starting level above the outlet: seconds fully open until ``volume_l`` has come out
    of the zone's emitters; nan where it cannot within ``longest_s``.

    ``stops_m``: below it the water no longer reaches the whole zone, which is then not watered: the table
    ends there. ``shortest_s`` and ``longest_band_s``: the same with the zone giving one standard deviation
    more and less; None where its error is not known.
    """

    zone: str
    volume_l: float
    levels_m: Array
    runs_s: Array
    shortest_s: Array | None
    longest_band_s: Array | None
    longest_s: float
    stops_m: float = 0.0


def run_times(
    model: GardenModel,
    zone_id: str,
    volume_l: float,
    *,
    flow_sd_share: float | None = None,
    longest_s: float = LONGEST_RUN_S,
    levels: int = RUN_LEVELS,
) -> RunTimes:
    """The table of one zone. ``flow_sd_share``: one standard deviation of its flow, as a share. ValueError
    for litres that are none; KeyError for an unknown zone."""
    if not volume_l > 0.0:
        raise ValueError(f"run times for {volume_l} L; give litres above 0")
    model.zones[zone_id].priming_curve.make_all()
    # From the level on at which the barrels hold a little more: the last of it takes for ever.
    stop_m = model.zones[zone_id].worst_stop_m
    stops_m = stop_m if stop_m < model.stage.brim_level_m else 0.0  # some emitter is dry when full: no end
    lowest_m = min(max(model.stage.level_m(LEFT_OVER * volume_l), stops_m), model.stage.brim_level_m)
    at = np.linspace(lowest_m, model.stage.brim_level_m, levels)

    def table(factor: float) -> Array:
        return np.array([_run_s(model, zone_id, float(x), volume_l, factor, longest_s) for x in at])

    return RunTimes(
        zone=zone_id,
        volume_l=volume_l,
        levels_m=at,
        runs_s=table(1.0),
        shortest_s=table(1.0 + flow_sd_share) if flow_sd_share is not None else None,
        longest_band_s=table(1.0 - flow_sd_share) if flow_sd_share is not None else None,
        longest_s=longest_s,
        stops_m=stops_m,
    )


def _run_s(
    model: GardenModel, zone_id: str, level_m: float, volume_l: float, factor: float, longest_s: float
) -> float:
    """The run that gives the litres; nan when even the longest gives less."""
    if level_m <= 0.0:
        return float("nan")

    def given(run_s: float) -> float:
        return run_litres(model, zone_id, level_m, run_s, factor)[1]

    guess_s = _unprimed_s(model, zone_id, level_m, volume_l, factor)
    if 0.0 < guess_s <= longest_s and abs(given(guess_s) - volume_l) < _LITRES_SHARE * volume_l:
        return guess_s
    low, high, under, over = 0.0, longest_s, -volume_l, given(longest_s) - volume_l
    if over < 0.0:
        return float("nan")
    for _ in range(_STEPS_MAX):
        run_s = low + (high - low) * under / (under - over)
        miss = given(run_s) - volume_l
        if abs(miss) < _LITRES_SHARE * volume_l:
            return run_s
        # Illinois: the end that stays counts half, so that both ends move (Dowell & Jarratt 1971).
        if miss < 0.0:
            low, under, over = run_s, miss, 0.5 * over
        else:
            high, over, under = run_s, miss, 0.5 * under
    return 0.5 * (low + high)


def _unprimed_s(model: GardenModel, zone_id: str, level_m: float, volume_l: float, factor: float) -> float:
    """The run that gives the litres and those that the lines keep, as if no emitter missed more than it
    gives: true of all but short runs; nan when the store cannot give so much."""
    zone = model.zones[zone_id]
    prime = zone.prime(level_m)
    kept_l = factor * float(prime.missing_l.sum()) - float(prime.drained_l.sum())
    held_l = model.stage.volume_l(level_m)
    start_m = zone.outlet_level_m(model.stage.level_m(max(0.0, held_l - max(0.0, -kept_l))))
    try:
        return zone.drawdown.run_for_volume(start_m, volume_l + kept_l, flow_factor=factor).run_s
    except ValueError:
        return float("nan")
