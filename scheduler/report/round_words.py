"""A round in words, the same for the command and the page."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from zoneinfo import ZoneInfo

from scheduler.report.answers import RoundAnswer, RoundGardenAnswer, RoundTroubleAnswer
from scheduler.report.round_gardens import RoundGarden
from scheduler.report.status import days_words
from scheduler.site.model import Site
from scheduler.site.showing import show_volume

WHAT_HARM_IS = (
    "Harm is counted in plant-days: one is a plant that for a day can draw nothing of what it could use. "
    "Counted are those lost within the last week and those that will be lost within the next if nobody comes."
)


@dataclass(frozen=True, slots=True)
class RoundRow:
    """One garden as it is shown: ``harm`` in words, a line for each trouble, the figures, what to bring.
    A healthy garden is its ``line`` alone."""

    garden: str
    standing: str
    note: str
    harm: str
    troubles: tuple[str, ...]
    line: str
    bring: str


def round_rows(answer: RoundAnswer, gardens: Sequence[RoundGarden]) -> list[RoundRow]:
    """Every garden in the round's order, figures in its own units, times by its own calendar."""
    sites = {g.file: g.site for g in gardens}
    return [_row(g, sites.get(g.file)) for g in answer.gardens]


def _row(garden: RoundGardenAnswer, site: Site | None) -> RoundRow:
    zone = site.place.timezone if site is not None else ZoneInfo("UTC")
    return RoundRow(
        garden=garden.garden,
        standing=garden.standing,
        note=garden.note,
        harm=_harm(garden),
        troubles=(
            *(_trouble(t, zone) for t in garden.troubles),
            *([garden.problem] if garden.problem else []),
        ),
        line="; ".join(_figures(garden, site, zone)),
        bring=", ".join(garden.parts),
    )


def _harm(garden: RoundGardenAnswer) -> str:
    if garden.harm_plant_days is not None:
        if garden.harm_plant_days == 0.0:
            return "no harm by next week"
        text = f"{_count(garden.harm_plant_days)} plant-days"
        if garden.lost_plant_days is None or garden.at_risk_plant_days is None:
            return text
        lost, risk = _count(garden.lost_plant_days), _count(garden.at_risk_plant_days)
        return f"{text}: {lost} lost in the last week, {risk} at risk in the next"
    if garden.harm_at_most is not None:
        return f"harm not known, at most {_count(garden.harm_at_most)} plant-days by next week"
    return "harm not known"


def _count(plant_days: float) -> str:
    """Tenths while they tell anything."""
    if plant_days == 0.0:
        return "none"
    return f"{plant_days:.1f}" if plant_days < 10.0 else f"{plant_days:.0f}"


def _trouble(trouble: RoundTroubleAnswer, zone: ZoneInfo) -> str:
    since = f"Since {_clock(trouble.since, zone)}: " if trouble.since is not None else ""
    urgent = "Urgent. " if trouble.urgent else ""
    return f"{urgent}{since}{trouble.text} {trouble.advice}"


def _figures(garden: RoundGardenAnswer, site: Site | None, zone: ZoneInfo) -> list[str]:
    if site is None:
        return []
    if garden.problem:  # nothing of now is known
        heard = f"last heard of {_clock(garden.as_of, zone)}" if garden.as_of is not None else ""
        return [*([heard] if heard else []), *_tests(garden, zone)]
    if garden.drained_on is not None:
        said = [f"drained for the winter since {garden.drained_on:%d %B %Y}"]
    else:
        run = f"last run {_clock(garden.last_run_at, zone)}" if garden.last_run_at else "no run this week"
        said = [_water(garden, site), *_lasting(garden, zone), run]
    if garden.standing != "well":
        said += _node(garden, zone)
    said += _tests(garden, zone)
    if garden.care_due:
        said.append(f"care due: {', '.join(garden.care_due)}")
    if garden.as_of is not None and garden.standing != "well":
        said.append(f"as of {_clock(garden.as_of, zone)}")
    return said


def _node(garden: RoundGardenAnswer, zone: ZoneInfo) -> list[str]:
    if garden.node_heard_at is None:
        return ["node not heard, valves not known"]
    supply = [f"supply {garden.supply_v:.1f} V"] if garden.supply_v is not None else []
    return [f"node heard {_clock(garden.node_heard_at, zone)}", *supply]


def _water(garden: RoundGardenAnswer, site: Site) -> str:
    if garden.usable_l is None:
        return "water not known"
    return f"{show_volume(garden.usable_l, site.units)} usable"


def _lasting(garden: RoundGardenAnswer, zone: ZoneInfo) -> list[str]:
    if garden.usable_l is None:
        return []
    if garden.planned_at is None:
        return ["how long it lasts is not known"]
    if garden.days_left_early is None:
        return ["lasts beyond what is foreseen"]
    late = f" to {garden.days_left_late}" if garden.days_left_late is not None else " or more"
    middle = garden.days_left_middle
    about = f"about {days_words(middle)} " if middle is not None else ""
    day = f"{garden.planned_at.astimezone(zone):%a %d %b}"
    return [f"lasts {about}({garden.days_left_early}{late}) from {day}"]


def _tests(garden: RoundGardenAnswer, zone: ZoneInfo) -> list[str]:
    if garden.never_tested is None:
        return []
    if garden.never_tested:
        return ["never commissioned"]
    cans = f"catch cans {garden.cans_at.astimezone(zone):%d %B %Y}" if garden.cans_at else "no catch cans yet"
    count = garden.tests_due or 0
    return [cans, f"{count} test{'' if count == 1 else 's'} due"] if count else [cans]


def _clock(at: datetime, zone: ZoneInfo) -> str:
    return at.astimezone(zone).strftime("%a %d %b %H:%M %Z")


def round_head(answer: RoundAnswer) -> str:
    """How many gardens stand how."""
    names: Mapping[str, str] = {
        "urgent": "urgent",
        "trouble": "in trouble",
        "unknown": "not known",
        "well": "well",
    }
    counts = {s: sum(1 for g in answer.gardens if g.standing == s) for s in names}
    total = len(answer.gardens)
    said = ", ".join(f"{n} {names[s]}" for s, n in counts.items() if n)
    return f"{total} garden{'' if total == 1 else 's'}: {said}."


def round_words(answer: RoundAnswer, gardens: Sequence[RoundGarden]) -> list[str]:
    """The whole round as lines."""
    rows = round_rows(answer, gardens)
    lines = [round_head(answer)]
    if any(r.standing != "well" for r in rows):
        lines.append(WHAT_HARM_IS)
    for number, row in enumerate((r for r in rows if r.standing != "well"), 1):
        lines += ["", f"{number}. {row.garden}: {row.harm}.", *(f"  {t}" for t in row.troubles)]
        lines += [f"  {text}." for text in (row.line[:1].upper() + row.line[1:],) if text]
        lines += [f"  Bring: {row.bring}."] if row.bring else []
        lines += [f"  Note: {row.note}"] if row.note else []
    well = [r for r in rows if r.standing == "well"]
    if well:
        lines += ["", "Well:", *(f"  {r.garden}: {r.line}." for r in well)]
    if answer.bring:
        lines += [
            "",
            "Parts for all of them:",
            *(f"  {p.part}: {', '.join(p.gardens)}." for p in answer.bring),
        ]
    return lines
