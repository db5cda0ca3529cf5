"""How long the water lasts and what to do about it, from the store, as an object and as sentences."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, datetime, timedelta

from scheduler.agronomy.need import APPLICATION_EFFICIENCY
from scheduler.agronomy.weather import DayWeather, merged
from scheduler.control.choosing import choices_of
from scheduler.control.effects import RootZoneRecord
from scheduler.control.household import away_of
from scheduler.planning.ahead import LIKELY, STORM_DAYS, SURE, Ahead, Visit, look_ahead
from scheduler.planning.choices import Choices, as_chosen
from scheduler.planning.garden import GardenModel, garden_model
from scheduler.report.answers import AheadAnswer, RoomAnswer, VisitAnswer
from scheduler.report.leak import LEAK_TOLD_L, known_leak_l
from scheduler.report.status import coming_answers, coming_words, level_now
from scheduler.site.errors import FallingheadError, UsageError
from scheduler.site.model import Site
from scheduler.site.showing import show_length, show_share, show_volume, show_whole_volume
from scheduler.store.store import Store
from scheduler.weather.possible import possible_days
from scheduler.weather.weather_file import read_weather_csv

# EPA Cross-Connection Control Manual 2003: twice the inlet's opening, and never under 1 inch.
AIR_GAP_LEAST_M = 0.0254
# Stored days that tell the place's own past.
PAST_DAYS = 800
# Root zones are known from the last balanced day, which may be some days back when the daemon stood still.
ROOTS_DAYS = 10


def ahead_answer(
    site: Site,
    store: Store,
    now: datetime,
    until: date | None,
    past: Sequence[DayWeather] = (),
    price_per_l: float | None = None,
) -> AheadAnswer:
    """What the weeks ahead hold. ``past``: weather of past years beside what the store remembers;
    ``price_per_l``: of a litre of mains water.

    UsageError when the level or the weather is not known, or ``until`` is out of reach.
    """
    found = look_from_store(site, garden_model(site), store, now, past)
    return answer_of_ahead(site, store, found, now, until, price_per_l)


def answer_of_ahead(
    site: Site,
    store: Store,
    found: Ahead,
    now: datetime,
    until: date | None,
    price_per_l: float | None = None,
) -> AheadAnswer:
    """The same from weeks ahead that were looked at already. UsageError: ``until`` is out of reach."""
    today = now.astimezone(site.place.timezone).date()
    away = away_of(store.choices_now(), today)
    last = until or (away.last if away is not None and away.last is not None else today + timedelta(days=13))
    try:
        chance = found.chance_through(last)
        top_up = found.top_up_l(last)
        visits = found.visits(last)
        least_l, middle_l = found.rain_gives_l(last)
    except ValueError as error:
        raise UsageError(f"read --until {until}: {error}") from None
    early, middle, late = found.days_left
    outlook = store.last_outlook()
    return AheadAnswer(
        garden=site.name,
        today=today,
        total_l=round(found.held_l, 1),
        usable_l=round(max(0.0, found.held_l - found.garden.lowest_floor_l), 1),
        days_left_early=early,
        days_left_middle=middle,
        days_left_late=late,
        horizon_days=found.ways.horizon_days,
        until=last,
        chance_through=round(chance, 2),
        top_up_l=round(top_up, 0) if top_up is not None else None,
        top_up_cost=_cost(top_up, visits, price_per_l),
        visits=None
        if visits is None
        else [VisitAnswer(day=v.day, volume_l=round(v.volume_l, 0), at_once=v.at_once) for v in visits],
        rain_gives_least_l=round(least_l, 0),
        rain_gives_middle_l=round(middle_l, 0),
        runs_over_l=round(found.runs_over_l(), 0),
        runs_over_days=STORM_DAYS,
        could_take=[RoomAnswer(zone=z, volume_l=round(v, 1)) for z, v in found.could_take_l()],
        coming=coming_answers(found, store.last_plan()),
        forecast_source=outlook.source if outlook is not None else None,
        forecast_fetched_at=outlook.fetched_at if outlook is not None else None,
        forecast_credits=list(outlook.credits) if outlook is not None else [],
        past_years=found.past_years,
        leak_l_day=round(found.garden.leak_l, 1),
    )


def _cost(top_up_l: float | None, visits: Sequence[Visit] | None, price_per_l: float | None) -> float | None:
    """Of the top-up, or of the visits where no single top-up does."""
    if price_per_l is None or (top_up_l is None and visits is None):
        return None
    litres = top_up_l if top_up_l is not None else sum(v.volume_l for v in visits or ())
    return round(litres * price_per_l, 2)


def look_from_store(
    site: Site,
    model: GardenModel,
    store: Store,
    now: datetime,
    past: Sequence[DayWeather] = (),
    choices: Choices | None = None,
) -> Ahead:
    """The weeks ahead from what the store knows, as people chose the ranks and the reserve (``choices``:
    otherwise than they did). UsageError: the level or the weather is not known."""
    model = as_chosen(model, choices if choices is not None else choices_of(store.choices_now()))
    today = now.astimezone(site.place.timezone).date()
    level_m = level_now(store, now).level_m
    if level_m is None:
        raise UsageError("the level of the water is not known now; measure it: fallinghead measured")
    outlook = store.last_outlook()
    stored = store.weather_since(today - timedelta(days=PAST_DAYS))
    known = merged(merged(days_of_file(site), past), (d for d in stored if d.day < today))
    found = look_ahead(
        model,
        level_m=level_m,
        depletion_mm=depletion_now_mm(site, store, today),
        first=today,
        forecast=outlook if outlook is not None else (),
        past=possible_days((d for d in known if d.day < today), site.place),
        leak_l=known_leak_l(store, today),
    )
    if found is None:
        raise UsageError(
            "no weather is known, neither a forecast nor past days; start the daemon with a network, or name "
            "a file of past years with --past"
        )
    return found


def days_of_file(site: Site) -> tuple[DayWeather, ...]:
    """The garden's own file of past years, as the daemon plans with it; nothing where it cannot be read."""
    if site.forecast.path is None:
        return ()
    try:
        return read_weather_csv(site.forecast.path)
    except FallingheadError:
        return ()


