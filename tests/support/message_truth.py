"""What a year's messages said, held against what was true: by the script of troubles, the virtual garden and
the forecasts that were there."""

from __future__ import annotations

import re
from collections.abc import Callable
from datetime import date, datetime, timedelta

from scheduler.agronomy import young
from scheduler.agronomy.coefficients import kind_of, plant_coefficient
from scheduler.agronomy.et0 import reference_et
from scheduler.agronomy.need import APPLICATION_EFFICIENCY, available_mm
from scheduler.agronomy.weather import Outlook
from scheduler.control.effects import Alert
from scheduler.site.model import Plant, Site
from tests.hindcast.places import seattle
from tests.support.message_year import Year

# The alarm speaks of a day; a household that is told a little early was told the truth.
NEAR_DAYS = 2
# How often the virtual node speaks at rest (as the year makes it).
NODE_SPEAKS = timedelta(minutes=30)
# Less than this share of full barrels is nearly empty however long it lasts (common practice, no source) ...
NEAR_SHARE = 0.10
# ... by a level that errs by so much (4 mm of noise and 5 mm of offset are hidden from the controller).
LEVEL_ERROR_M = 0.01


def untrue(year: Year) -> list[Alert]:
    """What was sent and was not so, by the script of troubles and the virtual garden alone."""
    return [a for s in year.sent for a in s.alerts if not _true(year, a)]


def _true(year: Year, alert: Alert) -> bool:
    """A kind that has no truth here counts as untrue."""
    at, day = alert.at, timedelta(days=1)

    def held(kind: str, since: timedelta = timedelta(0)) -> bool:
        return any(t.kind == kind and t.begins <= at < t.ends + since for t in year.troubles)

    by_kind: dict[str, Callable[[], bool]] = {
        # At rest it speaks every half hour: until then it was truly not heard.
        "node_silent": lambda: held("node", NODE_SPEAKS),
        "level_unknown": lambda: held("sensor") or held("node"),
        "level_doubtful": lambda: held("sensor", day) or held("taps", 2 * day),
        "forecast_stale": lambda: held("forecast"),
        "run_short": lambda: held("clog", 3 * day),
        "water_lost": lambda: held("taps", 2 * day),
        "frost": lambda: _frost_was_forecast(year, alert),
        "winter_over": lambda: year.drained_until is not None,
        # With the node silent nobody knows whether a run that began has ended.
        "valve_not_shut": lambda: held("node", timedelta(minutes=10)),
        "care_due": lambda: True,  # by the calendar, which is tested elsewhere
        "near_empty": lambda: _little(year, at) or days_in_full(year, at) <= NEAR_DAYS,
        "runs_out": lambda: _lasts_as_said(year, alert),
        "out_of_reach": lambda: _too_low(year, alert),
    }
    judge = by_kind.get(alert.kind)
    return judge is not None and judge()


_FROST = re.compile(r"frost is forecast for \w+ (\d+) (\w+), (-?[\d.]+) °C at the least")


def _frost_was_forecast(year: Year, alert: Alert) -> bool:
    """What is said of a forecast is true when the one that was there says so: for that night, one of the next
    two, and with that temperature. One that comes at the very instant is heard after the alarm or before it.
    Whether it then freezes, and whether the next forecast still says so: ``frosts_told``."""
    before = [f for f in year.shell.forecasts if f.fetched_at < alert.at][-1:]
    there = before + [f for f in year.shell.forecasts if f.fetched_at == alert.at]
    return any(_says_frost(year, f, alert) for f in there)


def _says_frost(year: Year, forecast: Outlook, alert: Alert) -> bool:
    said = _FROST.search(alert.text)
    if said is None:
        return False
    today = alert.at.astimezone(year.site.place.timezone).date()
    nights = {d.day: d.tmin_c for d in forecast.days if today <= d.day <= today + timedelta(days=2)}
    tmin_c = next((t for day, t in nights.items() if f"{day.day} {day:%B}" == f"{said[1]} {said[2]}"), None)
    # Told with three digits, one behind the point at the most.
    return tmin_c is not None and tmin_c <= 0.0 and abs(tmin_c - float(said[3])) <= 0.05


