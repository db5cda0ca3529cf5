"""A flow meter at the node, where one is fitted: whether water came while a valve was open, and how much.

Many meters stand still at the small flows of a head of a metre (from memory); so only a zone whose runs the
meter did count before is judged by its silence. Litres are known where the site file says what a pulse is.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from scheduler.control.effects import Note
from scheduler.control.orders import RunOutcome
from scheduler.control.state import NodeView, OpenIntent, Turn
from scheduler.site.model import DisplayUnits
from scheduler.site.showing import show_volume

# A shorter run may end before the meter has turned once (our choice).
METERED_MS_MIN = 60_000
# The largest error of a meter between its least and its transitional flow (OIML R 49-1, class 2, from memory:
# 5 %); a garden hanging by gravity rarely runs it faster.
METER_SHARE = 0.05
METERED = "metered"


@dataclass(frozen=True, slots=True)
class Metered:
    """Litres of a run by the meter, and between which they lie by its error and its whole pulses."""

    volume_l: float
    low_l: float
    high_l: float


@dataclass(frozen=True, slots=True)
class RunWater:
    """Water of a run: plant -> litres, the whole, its bounds, and a word on where it is from."""

    litres: Mapping[str, float]
    volume_l: float
    low_l: float
    high_l: float
    note: str = ""


def metered(turn: Turn, held: OpenIntent, outcome: RunOutcome) -> Metered | None:
    """The run by the meter; None where none is fitted, its pulse is not known, or it did not turn."""
    pulse_l = turn.state.site.node.meter_pulse_l
    counted = _counted(turn.state.node, held, outcome)
    if pulse_l is None or not counted:
        return None
    low_l = (counted - 1) * pulse_l * (1.0 - METER_SHARE)
    return Metered(counted * pulse_l, low_l, (counted + 1) * pulse_l * (1.0 + METER_SHARE))


def by_meter(water: RunWater, meter: Metered | None, units: DisplayUnits) -> RunWater:
    """The water of a run as the meter counted it, shared among the plants as by the zone's curve. Where the
    two contradict each other, nobody knows which is right: the curve's litres, an interval over both."""
    if meter is None or water.volume_l <= 0.0:
        return water
    if meter.high_l < water.low_l or meter.low_l > water.high_l:
        said = f"the flow meter says {show_volume(meter.volume_l, units)}"
        return RunWater(
            water.litres, water.volume_l, min(water.low_l, meter.low_l), max(water.high_l, meter.high_l), said
        )
    share = meter.volume_l / water.volume_l
    litres = {plant: share * litres for plant, litres in water.litres.items()}
    return RunWater(litres, meter.volume_l, meter.low_l, meter.high_l, METERED)


def count_run(turn: Turn, held: OpenIntent, outcome: RunOutcome) -> None:
    """Compare the meter's count before and after a run that ended."""
    counted = _counted(turn.state.node, held, outcome)
    if counted is None or outcome.open_ms < METERED_MS_MIN:
        return
    zone = held.intent.zone
    if counted > 0:
        turn.change(metered=turn.state.metered | {zone})
        turn.emit(Note(f"Zone {zone}: the flow meter counted {counted} pulse(s)."))
    elif zone in turn.state.metered:
        turn.emit(Note(f"Zone {zone}: the flow meter counted nothing, though it did in earlier runs."))
        if turn.state.proof is None:  # else the level judges the same run
            counts = dict(turn.state.poor_runs)
            counts[zone] = max(counts.get(zone, 0), 0) + 1
            turn.change(poor_runs=tuple(sorted(counts.items())))


def _counted(node: NodeView | None, held: OpenIntent, outcome: RunOutcome) -> int | None:
    """Pulses since the order was made. A node that restarted counts from 0: then nobody knows."""
    if node is None or node.flow_pulses is None or held.flow_pulses is None or outcome.why == "restart":
        return None
    counted = node.flow_pulses - held.flow_pulses
    return counted if counted >= 0 else None
