"""A flow meter at the node, where one is fitted: whether water came while a valve was open, and how much.

Many meters stand still at the small flows of a head of a metre (from memory); so only a zone whose runs the
meter did count before is judged by its silence. Litres are known where the site file says what a pulse is.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

from scheduler.control.effects import Note
from scheduler.control.events import NodeHeard
from scheduler.control.orders import RunOutcome
from scheduler.control.state import MeterBegin, OpenIntent, Turn
from scheduler.site.model import DisplayUnits
from scheduler.site.showing import show_volume

# A shorter run may end before the meter has turned once (our choice).
METERED_MS_MIN = 60_000
# The largest error of a meter between its least and its transitional flow (OIML R 49-1, class 2, from memory:
# 5 %); a garden hanging by gravity rarely runs it faster.
METER_SHARE = 0.05
METERED = "metered"
# A count taken later than this after a valve began to open, or was shut, may hold water of others (ours).
LATE_MS = 10_000


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


def see_meter(turn: Turn, heard: NodeHeard) -> None:
    """Keep where the meter stood as a valve began to open for an order of ours."""
    if heard.flow_pulses is None:
        return
    begun = {v.order_id: v.open_ms for v in heard.valves if v.position in ("opening", "open")}
    intents = tuple(
        replace(h, meter=MeterBegin(heard.session, heard.uptime_ms - open_ms, heard.flow_pulses))
        if h.meter is None
        and not h.seen_running
        and (open_ms := begun.get(h.intent.order.order_id, LATE_MS + 1)) <= LATE_MS
        else h
        for h in turn.state.intents
    )
    if intents != turn.state.intents:
        turn.change(intents=intents)


def metered(turn: Turn, held: OpenIntent, outcome: RunOutcome) -> Metered | None:
    """The run by the meter; None where none is fitted, its pulse is not known, or it did not turn."""
    pulse_l = turn.state.site.node.meter_pulse_l
    counted = _counted(turn, held, outcome)
    if pulse_l is None or not counted:
        return None
    low_l = (counted - 1) * pulse_l * (1.0 - METER_SHARE)
    return Metered(counted * pulse_l, low_l, (counted + 1) * pulse_l * (1.0 + METER_SHARE))


def by_meter(water: RunWater, meter: Metered | None, curve_sd: float, units: DisplayUnits) -> RunWater:
    """The water of a run as the meter counted it, shared among the plants as by the zone's curve.

    Only where the level has proven the curve (``curve_sd`` of its flow) as well as a meter is true, the meter
    is finer than the curve, and the two agree: a meter that slips at small flows counts too little, and a
    coarse one whole pulses. So the most that can have flowed stays the curve's. Where they contradict each
    other nobody knows which is right: the curve's litres, an interval over both.
    """
    if meter is None:
        return water
    said = f"the flow meter says {show_volume(meter.volume_l, units)}"
    if water.volume_l <= 0.0:
        return RunWater(water.litres, meter.volume_l, 0.0, max(water.high_l, meter.high_l), said)
    if meter.high_l < water.low_l or meter.low_l > water.high_l:
        low_l, high_l = min(water.low_l, meter.low_l), max(water.high_l, meter.high_l)
        return RunWater(water.litres, water.volume_l, low_l, high_l, said)
    finer = meter.high_l - meter.low_l < water.high_l - water.low_l
    if not finer or curve_sd > METER_SHARE:
        return water
    volume_l = min(meter.volume_l, water.high_l)
    share = volume_l / water.volume_l
    litres = {plant: share * litres for plant, litres in water.litres.items()}
    return RunWater(litres, volume_l, min(volume_l, max(water.low_l, meter.low_l)), water.high_l, METERED)


def count_run(turn: Turn, held: OpenIntent, outcome: RunOutcome) -> None:
    """Compare the meter's count before and after a run that ended."""
    counted = _counted(turn, held, outcome)
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


def _counted(turn: Turn, held: OpenIntent, outcome: RunOutcome) -> int | None:
    """Pulses from the valve's beginning to open until it was shut; None where nobody knows: the node began
    anew and counts from 0, or a report came too late and counts what others drew."""
    node, begin = turn.state.node, held.meter
    if node is None or node.flow_pulses is None or begin is None or node.session != begin.session:
        return None
    closing_ms = turn.state.site.zone(held.intent.zone).valve.closing_s * 1000
    late_ms = node.uptime_ms - begin.uptime_ms - outcome.open_ms - closing_ms
    counted = node.flow_pulses - begin.pulses
    return counted if counted >= 0 and late_ms <= LATE_MS else None
