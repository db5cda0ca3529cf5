"""A planner that knows everything, with the same single run time per zone: what the best possible is.

It waters the same true garden, knows each emitter's true curve, its clogging, the priming and the day's
weather, and opens each zone for the time at which its plants' worst miss is least. What it cannot reach,
no choice of run times can; only other emitters can.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import UTC, date, datetime, timedelta

from scheduler.agronomy.coefficients import plant_coefficient
from scheduler.agronomy.et0 import reference_et
from scheduler.agronomy.need import plant_need
from scheduler.agronomy.weather import DayWeather
from scheduler.planning.garden import GardenModel, garden_model
from scheduler.planning.windows import local_midnight
from scheduler.rehearsal.account import PlantAccount, PlantSeason, open_account
from scheduler.rehearsal.garden import TrueGarden
from scheduler.rehearsal.hidden import Hidden, draw_truth
from scheduler.rehearsal.season import COUNT_MARGIN_M, season_weather
from scheduler.site.model import Site

# Run times are tried in steps of this, and refined between two of them.
TRY_STEP_S = 30.0


def best_possible(
    site: Site,
    days: Sequence[DayWeather],
    start: date,
    end: date,
    seed: int,
    hidden: Hidden | None = None,
    *,
    start_level_m: float | None = None,
) -> tuple[PlantSeason, ...]:
    """What the all-knowing planner gives each plant over the same season; its plans are what it gives."""
    weather = season_weather(site, days, start, end)
    truth = draw_truth(site, seed, hidden if hidden is not None else Hidden())
    zone = site.place.timezone
    opens, ends = local_midnight(start, zone), local_midnight(end + timedelta(days=1), zone)
    garden = TrueGarden(site, truth, weather, opens, ends, start_level_m=start_level_m)
    model = garden_model(site)
    accounts = {p.id: open_account(p, site.zone_of(p.id).id) for p in site.plants}
    for day in weather:
        _day(site, model, garden, accounts, day)
    return tuple(a.result() for a in accounts.values())


def _day(
    site: Site, model: GardenModel, garden: TrueGarden, accounts: dict[str, PlantAccount], day: DayWeather
) -> None:
    zone = site.place.timezone
    et0 = reference_et(day, site.place)
    assert et0 is not None  # season_weather checked it
    level, before = garden.level_m, dict(garden.plant_l)
    garden.advance(datetime.combine(day.day, site.windows[0].start, tzinfo=zone).astimezone(UTC))
    for zone_id in model.zones:
        targets, due = {}, False
        for account in accounts.values():
            if account.zone == zone_id:
                etc_mm = plant_coefficient(account.plant, day.day) * et0.et0_mm
                need = plant_need(account.plant, account.root_zone, day.day, etc_mm=etc_mm)
                due = due or need.due
                if need.wanted_l > 0.0:
                    targets[account.plant.id] = need.wanted_l
        if due and targets:
            _water(garden, zone_id, targets, site.node.longest_open_s, model.floor_level_m(zone_id))
    garden.advance(local_midnight(day.day + timedelta(days=1), zone))
    lowest = min(level, garden.level_m)
    begins, ends = (local_midnight(d, zone) for d in (day.day, day.day + timedelta(days=1)))
    for account in accounts.values():
        given_l = garden.plant_l[account.plant.id] - before[account.plant.id]
        account.day(
            day,
            et0,
            day.day + timedelta(days=1),
            counts=lowest > model.floor_level_m(account.zone) + COUNT_MARGIN_M,
            planned_l=given_l,
            given_l=given_l,
            timer_l=0.0,
            rain_before=garden.rain_before_watering(account.zone, begins, ends),
        )


def _water(
    garden: TrueGarden, zone_id: str, targets: Mapping[str, float], longest_s: float, floor_m: float
) -> None:
    """Try the run on a copy, then run it for the best time."""
    trial = garden.fork()
    zero = dict(trial.plant_l)
    tried: list[tuple[float, float]] = []
    trial.open_valve(zone_id)
    run_s = 0.0
    while run_s < longest_s and trial.level_m > floor_m:
        run_s += TRY_STEP_S
        trial.advance(garden.clock + timedelta(seconds=run_s))
        drained = trial.drain_litres(zone_id)
        shares = [
            (trial.plant_l[p] - zero[p] + drained.get(p, 0.0)) / wanted for p, wanted in targets.items()
        ]
        tried.append((run_s, max(shares) + min(shares) - 2.0))
        if tried[-1][1] >= 0.0:
            break
    garden.open_valve(zone_id)
    garden.advance(garden.clock + timedelta(seconds=_crossing(tried)))
    garden.close_valve(zone_id)
    garden.advance(garden.travel_end(zone_id))


def _crossing(tried: Sequence[tuple[float, float]]) -> float:
    """Where max r + min r passes 2, linear between the last two tries; the last try when it never does."""
    if len(tried) < 2 or tried[-1][1] < 0.0:
        return tried[-1][0] if tried else 0.0
    (early_s, low), (late_s, high) = tried[-2], tried[-1]
    return early_s + (late_s - early_s) * (-low) / (high - low) if high > low else late_s
