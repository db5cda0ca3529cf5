"""Some days of a garden, a week or a season: what plants used and got, where water went, what to change."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from datetime import date, datetime, timedelta

from scheduler.control.effects import Booking, RecordWaterDay, RootZoneRecord
from scheduler.planning.garden import GardenModel, garden_model
from scheduler.planning.windows import local_midnight
from scheduler.report.answers import (
    DriftAnswer,
    HindsightAnswer,
    ReportAnswer,
    ReportedCareAnswer,
    ReportedDayAnswer,
    ReportedFaultAnswer,
    ReportedPlantAnswer,
    ReportedRunAnswer,
    WorthChangingAnswer,
)
from scheduler.report.cut_short import CutZone, cut_words, cut_zones
from scheduler.report.drift import drift_answer, with_zone_names
from scheduler.report.forms import STEP_OF
from scheduler.report.hindsight import WORTH_A_WORD, change_words, hindsight_answer
from scheduler.report.leak import LEAK_TOLD_L, leak_l_day, leaked_l
from scheduler.report.litres import SHORT_STRESS
from scheduler.report.over_time import evenness, flow_by_month
from scheduler.report.year import care_told
from scheduler.site.errors import UsageError
from scheduler.site.model import Site
from scheduler.site.showing import show_share, show_volume
from scheduler.store.store import Store

# More would not be done.
CHANGES_MAX = 3
# A leak of less, beside what watering gives, is a drip.
LEAK_SHARE = 0.05


def report_answer(
    site: Site,
    store: Store,
    first: date,
    last: date,
    now: datetime,
    *,
    drawn: Site | None = None,
    model: GardenModel | None = None,
) -> ReportAnswer:
    """The garden from ``first`` to ``last``, local days. ``site``: as built; ``drawn``: as its file has it,
    which its tests are held against (None: the same); ``model``: of ``site``, when it is at hand. UsageError:
    nothing is stored of those days."""
    planned = dict(store.leaks_planned_since(first))
    waters = [d for d in store.water_days_since(first) if d.day <= last]
    roots = [r for r in store.root_zones_since(first) if r.day <= last]
    bookings = [b for b in store.bookings_since(first) if b.day <= last]
    if not (waters or roots or bookings):
        raise UsageError(f"nothing is known of {first} to {last}: the service has not run on those days")
    begins, ends = (local_midnight(d, site.place.timezone) for d in (first, last + timedelta(days=1)))
    model = model or garden_model(site)
    drift = drift_answer(drawn or site, store, now, model)
    used = _known_sum(r.wanted_l + r.rain_credited_l for r in roots)
    rain, given = _known_sum(r.rain_credited_l for r in roots), _known_sum(r.given_l for r in roots)
    leak = _known_sum(leaked_l(d, planned.get(d.day, 0.0)) for d in waters)
    counted_l = next((l_day for day, l_day in reversed(planned.items()) if day <= last), 0.0)
    return ReportAnswer(
        garden=site.name,
        first=first,
        last=last,
        known_days=len({r.day for r in roots}),
        used_l=used,
        rain_l=rain,
        rain_share=rain / used if used and rain is not None else None,
        given_l=given,
        caught_l=_known_sum(d.caught_l for d in waters),
        overflow_l=_known_sum(d.overflow_l for d in waters),
        topped_up_l=sum(d.added_l for d in waters),
        taken_l=sum(d.taken_l for d in waters),
        leak_l=leak,
        days=_days(site, store, waters, planned, roots, bookings, first, last),
        plants=[_plant(p.id, p.name, [r for r in roots if r.plant == p.id]) for p in site.plants],
        runs=_runs(store, bookings, begins),
        flow=drift.zones,
        flow_by_month=flow_by_month(model, store, begins, ends),
        evenness=evenness(drawn or site, store.test_records(), begins, ends, now),
        care=_care(site, store, begins, ends),
        faults=_faults(store, begins, ends),
        worth_changing=worth_changing(
            site,
            drift,
            _hindsight(site, store, first, last),
            _short(site, roots),
            leak_l=(leak or 0.0) if counted_l >= LEAK_TOLD_L else 0.0,  # one that has ended is not sought
            given_l=given or 0.0,
            cut=cut_zones(site, store.plans_between(first, last)),
        ),
        credits=_credits(store),
    )


def _faults(store: Store, begins: datetime, ends: datetime) -> list[ReportedFaultAnswer]:
    return [
        ReportedFaultAnswer(
            at=raised.alert.at,
            cleared_at=raised.cleared_at,
            kind=raised.alert.kind,
            text=raised.alert.text,
            subject=raised.alert.subject,
        )
        for raised in store.alerts_since(begins)
        if raised.alert.at < ends
    ]


def _known_sum(litres: Iterable[float | None]) -> float | None:
    """Of those that are known; None where none is."""
    known = [value for value in litres if value is not None]
    return sum(known) if known else None


def _care(site: Site, store: Store, begins: datetime, ends: datetime) -> list[ReportedCareAnswer]:
    """Tests at the garden, and what people told as done, in the order of their days."""
    tests = [
        ReportedCareAnswer(at=t.record.at, who=t.record.who, step=STEP_OF[t.record.kind], zone=t.record.zone)
        for t in store.test_records()
        if begins <= t.record.at < ends
    ]
    told = [
        ReportedCareAnswer(at=at, who=who, step=task, zone=None)
        for at, who, task in care_told(site, store, begins)
        if at < ends
    ]
    return sorted([*tests, *told], key=lambda c: c.at)


def _days(
    site: Site,
    store: Store,
    waters: Sequence[RecordWaterDay],
    leaks_planned: Mapping[date, float],
    roots: Sequence[RootZoneRecord],
    bookings: Sequence[Booking],
    first: date,
    last: date,
) -> list[ReportedDayAnswer]:
    water_of = {d.day: d for d in waters}
    rain_of = {d.day: d.rain_mm for d in store.weather_since(first)}
    et0_of = {r.day: r.et0_mm for r in roots}
    short: dict[date, list[str]] = {r.day: [] for r in roots}
    for root in roots:
        if root.stress > SHORT_STRESS:
            short[root.day].append(root.plant)
    found = []
    for offset in range((last - first).days + 1):
        day = first + timedelta(days=offset)
        water = water_of.get(day)
        planned_l = leaks_planned.get(day, 0.0)
        mine = [b for b in bookings if b.day == day]
        found.append(
            ReportedDayAnswer(
                date=day,
                rain_mm=rain_of.get(day),
                et0_mm=et0_of.get(day),
                caught_l=water.caught_l if water else None,
                overflow_l=water.overflow_l if water else None,
                added_l=water.added_l if water else 0.0,
                taken_l=water.taken_l if water else 0.0,
                leak_l=leaked_l(water, planned_l) if water else None,
                leak_l_day=leak_l_day(water.leak_l, planned_l) if water else None,
                held_l=water.end_l if water else None,
                watered_l={z.id: sum(b.volume_l for b in mine if b.zone == z.id) for z in site.zones},
                minutes={z.id: sum(b.open_s for b in mine if b.zone == z.id) / 60.0 for z in site.zones},
                short=short.get(day),
            )
        )
    return found


def _plant(plant: str, name: str, roots: Sequence[RootZoneRecord]) -> ReportedPlantAnswer:
    known = bool(roots)
    return ReportedPlantAnswer(
        id=plant,
        name=name,
        used_l=sum(r.wanted_l + r.rain_credited_l for r in roots) if known else None,
        rain_l=sum(r.rain_credited_l for r in roots) if known else None,
        given_l=sum(r.given_l for r in roots) if known else None,
        days_short=len({r.day for r in roots if r.stress > SHORT_STRESS}) if known else None,
    )


def _runs(store: Store, bookings: Iterable[Booking], begins: datetime) -> list[ReportedRunAnswer]:
    level_of = {i.order.order_id: i.level_m for i in store.intents_since(begins - timedelta(days=1))}
    return [
        ReportedRunAnswer(
            at=b.at,
            zone=b.zone,
            level_m=level_of.get(b.order_id),
            minutes=b.open_s / 60.0,
            volume_l=b.volume_l,
            volume_low_l=b.volume_low_l,
            volume_high_l=b.volume_high_l,
            note=b.note,
        )
        for b in sorted(bookings, key=lambda b: b.at)
    ]


def _hindsight(site: Site, store: Store, first: date, last: date) -> HindsightAnswer | None:
    """What another barrel, roof or stand would have changed in these days; None where they are too few."""
    try:
        return hindsight_answer(site, [d for d in store.weather_since(first) if d.day <= last])
    except UsageError:
        return None


def _short(site: Site, roots: Iterable[RootZoneRecord]) -> dict[str, int]:
    """Plant -> days on which it stood short, where there are any. For one that was taken out of the garden
    meanwhile nothing is changed."""
    stand = {p.id for p in site.plants}
    days: dict[str, set[date]] = {}
    for root in roots:
        if root.plant in stand and root.stress > SHORT_STRESS:
            days.setdefault(root.plant, set()).add(root.day)
    return {plant: len(found) for plant, found in days.items()}


def worth_changing(
    site: Site,
    drift: DriftAnswer,
    hindsight: HindsightAnswer | None,
    short: dict[str, int],
    *,
    leak_l: float,
    given_l: float,
    cut: Sequence[CutZone] = (),
) -> list[WorthChangingAnswer]:
    """At most three changes: first what left plants short on most days, if runs are cut by time there; then
    what is broken, before what might be bought."""
    too_little = _cut(site, cut, short)
    elsewhere = {p: d for p, d in short.items() if not any(p in plants for plants, _ in too_little)}
    worst_elsewhere = max(elsewhere.values(), default=0)
    found = [c for plants, c in too_little if max(plants.values()) >= worst_elsewhere]
    later = [c for plants, c in too_little if max(plants.values()) < worst_elsewhere]
    found += [
        WorthChangingAnswer(
            change=p.action + (f", {site.zone(p.zone).name}" if p.zone is not None else ""),
            evidence=with_zone_names(site, p.reason),
        )
        for p in drift.proposals
        if p.action != "test again"
    ]
    if leak_l > LEAK_SHARE * given_l and leak_l > 0.0:
        leaked, given = show_volume(leak_l, site.units), show_volume(given_l, site.units)
        found.append(
            WorthChangingAnswer(
                change="find the leak", evidence=f"it took {leaked}, beside {given} that watering gave"
            )
        )
    found += later
    if short and hindsight is not None:
        found += _bought(site, hindsight)
    behind = {p: days for p, days in elsewhere.items() if site.plant(p).rank > 1}
    if behind:
        worst = max(behind, key=lambda p: behind[p])
        found.append(
            WorthChangingAnswer(
                change=f"a better rank for {site.plant(worst).name}, if it is dear to you",
                evidence=f"short of water on {behind[worst]} days with rank {site.plant(worst).rank}",
            )
        )
    return found[:CHANGES_MAX]


def _cut(
    site: Site, cut: Iterable[CutZone], short: dict[str, int]
) -> list[tuple[dict[str, int], WorthChangingAnswer]]:
    """Days short by plant of each zone whose runs are cut, and what to change; the worst zone first."""
    found = []
    for zone in cut:
        plants = {
            p: short[p] for p in sorted(short, key=lambda p: -short[p]) if site.zone_of(p).id == zone.zone
        }
        if plants:
            change, evidence = cut_words(site, zone, plants)
            found.append((plants, WorthChangingAnswer(change=change, evidence=evidence)))
    return sorted(found, key=lambda f: -max(f[0].values()))


def _bought(site: Site, hindsight: HindsightAnswer) -> list[WorthChangingAnswer]:
    """The change of barrels, roof or stand that would have saved most, if it is worth a word."""
    short = sum(s.short_l for s in hindsight.gardens[0].summers)
    saved = {g.change: short - sum(s.short_l for s in g.summers) for g in hindsight.gardens[1:]}
    best = max(saved, key=lambda change: saved[change], default=None)
    if best is None or saved[best] <= WORTH_A_WORD * short:
        return []
    saving = show_volume(saved[best], site.units)
    return [
        WorthChangingAnswer(
            change=change_words(site, best),
            evidence=f"with full barrels at the start it would have saved {saving} of the "
            f"{show_volume(short, site.units)} that were short in this weather",
        )
    ]


def _credits(store: Store) -> list[str]:
    outlook = store.last_outlook()
    return list(outlook.credits) if outlook is not None else []


def report_words(site: Site, answer: ReportAnswer) -> list[str]:
    """The sums in sentences: the days, the plants, the barrels, and what there is beside."""
    lines = [
        f"{answer.garden}, {answer.first:%d %B} to {answer.last:%d %B %Y}: {_days_words(answer.known_days)} "
        "known.",
        _plant_words(site, answer),
        _barrel_words(site, answer),
        _short_words(answer),
    ]
    lines += [f"Flow: {zone.text}" for zone in answer.flow]
    lines += [f"Worth changing: {c.change}: {c.evidence}." for c in answer.worth_changing]
    return lines


def _days_words(days: int) -> str:
    return f"{days} day{'' if days == 1 else 's'}"


def _plant_words(site: Site, answer: ReportAnswer) -> str:
    units = site.units
    if answer.used_l is None:
        gave = show_volume(sum(sum(d.watered_l.values()) for d in answer.days), units)
        return f"What plants used is not known of any of these days; watering gave {gave}."
    used, rain, given = (show_volume(v, units) for v in (answer.used_l, answer.rain_l, answer.given_l))
    share = f" ({show_share(answer.rain_share)})" if answer.rain_share is not None else ""
    of_it = f"{rain} of it{share}" if rain != show_volume(0.0, units) else "none of it"
    return f"Plants used {used}; rain brought {of_it}, watering {given}."


def _barrel_words(site: Site, answer: ReportAnswer) -> str:
    """What came to the barrels and left them: each for itself, and on how many days it is known."""
    units, days = site.units, answer.days
    known = [
        sum(value is not None for value in of)
        for of in ([d.caught_l for d in days], [d.overflow_l for d in days], [d.leak_l for d in days])
    ]
    alike = len(set(known)) == 1

    def litres(value: float | None, on: int) -> str:
        where = "" if alike or on == len(days) else f" (known on {on} of {len(days)} days)"
        return f"{show_volume(value, units)}{where}"

    caught, over, leak = (
        litres(v, on)
        for v, on in zip((answer.caught_l, answer.overflow_l, answer.leak_l), known, strict=True)
    )
    parts = [
        f"The roof brought {caught}" if known[0] else "What the roof brought is not known",
        f", {over} ran over" if known[1] else "; what ran over is not known",
        f"; topped up {show_volume(answer.topped_up_l, units)}",
        f", taken by can {show_volume(answer.taken_l, units)}",
        f", leaked {leak}." if known[2] else "; what leaked is not known.",
    ]
    if alike and 0 < known[0] < len(days):
        parts.append(f" Roof and leak are known on {known[0]} of {len(days)} days.")
    return "".join(parts)


def _short_words(answer: ReportAnswer) -> str:
    if not answer.known_days:
        return "Which plants stood short of water is not known."
    short = [f"{p.name} on {_days_words(p.days_short)}" for p in answer.plants if p.days_short]
    if short:
        return f"Short of water: {', '.join(short)}."
    on = "" if answer.known_days >= len(answer.days) else f" on the {_days_words(answer.known_days)} known"
    return f"No plant stood short of water{on}."