def depletion_now_mm(site: Site, store: Store, today: date) -> dict[str, float]:
    """What is missing from each root zone now: the last balanced day's end, less what was given since."""
    newest: dict[str, RootZoneRecord] = {}
    for record in store.root_zones_since(today - timedelta(days=ROOTS_DAYS)):
        if record.plant not in newest or record.day > newest[record.plant].day:
            newest[record.plant] = record
    days = {p.id: newest[p.id].day for p in site.plants if p.id in newest}
    moved = store.given_since(min(days.values()) + timedelta(days=1)) if days else ()
    depletion = {}
    for plant in site.plants:
        if plant.id not in newest:
            continue
        given = sum(litres for day, p, litres in moved if p == plant.id and day > days[plant.id])
        left = newest[plant.id].depletion_mm - APPLICATION_EFFICIENCY * given / plant.canopy_m2
        depletion[plant.id] = max(0.0, left)
    return depletion


def weeks_ahead(site: Site, store: Store, now: datetime, model: GardenModel | None = None) -> Ahead | None:
    """As ``look_from_store``; None where the level or the weather is not known. ``model``: of the site, when
    it is at hand."""
    try:
        return look_from_store(site, model or garden_model(site), store, now)
    except UsageError:
        return None


def ahead_words(site: Site, answer: AheadAnswer) -> list[str]:
    """The same in sentences, what to do with each."""
    units = site.units
    usable = show_volume(answer.usable_l, units)
    lines = [f"{answer.garden}: {usable} can be used. {_lasts(answer)}"]
    through = f"{answer.until:%A %d %B}"
    lines.append(f"Through {through} it lasts in {_ways(answer.chance_through)} the weather may go.")
    if answer.leak_l_day >= LEAK_TOLD_L:
        lines.append(f"A leak of about {show_whole_volume(answer.leak_l_day, units)} a day is counted in.")
    lines += _top_up_words(site, answer, through)
    lines += _storm_words(site, answer)
    if answer.coming:
        lines.append(f"As far as can be foreseen: {coming_words(site, answer.coming)}.")
    if answer.forecast_source is not None and answer.forecast_fetched_at is not None:
        at = answer.forecast_fetched_at.astimezone(site.place.timezone)
        said = f"Weather: {answer.forecast_source}, fetched {at:%A %d %B %H:%M %Z}."
        lines.append(" ".join([said, *answer.forecast_credits]))
    if not answer.past_years:
        lines.append(
            "Beyond the forecast no rain is assumed, for no past years of this place are known (--past names "
            "a file of them)."
        )
    return lines


