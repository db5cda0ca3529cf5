"""The sheet as one HTML page that asks nothing of any network and prints on paper."""

from __future__ import annotations

from datetime import datetime
from itertools import groupby

from scheduler.report.answers import SheetAnswer
from scheduler.report.paper import template
from scheduler.site.model import DisplayUnits, Site
from scheduler.site.showing import show_flow, show_share, show_volume
from scheduler.survey.sentences import show_height, volume_word

# US fluid ounce, 1/128 of the US gallon (NIST Handbook 44).
_LITRE_PER_OUNCE = 3.785411784 / 128.0


def sheet_page(site: Site, sheet: SheetAnswer) -> str:
    """The page; figures in the garden's own units, days by its own calendar."""
    units = site.units

    def day(moment: datetime) -> str:
        return moment.astimezone(site.place.timezone).date().isoformat()

    return template("sheet.html").render(
        sheet=sheet,
        due_groups=due_groups(site, sheet),
        day=day,
        small=lambda v: small_volume(v, units),
        volume=lambda v: show_volume(v, units),
        length=lambda v: show_height(v, units),
        flow=lambda v: show_flow(v, units),
        share=show_share,
        volume_word=volume_word(units),
    )


def small_volume(volume_l: float, units: DisplayUnits) -> str:
    """What a can holds."""
    return f"{volume_l / _LITRE_PER_OUNCE:.1f} fl oz" if units == "us" else f"{volume_l * 1000.0:.0f} mL"


def due_groups(site: Site, sheet: SheetAnswer) -> list[str]:
    """Due tests of one place and one reason on one line: a sheet of a new garden has many."""
    names = {z.id: f"Zone {z.name}" for z in site.zones}
    groups = groupby(sheet.due, key=lambda d: (d.zone, d.reason))
    return [
        f"{names[zone] if zone else 'Barrels and sensor'}: "
        f"{', '.join(d.step.replace('-', ' ') for d in due)} ({reason})"
        for (zone, reason), due in groups
    ]
