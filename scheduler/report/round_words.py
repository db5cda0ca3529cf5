"""A round in words, the same for the command and the page."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

from scheduler.report.answers import RoundAnswer, RoundGardenAnswer, RoundTroubleAnswer
from scheduler.report.round_gardens import RoundGarden
from scheduler.report.status import days_words
from scheduler.site.model import Site
from scheduler.site.showing import show_duration, show_volume

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
    return [_row(g, sites.get(g.file), answer.at) for g in answer.gardens]


@dataclass(frozen=True, slots=True)
class _Clock:
    """Times by the garden's calendar, as they are told at ``now``: with the year where it is another."""

    zone: ZoneInfo
    now: datetime

    def time(self, at: datetime) -> str:
        return f"{self.day(at)} {at.astimezone(self.zone):%H:%M %Z}"

    def day(self, at: datetime) -> str:
        local, now = at.astimezone(self.zone), self.now.astimezone(self.zone)
        return f"{local:%a %d %b}" if local.year == now.year else f"{local:%a %d %b %Y}"

    def ago(self, at: datetime) -> str:
        days = (self.now - at) // timedelta(days=1)
        if days < 2:
            return f"{show_duration(max(0.0, (self.now - at).total_seconds()))} ago"
        years = days // 365
        return f"{days} days ago" if years < 2 else f"{years} years ago"


def _row(garden: RoundGardenAnswer, site: Site | None, now: datetime) -> RoundRow:
    clock = _Clock(site.place.timezone if site is not None else ZoneInfo("UTC"), now)
    return RoundRow(
        garden=garden.garden,
        standing=garden.standing,
        note=garden.note,
        harm=_harm(garden),
        troubles=(
            *(_trouble(t, clock) for t in garden.troubles),
            *([garden.problem] if garden.problem else []),
        ),
        line="; ".join(_figures(garden, site, clock)),
        bring=", ".join(garden.parts),
    )


def _harm(garden: RoundGardenAnswer) -> str:
    if garden.practice_over:
        return "a practice that is over"
    if garden.harm_plant_days is not None:
        if garden.harm_plant_days == 0.0:
            return "no harm by next week"
        text = f"{_count(garden.harm_plant_days)} plant-days"
        if garden.lost_plant_days is None or garden.at_risk_plant_days is None:
            return text
        lost, risk = _count(garden.lost_plant_days), _count(garden.at_risk_plant_days)
        return f"{text}: {lost} lost in the last week, {risk} at risk in the next"
    if garden.harm_at_most is not None:
        return f"harm not known, at most {_count(garden.harm_at_most)} plant-days, last week and next"
    return "harm not known"


def _count(plant_days: float) -> str:
    """Tenths while they tell anything."""
    if plant_days == 0.0:
        return "none"
    return f"{plant_days:.1f}" if plant_days < 10.0 else f"{plant_days:.0f}"


def _trouble(trouble: RoundTroubleAnswer, clock: _Clock) -> str:
    since = f"Since {clock.time(trouble.since)}: " if trouble.since is not None else ""
    urgent = "Urgent. " if trouble.urgent else ""
    return f"{urgent}{since}{trouble.text} {trouble.advice}"


def _figures(garden: RoundGardenAnswer, site: Site | None, clock: _Clock) -> list[str]:
    if site is None or garden.practice_over:
        return []
    if garden.problem:  # nothing of now is known
        at = garden.as_of
        heard = [f"last heard of {clock.time(at)}, {clock.ago(at)}"] if at is not None else []
        return [*heard, *_tests(garden, clock)]
    if garden.drained_on is not None:
        said = [f"drained for the winter since {garden.drained_on:%d %B %Y}"]
    else:
        run = f"last run {clock.time(garden.last_run_at)}" if garden.last_run_at else "no run this week"
        said = [_water(garden, site), *_lasting(garden, clock), run]
    if garden.standing != "well":
        said += _node(garden, clock)
    said += _tests(garden, clock)
    if garden.care_due:
        said.append(f"care due: {', '.join(garden.care_due)}")
    if garden.as_of is not None and garden.standing != "well":
        said.append(f"as of {clock.time(garden.as_of)}")
    return said


def _node(garden: RoundGardenAnswer, clock: _Clock) -> list[str]:
    if garden.node_heard_at is None:
        return ["node not heard, valves not known"]
    supply = [f"supply {garden.supply_v:.1f} V"] if garden.supply_v is not None else []
    return [f"node heard {clock.time(garden.node_heard_at)}", *supply]


def _water(garden: RoundGardenAnswer, site: Site) -> str:
    if garden.usable_l is None:
        return "water not known"
    return f"{show_volume(garden.usable_l, site.units)} usable"


def _lasting(garden: RoundGardenAnswer, clock: _Clock) -> list[str]:
    if garden.usable_l is None:
        return []
    if garden.planned_at is None:
        return ["how long it lasts is not known"]
    if garden.days_left_early is None:
        return ["lasts beyond what is foreseen"]
    late = f" to {garden.days_left_late}" if garden.days_left_late is not None else " or more"
    middle = garden.days_left_middle
    about = f"about {days_words(middle)} " if middle is not None else ""
    return [f"lasts {about}({garden.days_left_early}{late}) from {clock.day(garden.planned_at)}"]


def _tests(garden: RoundGardenAnswer, clock: _Clock) -> list[str]:
    if garden.never_tested is None:
        return []
    if garden.never_tested:
        return ["never commissioned"]
    cans = (
        f"catch cans {garden.cans_at.astimezone(clock.zone):%d %B %Y}"
        if garden.cans_at
        else "no catch cans yet"
    )
    count = garden.tests_due or 0
    return [cans, f"{count} test{'' if count == 1 else 's'} due"] if count else [cans]


def round_head(answer: RoundAnswer) -> str:
    """How many gardens stand how."""
    names: Mapping[str, str] = {
        "urgent": "urgent",
        "trouble": "in trouble",
        "unknown": "not known",
        "well": "well",
    }
    real = [g for g in answer.gardens if not g.practice_over]
    counts = {names[s]: sum(1 for g in real if g.standing == s) for s in names}
    total = len(answer.gardens)
    counts["a practice that is over"] = total - len(real)
    said = ", ".join(f"{n} {name}" for name, n in counts.items() if n)
    return f"{total} garden{'' if total == 1 else 's'}: {said}."


def round_words(answer: RoundAnswer, gardens: Sequence[RoundGarden]) -> list[str]:
    """The whole round as lines."""
    rows = round_rows(answer, gardens)
    lines = [round_head(answer)]
    if any(g.standing != "well" and not g.practice_over for g in answer.gardens):
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