def _top_up_words(site: Site, answer: AheadAnswer, through: str) -> list[str]:
    units = site.units
    if answer.top_up_l == 0.0:
        return ["No top-up is needed for that."]
    cost = "" if answer.top_up_cost is None else f" It costs about {answer.top_up_cost:.2f} at that price."
    lines = []
    if answer.top_up_l is None:
        lines.append(f"Even full barrels do not last through {through} with {show_share(SURE)}.")
    else:
        lines.append(
            f"To be {show_share(SURE)} sure, top up {show_whole_volume(answer.top_up_l, units)} now.{cost}"
        )
    if answer.visits is None and answer.top_up_l is None:
        lines.append("Nor does topping up every other day: let lower ranks go.")
    elif answer.visits and not (answer.top_up_l and _at_once(answer)):
        visits = ", ".join(f"{_when(v)} {show_whole_volume(v.volume_l, units)}" for v in answer.visits)
        lead = "Or as late as is safe, by a helper too: " if answer.top_up_l else "A helper must top up: "
        lines.append(f"{lead}{visits}.{cost if answer.top_up_l is None else ''}")
    lines.append("Without a top-up: fallinghead ration says who gets how much, and who is at risk from when.")
    lines.append(_rain_words(site, answer, through))
    lines.append(
        "Top up through an air gap only: the hose ends above the rim by twice its width, by "
        f"{show_length(AIR_GAP_LEAST_M, units)} at least; never in the water, never joined to the mains. "
        "Local codes come first. Then tell: fallinghead topped-up LITRES."
    )
    return lines


def _when(visit: VisitAnswer) -> str:
    day = f"{visit.day:%A %d %B}"
    return f"now ({day})" if visit.at_once else day


def _at_once(answer: AheadAnswer) -> bool:
    """Whether all there is to top up is to be topped up today: the same as in one sentence before."""
    return answer.visits is not None and [v.day for v in answer.visits] == [answer.today]


def _ways(chance: float) -> str:
    """ "3 of 10 ways": no more is known of a share of some tens of ways."""
    tenths = round(10.0 * chance)
    if chance <= 0.0:
        return "none of the ways"
    if chance >= 1.0:
        return "all the ways"
    return (
        "less than 1 of 10 ways"
        if tenths == 0
        else "over 9 of 10 ways"
        if tenths == 10
        else f"{tenths} of 10 ways"
    )


def _rain_words(site: Site, answer: AheadAnswer, through: str) -> str:
    if site.roof is None:
        return "Rain fills no barrel here: the site file has no roof."
    if answer.rain_gives_middle_l <= 0.0:
        return f"The roof brings nothing to speak of through {through} in the middle case."
    least = (
        f"{show_whole_volume(answer.rain_gives_least_l, site.units)} or more in nine of ten"
        if answer.rain_gives_least_l > 0.0
        else "perhaps none"
    )
    middle = show_whole_volume(answer.rain_gives_middle_l, site.units)
    return f"Rain through {through} brings {middle} in the middle case, {least}; that is counted already."


def _storm_words(site: Site, answer: AheadAnswer) -> list[str]:
    units = site.units
    if answer.runs_over_l <= 0.0:
        return []
    over = show_whole_volume(answer.runs_over_l, units)
    lines = [
        f"In the next {answer.runs_over_days} days {over} or more run over "
        f"with {show_share(LIKELY)}: so much can be used before without being missed."
    ]
    room = [r for r in answer.could_take if r.volume_l >= 1.0]
    if room:
        could = ", ".join(f"{r.zone} {show_volume(r.volume_l, units)}" for r in room)
        lines.append(
            f"The roots could take now: {could} (fallinghead water {room[0].zone} AMOUNT). The rain itself "
            "fills them too, so give them less than that."
        )
    else:
        lines.append("The roots have no room for it: use it for something else.")
    return lines


def _lasts(answer: AheadAnswer) -> str:
    def day(left: int | None) -> str:
        if left is None:
            return f"beyond {answer.today + timedelta(days=answer.horizon_days):%d %B}"
        return f"{answer.today + timedelta(days=left):%A %d %B}"

    if answer.days_left_early is None:
        return f"It lasts {day(None)} in nine of ten cases."
    if answer.days_left_middle is None:
        early = day(answer.days_left_early)
        return f"It lasts {day(None)} in most cases; in one of ten it runs short by {early}."
    if answer.days_left_early == answer.days_left_late:
        # The ways from one of ten to nine of ten.
        return f"It runs short about {day(answer.days_left_middle)} in at least eight of ten ways."
    if answer.days_left_late is None:
        return (
            f"It runs short about {day(answer.days_left_middle)}; in one of ten cases by "
            f"{day(answer.days_left_early)}, in another it lasts {day(None)}."
        )
    return (
        f"It runs short about {day(answer.days_left_middle)}; in one of ten cases by "
        f"{day(answer.days_left_early)}, in nine of ten by {day(answer.days_left_late)}."
    )
