"""How long the water lasts and whether it is short today, from what the controller knows: level, root zones,
forecast, past weather."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date, timedelta

from scheduler.agronomy.weather import DayWeather, Outlook
from scheduler.control.leaks import leak_l_day
from scheduler.control.ledger import REVISED_DAYS, weather_of, zones_after_today
from scheduler.control.state import Turn
from scheduler.planning.choices import Way
from scheduler.planning.garden import GardenModel
from scheduler.planning.lasting import Lasting
from scheduler.planning.past_years import with_days
from scheduler.planning.spending import Ration, looked_d, ration_today, store_ahead, ways_of


@dataclass(frozen=True, slots=True)
class Supply:
    """How long the store lasts, and today's rationing where it is in force."""

    lasting: Lasting
    ration: Ration | None


def supply_now(
    turn: Turn,
    model: GardenModel,
    way: Way,
    *,
    level_m: float | None,
    outlook: Outlook | None,
) -> Supply | None:
    """What the stored water does; None where nothing tells.

    ``outlook``: the forecast unless it is too old to count on its rain.
    """
    state, day = turn.state, turn.local_day
    _learn_past(turn)
    if level_m is None:
        return None
    told = outlook if outlook is not None else _aged(state.outlook, day)
    ways = ways_of(state.site.place, day, told, turn.state.past)
    if ways is None:
        return None
    depletion = {plant: zone.depletion_mm for plant, zone in zones_after_today(state, day).items()}
    store = store_ahead(
        model, level_m=level_m, depletion_mm=depletion, first=day, ways=ways, leak_l=leak_l_day(state)
    )
    return Supply(store.lasting, ration_today(store, way, looked_d(turn.state.past, day)))


def _aged(outlook: Outlook | None, day: date) -> Outlook | tuple[DayWeather, ...]:
    """What an outlook too old to count on still says: how thirsty the days are, as wide as it has become.

    Its rain and its members say nothing of the coming days any more; nor its ET0 where nobody widened it.
    """
    if outlook is None or outlook.et0_on(day) is None:
        return ()
    days = tuple(replace(d, rain_mm=None, rain_probability=None) for d in outlook.days)
    return replace(outlook, days=days, ensemble=None)


def _learn_past(turn: Turn) -> None:
    """The days that are over become part of the place's past, anew while their rain may still be mended."""
    state, today = turn.state, turn.local_day
    known = {d.day for d in state.weather}
    recent = [today - timedelta(days=n) for n in range(REVISED_DAYS, 0, -1)]
    days = [weather_of(state, d)[0] for d in recent if d in known]
    if days:
        turn.change(past=with_days(state.past, days, state.site.place))