def frosts_told(year: Year) -> tuple[int, int, int]:
    """Messages of a frost that was forecast; how many of them the newest forecast still bore out when they
    went out; how many were followed by a frost within those days."""
    told = [(s.at, a) for s in year.sent for a in s.alerts if a.kind == "frost"]
    newest = {at: [f for f in year.shell.forecasts if f.fetched_at <= at][-1:] for at, _ in told}
    zone = year.site.place.timezone
    still = sum(any(_frost_within(f, at.astimezone(zone).date()) for f in newest[at]) for at, _ in told)
    return len(told), still, sum(_freezes(year, a.at) for _, a in told)


def _frost_within(forecast: Outlook, today: date) -> bool:
    days = [d for d in forecast.days if today <= d.day <= today + timedelta(days=2)]
    return any(d.tmin_c is not None and d.tmin_c <= 0.0 for d in days)


def _freezes(year: Year, at: datetime) -> bool:
    """Whether it did freeze within the two days that the forecast spoke of."""
    today = at.astimezone(year.site.place.timezone).date()
    days = [d for d in seattle() if today <= d.day <= today + timedelta(days=2)]
    return any(d.tmin_c is not None and d.tmin_c <= 0.0 for d in days)


def _above_reserve_l(year: Year, level_m: float) -> float:
    model = year.shell.state.model
    return max(0.0, model.stage.volume_l(level_m) - model.stage.volume_l(model.reserve_level_m))


def _true_level_m(year: Year, at: datetime) -> float:
    return max((pair for pair in year.levels if pair[0] <= at), key=lambda pair: pair[0])[1]


def _little(year: Year, at: datetime) -> bool:
    """Whether the barrels truly held little of what they can, as well as a level tells it."""
    full_l = _above_reserve_l(year, year.shell.state.model.stage.brim_level_m)
    return _above_reserve_l(year, _true_level_m(year, at) - LEVEL_ERROR_M) < NEAR_SHARE * full_l


def _too_low(year: Year, alert: Alert) -> bool:
    """Whether the true water stood too low for the zone's worst emitter, as well as a level tells it; where
    it is said of soon, so little above that as is nearly nothing."""
    model = year.shell.state.model
    level_m = _true_level_m(year, alert.at) - LEVEL_ERROR_M
    stops_m = model.zones[alert.subject].worst_stop_m
    soon = "soon no longer reaches" in alert.text
    little_l = NEAR_SHARE * _above_reserve_l(year, model.stage.brim_level_m) if soon else 0.0
    return model.stage.volume_l(level_m) - model.stage.volume_l(stops_m) <= little_l


_LASTS = re.compile(
    r"\((\d+) to (\d+) days\)|\((\d+) days or more\)|\((\d+) days?\)|(does not last through today)"
)
# So far is looked for the end of the water; what lasts longer is told as that.
LOOKED_D = 60


def _lasts_as_said(year: Year, alert: Alert) -> bool:
    """Whether the water truly lasted as many days as was said, the least and the most. Of a span of ten to
    ninety in a hundred one in five may fall outside, and counts as untrue here."""
    said = _LASTS.search(alert.text)
    if said is None:
        return False
    least, most, or_more, exactly, not_today = said.groups()
    lasted = days_in_full(year, alert.at)
    if not_today:
        return lasted == 0
    if or_more:
        return lasted >= int(or_more)
    return int(least or exactly) <= lasted <= int(most or exactly)


