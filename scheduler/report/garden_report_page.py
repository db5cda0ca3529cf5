"""The report as one HTML page that asks nothing of any network and prints on paper, and as CSV tables."""

from __future__ import annotations

import csv
from dataclasses import dataclass, replace
from datetime import date, datetime
from io import StringIO

from markupsafe import Markup

from scheduler.pictures.garden_days import GardenDay, GardenDays, garden_days_svg
from scheduler.report.answers import ReportAnswer
from scheduler.report.garden_report import report_words
from scheduler.report.paper import template
from scheduler.site.model import Site
from scheduler.site.showing import show_depth, show_level, show_rain, show_share, show_volume

_LITRE_PER_GALLON = 3.785411784  # NIST Handbook 44
_MM_PER_INCH = 25.4


def report_page(site: Site, answer: ReportAnswer) -> str:
    """The page; figures in the garden's own units, days by its own calendar."""
    units = site.units

    def clock(moment: datetime) -> str:
        return moment.astimezone(site.place.timezone).strftime("%d %b %H:%M")

    return template("report.html").render(
        report=answer,
        faults=_faults(site, answer),
        words=report_words(site, answer)[1:],
        drawing=Markup(garden_days_svg(_drawn(site, answer))),  # noqa: S704 - our own drawing, text escaped by it
        names={z.id: z.name for z in site.zones},
        plant_names={p.id: p.name for p in site.plants},
        clock=clock,
        volume=lambda v: show_volume(v, units),
        level=lambda v: show_level(v, units),
        rain=lambda v: show_rain(v, units),
        depth=lambda v: show_depth(v, units),
        share=show_share,
    )


@dataclass(frozen=True, slots=True)
class _Fault:
    """A warning as it stood: said ``times`` times while it did, last with ``text``, of the day ``told``."""

    about: tuple[str, str]
    begun: datetime
    cleared: datetime | None
    text: str
    told: date
    times: int = 1

    @property
    def last_said(self) -> str:
        """Its last words; of what still stands with their day, for it need not stand so any more."""
        return self.text if self.cleared else f"told on {self.told:%d %B}: {self.text}"

    def stood_at(self, at: datetime) -> bool:
        return self.cleared is None or at < self.cleared


def _faults(site: Site, answer: ReportAnswer) -> list[_Fault]:
    """Each once: what is told again while it stands is one row. The page bears the garden's name already."""
    found: list[_Fault] = []
    for fault in answer.faults:
        text = fault.text.removeprefix(f"{site.name}: ")
        told, text = fault.at.astimezone(site.place.timezone).date(), text[:1].upper() + text[1:]
        new = _Fault((fault.kind, fault.subject), fault.at, fault.cleared_at, text, told)
        before = next(
            (n for n, f in enumerate(found) if f.about == new.about and f.stood_at(new.begun)), None
        )
        if before is None:
            found.append(new)
        else:
            old = found[before]
            found[before] = replace(new, begun=old.begun, times=old.times + 1)
    return found


def fault_words(site: Site, answer: ReportAnswer) -> list[str]:
    """The same as lines, for a terminal."""
    zone, lines = site.place.timezone, []
    for fault in _faults(site, answer):
        until = f"to {fault.cleared.astimezone(zone):%d %B %H:%M}" if fault.cleared else "still stands"
        times = f" Told {fault.times} times, last so." if fault.times > 1 else ""
        lines.append(
            f"Warning of {fault.begun.astimezone(zone):%d %B %H:%M}, {until}: {fault.last_said}{times}"
        )
    return lines or ["No warning was raised in these days."]


def _drawn(site: Site, answer: ReportAnswer) -> GardenDays:
    us = site.units == "us"
    volume, rain = (_LITRE_PER_GALLON, _MM_PER_INCH) if us else (1.0, 1.0)
    return GardenDays(
        days=tuple(
            GardenDay(
                day=d.date,
                held=None if d.held_l is None else d.held_l / volume,
                rain=None if d.rain_mm is None else d.rain_mm / rain,
                minutes=tuple((site.zone(z).name, m) for z, m in d.minutes.items()),
                short=None if d.short is None else len(d.short),
            )
            for d in answer.days
        ),
        volume_unit="gallons" if us else "litres",
        rain_unit="in" if us else "mm",
        reserve=site.reserve.volume_l / volume,
        plants=len(site.plants),
    )


def report_tables(answer: ReportAnswer) -> dict[str, str]:
    """File name -> CSV text: days, plants, runs. SI, the unit in each name; what is not known is empty."""
    zones = list(answer.days[0].watered_l) if answer.days else []
    days: list[list[object]] = [
        [
            *(
                d.date,
                d.rain_mm,
                d.et0_mm,
                d.caught_l,
                d.overflow_l,
                d.added_l,
                d.taken_l,
                d.leak_l,
                d.held_l,
            ),
            *(d.watered_l[z] for z in zones),
            *(d.minutes[z] for z in zones),
            None if d.short is None else " ".join(d.short),
        ]
        for d in answer.days
    ]
    head = ["date", "rain_mm", "et0_mm", "caught_l", "overflow_l", "added_l", "taken_l", "leak_l", "held_l"]
    head += [f"{z}_l" for z in zones] + [f"{z}_min" for z in zones] + ["short"]
    plants: list[list[object]] = [
        [p.id, p.name, p.used_l, p.rain_l, p.given_l, p.days_short] for p in answer.plants
    ]
    runs: list[list[object]] = [
        [r.at.isoformat(), r.zone, r.level_m, r.minutes, r.volume_l, r.volume_low_l, r.volume_high_l, r.note]
        for r in answer.runs
    ]
    return {
        "days.csv": _csv(head, days),
        "plants.csv": _csv(["id", "name", "used_l", "rain_l", "given_l", "days_short"], plants),
        "runs.csv": _csv(
            ["at", "zone", "level_m", "minutes", "volume_l", "volume_low_l", "volume_high_l", "note"], runs
        ),
    }


def _csv(head: list[str], rows: list[list[object]]) -> str:
    out = StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(head)
    writer.writerows([_cell(value) for value in row] for row in rows)
    return out.getvalue()


def _cell(value: object) -> object:
    if isinstance(value, float):
        return round(value, 3)
    # A leading sign would be a formula to a spreadsheet.
    if isinstance(value, str) and value.startswith(("=", "+", "-", "@")):
        return "'" + value
    return "" if value is None else value
