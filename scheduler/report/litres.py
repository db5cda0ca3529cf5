"""What each plant used, what rain and watering brought it, and on which days it stood short."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date

from scheduler.agronomy.need import daily_need_l
from scheduler.agronomy.young import is_young
from scheduler.control.effects import RootZoneRecord
from scheduler.report.answers import LitresAnswer, PlantLitresAnswer
from scheduler.report.plan import Columns, Rows
from scheduler.site.model import Plant, Site
from scheduler.site.showing import show_share, show_volume
from scheduler.store.store import Store

# A plant stands short on a day on which it draws less than 95 % of what it could use (a choice of ours: less
# is within what a root zone's balance can tell).
SHORT_STRESS = 0.05
COLUMNS: Columns = [
    ("plant", "left"),
    ("days short", "right"),
    ("worst", "right"),
    ("missed", "right"),
    ("last short", "left"),
    ("used, rain apart", "right"),
    ("given", "right"),
    ("rain brought", "right"),
]


def litres_answer(site: Site, store: Store, first: date) -> LitresAnswer:
    """Every plant over the balanced days from ``first`` on; None where no day of it is balanced yet."""
    records = store.root_zones_since(first)
    days = sorted({r.day for r in records})
    return LitresAnswer(
        garden=site.name,
        first=days[0] if days else None,
        last=days[-1] if days else None,
        plants=[_plant(p, [r for r in records if r.plant == p.id]) for p in site.plants],
    )


def _plant(plant: Plant, records: Sequence[RootZoneRecord]) -> PlantLitresAnswer:
    short = [r for r in records if r.stress > SHORT_STRESS]
    missed_l = _missed_l(plant, short)
    return PlantLitresAnswer(
        id=plant.id,
        name=plant.name,
        days=len(records),
        used_l=round(sum(r.wanted_l for r in records), 2) if records else None,
        given_l=round(sum(r.given_l for r in records), 2) if records else None,
        rain_l=round(sum(r.rain_credited_l for r in records), 2) if records else None,
        days_short=len(short) if records else None,
        worst_shortfall=round(max((r.stress for r in short), default=0.0), 2) if records else None,
        last_short=max((r.day for r in short), default=None),
        missed_l=round(missed_l, 2) if records and missed_l is not None else None,
    )


def _missed_l(plant: Plant, short: Sequence[RootZoneRecord]) -> float | None:
    """What it would have used beside what it used on its short days: 1 - Ks of its use without stress (FAO-56
    Eq 81 and 84).

    None where one of them is a day of a newly planted one: its use is its dose by age, which Ks does not cut,
    so the whole dose stands in what it used already.
    """
    if any(is_young(plant, r.day) for r in short):
        return None
    return sum(r.stress * daily_need_l(plant, r.et0_mm, r.day) for r in short)


def litres_rows(site: Site, answer: LitresAnswer) -> tuple[Columns, Rows]:
    """One row a plant, those that stood short longest first."""
    units = site.units

    def litres(value: float | None) -> str:
        return show_volume(value, units) if value is not None else "not known"

    rows: Rows = []
    for p in sorted(answer.plants, key=lambda p: -(p.days_short or 0)):
        worst = show_share(p.worst_shortfall) if p.worst_shortfall else "-"
        rows.append(
            [
                p.name,
                str(p.days_short) if p.days_short is not None else "not known",
                worst,
                litres(p.missed_l) if p.days_short and p.missed_l is not None else "-",
                f"{p.last_short:%a %d %b}" if p.last_short is not None else "-",
                litres(p.used_l),
                litres(p.given_l),
                litres(p.rain_l),
            ]
        )
    return COLUMNS, rows


def litres_words(answer: LitresAnswer) -> list[str]:
    """What stands behind the table."""
    if answer.first is None or answer.last is None:
        return ["No day is balanced yet: the first stands after the first whole day."]
    short = [p for p in answer.plants if p.days_short]
    span = f"{answer.first:%d %B} to {answer.last:%d %B}"
    if not short:
        return [f"{span}: no plant stood short."]
    names, last = ", ".join(p.name for p in short), max(short, key=lambda p: p.last_short or date.min)
    lines = [
        f"{span}: {names} stood short. Worst is the share of a day's use that the plant could not draw, "
        "missed all that it could not draw on its short days. That is noted and not repaid in one flood."
    ]
    young = ", ".join(p.name for p in short if p.missed_l is None)
    if young:
        lines.append(f"What {young} missed is not told: newly planted, a dose by age, whatever it can draw.")
    return [
        *lines,
        f"Why: fallinghead why {last.id} --on {last.last_short}.",
    ]