def days_in_full(year: Year, at: datetime) -> int:
    """Whole days, from that one on, through which the true water serves every plant all it wants, in the
    weather that came and with what truly leaks; what was poured in later is no part of it.

    A bucket for each plant and one for the barrels, day by day, and nothing of the planner: a zone runs when
    one of its plants is due, and each gets just what it lacks. What a zone gives to some beyond that, for its
    bubblers are not even, is left out; so a day or two less may be true.

    What the plants did use is no measure of it: rationing may have kept them dry, so that they used next to
    nothing (Ks of FAO-56, eq. 84) and stand deep in a deficit that full watering refills first.
    """
    model, site = year.shell.state.model, year.site
    today = at.astimezone(site.place.timezone).date()
    weather = {d.day: d for d in seattle()}
    missing_mm = {p.id: 0.0 for p in site.plants} | _missing_mm(year, at, today)
    held_l = model.stage.volume_l(_true_level_m(year, at))
    for n in range(LOOKED_D):
        day = weather[today + timedelta(days=n)]
        et0 = reference_et(day, site.place)
        assert et0 is not None and day.rain_mm is not None
        for zone, network in model.zones.items():
            plants = [site.plant(p) for p in network.plants]
            if not any(_is_due(p, missing_mm[p.id], et0.et0_mm, day.day) for p in plants):
                continue
            wanted_l = sum(missing_mm[p.id] * p.canopy_m2 for p in plants) / APPLICATION_EFFICIENCY
            if wanted_l > held_l - model.stage.volume_l(model.floor_level_m(zone)):
                return n
            held_l -= wanted_l
            missing_mm |= {p.id: 0.0 for p in plants}
        for plant in site.plants:
            missing_mm[plant.id] = _evening_mm(plant, missing_mm[plant.id], et0.et0_mm, day.rain_mm, day.day)
        held_l = max(0.0, held_l - 24.0 * year.garden.truth.hidden.leak_lph)
        held_l = min(model.stage.full_l, held_l + _caught_l(site, day.rain_mm))
    return LOOKED_D


def _is_due(plant: Plant, missing_mm: float, et0_mm: float, day: date) -> bool:
    """A pot each day on which a tenth of its water is gone; a new tree when its dose has come up, to half a
    day's part of it; else when the readily available water is used up by tonight (FAO-56 p. 171)."""
    if plant.container_l is not None:
        return missing_mm >= 0.1 * available_mm(plant)
    if young.is_young(plant, day):
        return missing_mm >= _dose_mm(plant) * (1.0 - 0.5 / young.interval_d(plant, day))
    use_mm = plant_coefficient(plant, day) * et0_mm
    return missing_mm > 0.0 and missing_mm + use_mm >= _p(plant, use_mm) * available_mm(plant)


def _evening_mm(plant: Plant, missing_mm: float, et0_mm: float, rain_mm: float, day: date) -> float:
    """What is missing after that day (FAO-56 eq. 85): the use under stress (eq. 84) less rain, of which a
    sprinkle of less than a fifth of ET0 does not count (p. 170). Of a new tree: its dose, by the day."""
    rain_mm = rain_mm if rain_mm >= 0.2 * et0_mm else 0.0
    if young.is_young(plant, day):
        most_mm, used_mm = 2.0 * _dose_mm(plant), _dose_mm(plant) / young.interval_d(plant, day)
    else:
        most_mm, etc_mm = available_mm(plant), plant_coefficient(plant, day) * et0_mm
        ks = (most_mm - missing_mm) / ((1.0 - _p(plant, etc_mm)) * most_mm)
        used_mm = etc_mm * min(1.0, ks)
    return min(most_mm, max(0.0, missing_mm + used_mm - rain_mm))


def _p(plant: Plant, etc_mm: float) -> float:
    """Of FAO-56 table 22, moved with the day's use (p. 162)."""
    return min(0.8, max(0.1, kind_of(plant).p + 0.04 * (5.0 - etc_mm)))


def _dose_mm(plant: Plant) -> float:
    return APPLICATION_EFFICIENCY * young.dose_l(plant) / plant.canopy_m2


def _caught_l(site: Site, rain_mm: float) -> float:
    roof = site.roof
    return (
        0.0
        if roof is None
        else roof.catchment_m2 * roof.runoff_coefficient * max(0.0, rain_mm - roof.first_flush_mm)
    )


def _missing_mm(year: Year, at: datetime, today: date) -> dict[str, float]:
    """Of each full root zone: at the end of the last day in the books, less what truly came since."""
    books = {r.weather.day: r for r in year.shell.days if r.weather.day < today}  # mended ones come later
    missing = {z.plant: z.depletion_mm for z in books[max(books)].root_zones} if books else {}
    since = [r for r in year.garden.runs if r.opened.astimezone(year.site.place.timezone).date() == today]
    for plant, litres in (pair for run in since if run.opened <= at for pair in run.litres):
        got_mm = APPLICATION_EFFICIENCY * litres / year.site.plant(plant).canopy_m2
        missing[plant] = max(0.0, missing.get(plant, 0.0) - got_mm)
    return missing
