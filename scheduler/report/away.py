"""What is to be done while nobody is at home, day by day: for whoever looks in."""

from __future__ import annotations

from datetime import date, datetime

from scheduler.planning.ahead import Ahead, Visit
from scheduler.planning.garden import GardenModel, garden_model
from scheduler.report.ahead import AIR_GAP_LEAST_M, look_from_store
from scheduler.report.answers import AwayAnswer, DayTaskAnswer
from scheduler.report.year import away_now, day_words
from scheduler.site.errors import UsageError
from scheduler.site.model import Site
from scheduler.site.showing import show_length, show_volume, show_whole_volume
from scheduler.store.caring import care_due_by
from scheduler.store.store import Store
from scheduler.survey.section import REACHED_LPH


def away_answer(site: Site, store: Store, now: datetime) -> AwayAnswer:
    """The days away and the tasks that fall into them, or before them."""
    today = now.astimezone(site.place.timezone).date()
    away = away_now(site, store, now)
    if away is None:
        return AwayAnswer(
            garden=site.name, today=today, first=None, last=None, lasts=None, why_not_known="", tasks=[]
        )
    tasks: list[DayTaskAnswer] = []
    lasts, why = None, ""
    model = garden_model(site)
    try:
        ahead = look_from_store(site, model, store, now)
        visits = ahead.visits(away.last)
        lasts = visits is not None
        tasks += [_top_up(site, v, away.first) for v in visits or ()]
        tasks += _not_reached(site, model, ahead, max(away.first, today))
    except (UsageError, ValueError) as error:
        why = str(error)
    tasks += [
        DayTaskAnswer(day=max(d.since, today), task="care", words=f"Care: {d.task.words}.")
        for d in care_due_by(store, site.place.timezone, away.last)
    ]
    tasks.sort(key=lambda t: t.day)
    return AwayAnswer(
        garden=site.name,
        today=today,
        first=away.first,
        last=away.last,
        lasts=lasts,
        why_not_known=why,
        tasks=tasks,
    )


def _top_up(site: Site, visit: Visit, first: date) -> DayTaskAnswer:
    before = " now" if visit.at_once else ""
    before += " before you go" if visit.day < first else ""
    gap = show_length(AIR_GAP_LEAST_M, site.units)
    text = (
        f"Top up {show_whole_volume(visit.volume_l, site.units)}{before}: the hose ends above the rim, by "
        f"twice its width and {gap} at least."
    )
    return DayTaskAnswer(day=visit.day, task="top_up", words=text, at_once=visit.at_once)


def _not_reached(site: Site, model: GardenModel, ahead: Ahead, day: date) -> list[DayTaskAnswer]:
    """Plants that no emitter reaches at the present level, with what their roots have room for."""
    level_m = model.stage.level_m(ahead.held_l)
    room = ahead.garden.table.gross_l(ahead.depletion_mm)
    rows = {p.id: float(room[n]) for n, p in enumerate(ahead.garden.table.plants)}
    found = []
    for zone in model.zones.values():
        for plant, flow in zip(zone.plants, zone.plant_flows_lph(level_m), strict=True):
            if flow < REACHED_LPH:
                name, litres = site.plant(plant).name, show_volume(rows[plant], site.units)
                text = f"{name} is not reached at this level: by hand, its roots have room for {litres}."
                found.append(DayTaskAnswer(day=day, task="by_hand", words=text))
    return found


def away_words(answer: AwayAnswer) -> list[str]:
    """The same as a list that can be handed to a helper."""
    if answer.first is None or answer.last is None:
        return [f"{answer.garden}: nobody said that they are away."]
    today = answer.today
    span = f"from {day_words(answer.first, today)} to {day_words(answer.last, today)}"
    lines = [f"{answer.garden}: nobody at home {span}."]
    if answer.lasts is None:
        lines.append(f"Whether the water lasts is not known: {answer.why_not_known}.")
    elif not answer.lasts:
        lines.append("Even topped up every other day it does not last: let lower ranks go.")
    elif any(t.task == "top_up" for t in answer.tasks):
        lines.append("With these top-ups the water lasts in nine of ten ways the weather may go.")
    else:
        lines.append("The water lasts in nine of ten ways the weather may go; no top-up is needed.")
    lines += [f"{day_words(t.day, today)}: {t.words}" for t in answer.tasks]
    lines.append("If a valve is open and should not be: shut the hand tap at the barrels.")
    return lines
