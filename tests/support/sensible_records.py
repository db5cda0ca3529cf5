"""One record of each kind that makes sense in the small garden of our own."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

from scheduler.hydraulics.network import zone_network
from scheduler.hydraulics.solve import solve
from scheduler.sensing.scale import raw_at_level
from scheduler.supply.stage import stage_storage
from scheduler.survey.tests_done import (
    Can,
    CatchCans,
    Draw,
    Flush,
    HandLevel,
    HeadFlow,
    LeakAtRest,
    LineFlushed,
    Poured,
    PourRead,
    PrimeTime,
    RestReading,
    SensorScale,
    TestRecord,
    TravelTimes,
    Trim,
    TurnDone,
    WetPlace,
    WetWalk,
)
from tests.support.gardens import small_garden

AT = datetime(2012, 5, 20, tzinfo=UTC)
SITE = small_garden()
STAGE = stage_storage(SITE.tank)
MORE = {"at": AT, "who": "Ida"}


def _pots_lph(level_m: float) -> float:
    return float(solve(zone_network(SITE, SITE.zones[0]), level_m).total_lph)


def good_records() -> list[TestRecord]:
    """In no order of use."""
    raws = [float(raw_at_level(SITE, level, 20.0)[0]) for level in (0.2, 0.7)]
    half = _pots_lph(0.6) / 12.0
    return [
        SensorScale(
            readings=(
                HandLevel(level_m=0.2, raw=raws[0], air_c=20.0),
                HandLevel(level_m=0.7, raw=raws[1], air_c=20.0),
            ),
            **MORE,
        ),
        LeakAtRest(
            readings=(
                RestReading(at=AT, level_m=0.60, water_c=14.0),
                RestReading(at=AT + timedelta(hours=20), level_m=0.59, water_c=16.0),
            ),
            **MORE,
        ),
        WetWalk(zone="pots", level_m=0.7, places=(WetPlace(where="tee", mended=True, flow_lph=0.5),), **MORE),
        Flush(
            zone="pots",
            lines=(LineFlushed(line="pots-line", clear=True, run_s=90.0, volume_l=6.0),),
            **MORE,
        ),
        PrimeTime(zone="pots", level_m=0.7, prime_s=25.0, emitter="p2", **MORE),
        HeadFlow(
            zone="pots",
            draws=tuple(
                Draw(level_m=level, run_s=360.0, volume_l=_pots_lph(level) / 10.0)
                for level in (0.7, 0.4, 0.1)
            ),
            **MORE,
        ),
        CatchCans(
            zone="pots",
            level_m=0.6,
            run_s=600.0,
            cans=(Can(emitter="p1", volume_l=half), Can(emitter="p2", volume_l=half)),
            drawn_l=2.02 * half,
            **MORE,
        ),
        Trim(zone="pots", level_m=0.6, turns=(TurnDone(emitter="p1", volume_l=0.2, run_s=60.0),), **MORE),
        TravelTimes(zone="pots", opening_s=(8.0, 8.3), closing_s=(7.9,), **MORE),
        Poured(
            pours=tuple(
                PourRead(added_l=40.0, level_m=STAGE.level_m(litres)) for litres in (20.0, 60.0, 100.0, 140.0)
            ),
            **MORE,
        ),
    ]
