"""What each plant used, what rain and watering brought it, and on which days it stood short."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date

from scheduler.control.effects import RootZoneRecord
from scheduler.report.answers import LitresAnswer, PlantLitresAnswer
from scheduler.report.plan import Columns, Rows
from scheduler.site.model import Site
from scheduler.site.showing import show_share, show_volume
from scheduler.store.store import Store

# A plant stands short on a day on which it draws less than 95 % of what it could use (a choice of ours: less
# is within what a root zone's balance can tell).
SHORT_STRESS = 0.05
COLUMNS: Columns = [
    ("plant", "left"),
    ("days short", "right"),
    ("worst", "right"),
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
        plants=[_plant(p.id, p.name, [r for r in records if r.plant == p.id]) for p in site.plants],
    )


def _plant(plant: str, name: str, records: Sequence[RootZoneRecord]) -> PlantLitresAnswer:
    short = [r for r in records if r.stress > SHORT_STRESS]
    return PlantLitresAnswer(
        id=plant,
        name=name,
        days=len(records),
        used_l=round(sum(r.wanted_l for r in records), 2) if records else None,
        given_l=round(sum(r.given_l for r in records), 2) if records else None,
        rain_l=round(sum(r.rain_credited_l for r in records), 2) if records else None,
        days_short=len(short) if records else None,
        worst_shortfall=round(max((r.stress for r in short), default=0.0), 2) if records else None,
        last_short=max((r.day for r in short), default=None),
    )


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
    short = [p.name for p in answer.plants if p.days_short]
    span = f"{answer.first:%d %B} to {answer.last:%d %B}"
    if not short:
        return [f"{span}: no plant stood short."]
    worst = "worst is the share of a day's use that the plant could not draw"
    return [f"{span}: {', '.join(short)} stood short; {worst}."]
