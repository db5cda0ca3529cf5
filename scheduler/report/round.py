"""A fitter's round: all gardens at one look, those with the most harm first.

Gardens with something urgent come first (water may be running out of an open valve, also of one that was open
when its garden fell silent), then by plant-days (see ``round_harm``): of a garden of which nothing is heard
the most that it can be, then what cannot be told at all, then the healthy ones.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from pathlib import Path

from scheduler.control.effects import Alert, RootZoneRecord
from scheduler.control.winter import winter_of
from scheduler.report.ahead import depletion_now_mm
from scheduler.report.answers import RoundAnswer, RoundGardenAnswer, RoundTroubleAnswer
from scheduler.report.litres import SHORT_STRESS
from scheduler.report.round_gardens import RoundGarden
from scheduler.report.round_harm import (
    WEEK_DAYS,
    Dry,
    days_without,
    dry_from,
    most_lost,
    plants_of,
    share_lost,
)
from scheduler.report.round_parts import bring, parts_for
from scheduler.report.status import status_answer
from scheduler.service.lock import is_served
from scheduler.service.practised import practice_ended_in
from scheduler.site.errors import FallingheadError
from scheduler.site.model import Site
from scheduler.site.showing import show_volume
from scheduler.store.store import Store, store_url
from scheduler.survey.tests_due import standing, told_something

# A copy is fetched each night, with two hours of grace; a service that runs here writes every half hour, and
# may be started anew meanwhile (our choice).
SILENT_COPIED = timedelta(hours=26)
SILENT_HERE = timedelta(hours=2)
# What was written so lately is of now.
OF_NOW = timedelta(hours=1)
# As far back as a balance still tells the roots of today, and in a silent garden.
ROOTS_DAYS = 10
# Places in the round; within one, the most harm first.
_ORDER = {"urgent": 0, "trouble": 1, "unknown": 1, "well": 3}
_NOTHING_KNOWN = 2


@dataclass(frozen=True, slots=True)
class _Known:
    """What the store of one garden tells. ``seen``: its newest sign of life."""

    site: Site
    store: Store
    now: datetime
    as_of: datetime
    silent: bool
    drained: bool
    newest: Mapping[str, RootZoneRecord]  # of each plant its last balance
    lost: float | None  # within the week before, plant-days

    @property
    def today(self) -> date:
        return self.as_of.astimezone(self.site.place.timezone).date()


def round_answer(gardens: Sequence[RoundGarden], now: datetime) -> RoundAnswer:
    """Every garden looked at; one that cannot be is among them, as unknown."""
    found = sorted((look_at(g, now) for g in gardens), key=_place)
    return RoundAnswer(at=now, horizon_days=WEEK_DAYS, gardens=found, bring=bring(found))


def _place(garden: RoundGardenAnswer) -> tuple[int, float, str]:
    harm = garden.harm_plant_days if garden.harm_plant_days is not None else garden.harm_at_most
    order = _ORDER[garden.standing]
    if harm is None and garden.standing == "unknown":
        order = _NOTHING_KNOWN
    return order, -(harm or 0.0), garden.garden


def look_at(garden: RoundGarden, now: datetime) -> RoundGardenAnswer:
    """One garden. Never raises: whatever is wrong with one must not hide the others."""
    if garden.site is None or garden.store is None:
        return _unknown(garden, garden.problem)
    if not garden.store.exists():
        return _unknown(garden, _no_store(garden, garden.site, garden.store))
    try:
        if (over := practice_ended_in(garden.store.parent)) is not None:
            return _practice(garden, over)
        with Store(store_url(garden.store), garden.site.id, service=False) as store:
            return _looked_at(garden, garden.site, store, now)
    except FallingheadError as error:
        return _unknown(garden, str(error))
    except Exception as error:  # a damaged row, a site file that no longer fits it: said, not hidden
        return _unknown(garden, f"It cannot be looked at ({type(error).__name__}: {error}).")


def _unknown(garden: RoundGarden, problem: str) -> RoundGardenAnswer:
    return RoundGardenAnswer(
        garden=garden.name, file=garden.file, note=garden.note, standing="unknown", problem=problem
    )


def _practice(garden: RoundGarden, over: datetime) -> RoundGardenAnswer:
    """Nothing of it can be harmed, and nothing need be brought."""
    text = "No barrel, valve or plant of it is real: there is nothing to be done."
    return _unknown(garden, text).model_copy(update={"practice_over": True, "as_of": over})


def _no_store(garden: RoundGarden, site: Site, store: Path) -> str:
    if garden.copied:
        return f"The copy of its store, {store.name}, is not here: fetch it."
    return (
        "No service runs it here, and no copy of its store is here: name it as `store` in the round file, or "
        f"lay it beside the site file as {site.id}.db."
    )


def _unserved(store: Store) -> str:
    """Of a store into which no service wrote: what is in it."""
    tests = [r.record.at for r in store.test_records()]
    if not tests:
        return "Its store holds nothing yet: the service has not run there."
    count = f"{len(tests)} record{'s' if len(tests) > 1 else ''} of its commissioning"
    return f"The service has not run there yet; its store holds {count}, and nothing of water or valves."


def _looked_at(garden: RoundGarden, site: Site, store: Store, now: datetime) -> RoundGardenAnswer:
    served = not garden.copied and garden.store is not None and is_served(garden.store)
    seen = last_sign(store)
    if seen is None and not served:
        return _unknown(garden, _unserved(store)).model_copy(update=_tests(site, store, now))
    as_of = now if seen is None or served or now - seen <= OF_NOW else seen
    silent = (
        seen is not None and not served and now - seen > (SILENT_COPIED if garden.copied else SILENT_HERE)
    )
    day = as_of.astimezone(site.place.timezone).date()
    drained = winter_of(store.choices_now()).drained is not None
    # A drained garden may be silent, and its plants live by the rain.
    silent = silent and not drained
    newest = {} if drained else _newest(store, day)
    known = _Known(site, store, now, as_of, silent, drained, newest, _lost(store, newest, day))
    if silent:
        return _silent(garden, known)
    heard = _heard(garden, known)
    begun = drained or store.last_reading() is not None or any(store.nodes_seen())
    return heard if begun else _not_begun(site, heard, seen)


def _not_begun(site: Site, heard: RoundGardenAnswer, seen: datetime | None) -> RoundGardenAnswer:
    """A service that runs, but never heard its node: what is known, and that it is not well by that."""
    level = (
        f"By hand {show_volume(heard.usable_l, site.units)} usable were measured."
        if heard.usable_l is not None
        else "How much water there is is not known."
    )
    text = (
        "Its service has run, but was never told anything by the valve node or the level sensor: whether the "
        f"valves are shut is not known, and nothing is watered. {level}"
    )
    unknown = {"harm_plant_days": None, "lost_plant_days": None, "at_risk_plant_days": None}
    standing = heard.standing if heard.troubles else "unknown"
    parts = dict.fromkeys([*heard.parts, *parts_for(site, "node_silent", "")])
    update = {"standing": standing, "problem": text, "as_of": seen, "parts": list(parts), **unknown}
    return heard.model_copy(update=update)


def last_sign(store: Store) -> datetime | None:
    """The newest thing that the service of this garden wrote down."""
    reading, plan, outlook = store.last_reading(), store.last_plan(), store.last_outlook()
    signs = [
        *([reading.reading.at] if reading is not None else []),
        *([plan.made_at] if plan is not None else []),
        *([outlook.fetched_at] if outlook is not None else []),
        *(n.heard_at for n in store.nodes_seen()),
    ]
    return max(signs, default=None)


def _newest(store: Store, day: date) -> dict[str, RootZoneRecord]:
    newest: dict[str, RootZoneRecord] = {}
    for record in store.root_zones_since(day - timedelta(days=ROOTS_DAYS)):
        if record.plant not in newest or record.day > newest[record.plant].day:
            newest[record.plant] = record
    return newest


def _lost(store: Store, newest: Mapping[str, RootZoneRecord], day: date) -> float | None:
    if not newest:
        return None
    return sum(r.stress for r in store.root_zones_since(day - timedelta(days=WEEK_DAYS)) if r.day < day)


def _silent(garden: RoundGarden, known: _Known) -> RoundGardenAnswer:
    """Nothing is known now; at most nothing was watered, and nothing rained, since it was last heard of."""
    today = known.now.astimezone(known.site.place.timezone).date()
    recorded = known.store.root_zones_since(today - timedelta(days=WEEK_DAYS))
    most = most_lost(known.site, known.newest, recorded, today)
    answer = _unknown(garden, "Nothing is heard of it: whether it is watered is not known.")
    # Of what was known when it fell silent only what does not change by itself: a valve that was not shut
    # stays so while nobody comes.
    valves = [_told(known.site, a, None) for a in known.store.open_alerts() if a.kind == "valve_not_shut"]
    parts = [*parts_for(known.site, "node_silent", ""), *(p for t in valves for p in _parts(known.site, t))]
    return answer.model_copy(
        update={
            "standing": "urgent" if valves else "unknown",
            "troubles": valves,
            "as_of": known.as_of,
            "harm_at_most": most,
            "plants": len(known.site.plants),
            **_tests(known.site, known.store, known.now),
            "parts": list(dict.fromkeys(parts)),
        }
    )


def _heard(garden: RoundGarden, known: _Known) -> RoundGardenAnswer:
    site, store = known.site, known.store
    status = status_answer(site, store, known.as_of, running=True)
    dry = _dry(known)
    troubles = _troubles(known, dry, status.days_left_middle, status.days_left_early, status.stopped_by)
    unharmed = known.drained or not troubles
    at_risk = _at_risk(site, troubles, dry, status.days_left_middle) if dry.lost or unharmed else None
    lost = known.lost if known.lost is not None else (0.0 if unharmed else None)
    harm = round(lost + at_risk, 1) if at_risk is not None and lost is not None else None
    node = next((n for n in store.nodes_seen() if n.node == site.node.id), None)
    tests, plan = _tests(site, store, known.now), store.last_plan()
    parts = [p for t in troubles for p in _parts(site, t)]
    if tests["tests_due"]:
        parts += parts_for(site, "tests_due", "")
    return RoundGardenAnswer(
        garden=site.name,
        file=garden.file,
        note=garden.note,
        standing="urgent" if any(t.urgent for t in troubles) else "trouble" if troubles else "well",
        problem="",
        as_of=known.as_of,
        harm_plant_days=harm if troubles else 0.0,
        lost_plant_days=_rounded(lost),
        at_risk_plant_days=_rounded(at_risk),
        plants=len(site.plants),
        level_m=status.level_m,
        usable_l=status.usable_l,
        days_left_early=status.days_left_early,
        days_left_middle=status.days_left_middle,
        days_left_late=status.days_left_late,
        node_heard_at=status.node_heard_at,
        valves_shut=status.valves_shut,
        supply_v=node.supply_mv / 1000.0 if node is not None and node.supply_mv is not None else None,
        last_run_at=status.last_at,
        **tests,
        planned_at=plan.made_at if plan is not None else None,
        drained_on=status.winter.drained_on if status.winter is not None else None,
        care_due=[c.words for c in status.care_due],
        troubles=troubles,
        parts=list(dict.fromkeys(parts)),
    )


def _rounded(value: float | None) -> float | None:
    return None if value is None else round(value, 1)


def _dry(known: _Known) -> Dry:
    outlook = known.store.last_outlook()
    rain = {d.day: d.rain_mm for d in outlook.days} if outlook is not None else {}
    depletion = depletion_now_mm(known.site, known.store, known.today)
    return dry_from(known.site, known.newest, depletion, rain, known.today)


def _troubles(
    known: _Known, dry: Dry, days_middle: int | None, days_early: int | None, stopped_by: str | None
) -> list[RoundTroubleAnswer]:
    """All that stands, what costs most first."""
    site = known.site
    days_left = days_middle if days_middle is not None else days_early

    def lost(kind: str, subject: str) -> float | None:
        if not dry.lost:
            return None
        within = dry.within(plants_of(site, subject), days_without(kind, days_left))
        return round(share_lost(kind) * within, 1)

    found = [_told(site, a, lost(a.kind, a.subject)) for a in known.store.open_alerts()]
    if stopped_by is not None and not known.drained:
        stop = known.store.stop_state()
        found.append(
            RoundTroubleAnswer(
                kind="stopped",
                subject="",
                since=stop.at if stop is not None else None,
                urgent=False,
                text=f"All watering is stopped by {stopped_by}.",
                advice="Ask whether it may go on (fallinghead resume).",
                share_lost=share_lost("stopped"),
                plant_days=lost("stopped", ""),
            )
        )
    found += _short(known)
    return sorted(found, key=lambda t: (not t.urgent, -(t.plant_days or 0.0)))


def _told(site: Site, alert: Alert, plant_days: float | None) -> RoundTroubleAnswer:
    return RoundTroubleAnswer(
        kind=alert.kind,
        subject=alert.subject,
        since=alert.at,
        urgent=alert.urgent,
        text=_own_words(site, alert.text),
        advice=alert.advice,
        share_lost=share_lost(alert.kind),
        plant_days=plant_days,
    )


def _parts(site: Site, trouble: RoundTroubleAnswer) -> list[str]:
    return parts_for(site, trouble.kind, trouble.subject)


def _short(known: _Known) -> list[RoundTroubleAnswer]:
    """Plants that stood short on the last balanced day: one trouble for all, its cost as on that day."""
    if not known.newest:
        return []
    last = max(r.day for r in known.newest.values())
    short = {p: r for p, r in known.newest.items() if r.day == last and r.stress > SHORT_STRESS}
    names = [p.name for p in known.site.plants if p.id in short]
    if not names:
        return []
    return [
        RoundTroubleAnswer(
            kind="plants_short",
            subject="",
            since=None,
            urgent=False,
            text=f"Short of water on {last:%A %d %B}: {'; '.join(names)}.",
            advice="Find out why (fallinghead litres, fallinghead why).",
            share_lost=0.0,
            plant_days=round(WEEK_DAYS * sum(r.stress for r in short.values()), 1),
        )
    ]


def _own_words(site: Site, text: str) -> str:
    text = text.removeprefix(f"{site.name}: ")
    return text[:1].upper() + text[1:]


def _at_risk(
    site: Site, troubles: Sequence[RoundTroubleAnswer], dry: Dry, days_left: int | None
) -> float | None:
    """Plant-days of the coming week: of each plant by the trouble that costs it most, none counted twice."""
    total = 0.0
    for plant in site.plants:
        mine = [t for t in troubles if plant.id in plants_of(site, t.subject) and t.share_lost > 0.0]
        total += max(
            (t.share_lost * dry.within([plant.id], days_without(t.kind, days_left)) for t in mine),
            default=0.0,
        )
    short = max((t.plant_days or 0.0 for t in troubles if t.kind == "plants_short"), default=0.0)
    return max(total, short)


def _tests(site: Site, store: Store, now: datetime) -> dict[str, object]:
    """What is due of a garden that was commissioned, as ``commission --list`` has it, and how old its newest
    catch cans are."""
    records = store.test_records()
    if not records:
        return {"tests_due": None, "never_tested": True, "cans_at": None}
    from scheduler.survey.as_built import as_built

    count = len(as_built(site, records, now=now).all_due)
    cans = [r.record.at for r in standing(records) if r.record.kind == "catch_cans" and told_something(r)]
    return {"tests_due": count, "never_tested": False, "cans_at": max(cans, default=None)}
