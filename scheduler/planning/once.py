"""A plan from a file of weather alone, for a garden whose past is not in the store."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, datetime, timedelta

from scheduler.agronomy.coefficients import plant_coefficient
from scheduler.agronomy.et0 import ReferenceEt, reference_et
from scheduler.agronomy.need import PlantNeed, RootZone, advance_day, daily_need_l, full_root_zone, plant_need
from scheduler.agronomy.weather import DayWeather, Outlook
from scheduler.planning.choices import DEFAULT_WAY, Choices, Way, as_chosen
from scheduler.planning.garden import GardenModel
from scheduler.planning.past_years import PastWeather, past_weather
from scheduler.planning.plan import Plan
from scheduler.planning.spending import StoreAhead, looked_d, ration_today, store_ahead, ways_of
from scheduler.planning.watering import plan_day
from scheduler.planning.windows import spans_of_day
from scheduler.sensing.belief import LevelBelief
from scheduler.sensing.flow import fresh_flow
from scheduler.site.errors import UsageError
from scheduler.site.model import Site

# Days of the month ahead, as the controller looks ahead.
LOOK_AHEAD_DAYS = 30
# As far as a forecast reaches: of a file's later days no gardener would know.
FORECAST_DAYS = 9


def plan_once(
    model: GardenModel,
    *,
    level_m: float,
    days: Sequence[DayWeather],
    day: date,
    full_days_ago: int,
    source: str,
    way: Way = DEFAULT_WAY,
) -> Plan:
    """The plan of one local day for a garden that was soaked ``full_days_ago`` days before and not since.

    ``way``: how the store is spent if it will not last. Raises UsageError when the weather has no
    temperatures to work with.
    """
    site = model.site
    by_day = {d.day: d for d in days}
    if day not in by_day:
        raise UsageError(
            f"the weather tells nothing of {day}: it has days from {min(by_day)} to {max(by_day)}"
            if by_day
            else "the weather has no days"
        )
    zones = {p.id: full_root_zone(p) for p in site.plants}
    for back in range(full_days_ago, 0, -1):
        zones = _advance(site, zones, by_day, day - timedelta(days=back))
    et0 = _et0(site, by_day, day)
    needs: dict[str, PlantNeed] = {
        p.id: plant_need(p, zones[p.id], day, etc_mm=plant_coefficient(p, day) * et0.et0_mm, units=site.units)
        for p in site.plants
    }
    ahead = [day + timedelta(days=n) for n in range(LOOK_AHEAD_DAYS)]
    use = [sum(daily_need_l(p, _et0(site, by_day, d).et0_mm, d) for p in site.plants) for d in ahead]
    model = as_chosen(model, Choices(way))
    past = past_weather([d for d in days if d.day < day], site.place)
    store = _store(model, days, day, level_m, past, {p: z.depletion_mm for p, z in zones.items()})
    spans = spans_of_day(site, day)
    now = spans[0].start if spans else datetime.combine(day, datetime.min.time(), tzinfo=site.place.timezone)
    return plan_day(
        model,
        now=now,
        day=day,
        belief=LevelBelief("good", now, level_m, level_m, level_m),
        needs=needs,
        flow_factors={z.id: fresh_flow(z, None) for z in site.zones},
        outlook=Outlook(tuple(sorted(by_day.values(), key=lambda d: d.day)), source, now),
        daily_use_l=use,
        ration=ration_today(store, way, looked_d(past, day)) if store is not None else None,
        lasting=store.lasting if store is not None else None,
    )


def _store(
    model: GardenModel,
    days: Sequence[DayWeather],
    day: date,
    level_m: float,
    past: PastWeather | None,
    depletion_mm: dict[str, float],
) -> StoreAhead | None:
    """The store ahead: the file's days from ``day`` on as a forecast, those before it as the past."""
    forecast = [d for d in days if day <= d.day < day + timedelta(days=FORECAST_DAYS)]
    ways = ways_of(model.site.place, day, forecast, past)
    if ways is None:
        return None
    return store_ahead(model, level_m=level_m, depletion_mm=depletion_mm, first=day, ways=ways)


def _advance(
    site: Site, zones: dict[str, RootZone], by_day: dict[date, DayWeather], day: date
) -> dict[str, RootZone]:
    weather = by_day.get(day, DayWeather(day))
    et0 = _et0(site, by_day, day)
    return {p.id: advance_day(p, zones[p.id], weather, et0, 0.0).root_zone for p in site.plants}


def _et0(site: Site, by_day: dict[date, DayWeather], day: date) -> ReferenceEt:
    """Reference ET of a day; beyond the file the mean of its nearest seven days with temperatures."""
    found = reference_et(by_day[day], site.place) if day in by_day else None
    if found is not None:
        return found
    near = sorted(by_day.values(), key=lambda d: abs((d.day - day).days))
    known = [e.et0_mm for e in (reference_et(d, site.place) for d in near[:14]) if e is not None][:7]
    if not known:
        raise UsageError(f"the weather has no temperatures near {day}; it needs tmin_c and tmax_c")
    return ReferenceEt(sum(known) / len(known), f"mean of {len(known)} days near it", ("tmin", "tmax"))
