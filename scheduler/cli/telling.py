"""Commands by which people tell what the sensor cannot know: took, topped-up, gave, rained, hold."""

from __future__ import annotations

from datetime import UTC, date, datetime, time, timedelta
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

import typer

from scheduler.cli import present
from scheduler.cli.running import AMOUNTS, JSON, SITE, WAIT, amount_text, send_request
from scheduler.cli.sites import find_site, read_date

if TYPE_CHECKING:
    from scheduler.control.events import RequestKind

AMOUNT = typer.Argument(..., help="How much, such as 20 L or 5 gal.", metavar="AMOUNT")
BACK = typer.Option(False, "--take-back", help="Take back so much of what was told today.")


def add_to(app: typer.Typer) -> None:
    app.command(context_settings=AMOUNTS, epilog="Example: fallinghead took 60 L")(took)
    app.command("topped-up", context_settings=AMOUNTS, epilog="Example: fallinghead topped-up 200 L")(
        topped_up
    )
    app.command(context_settings=AMOUNTS, epilog="Example: fallinghead gave fig 5 L")(gave)
    app.command(
        context_settings=AMOUNTS,
        epilog="Examples: fallinghead rained 6 mm; fallinghead rained 0.4 in --on 2031-07-01",
    )(rained)
    app.command(epilog="Examples: fallinghead hold border --until 2031-07-10; fallinghead hold border --end")(
        hold
    )


def took(
    amount: list[str] = AMOUNT, back: bool = BACK, site: str = SITE, wait: float = WAIT, json: bool = JSON
) -> None:
    """Tell that water was taken from the barrels by can or tap, so that it is not called a leak."""
    _moved("took", None, amount, back, site, wait, json)


def topped_up(
    amount: list[str] = AMOUNT, back: bool = BACK, site: str = SITE, wait: float = WAIT, json: bool = JSON
) -> None:
    """Tell that the barrels were topped up. Only through an air gap: never join mains and rainwater."""
    _moved("topped_up", None, amount, back, site, wait, json)


def gave(
    plant: str = typer.Argument(..., help="Which plant.", metavar="PLANT"),
    amount: list[str] = AMOUNT,
    back: bool = BACK,
    site: str = SITE,
    wait: float = WAIT,
    json: bool = JSON,
) -> None:
    """Tell that a plant was watered by hand; it wants so much less."""
    _moved("gave", plant, amount, back, site, wait, json)


def _moved(
    kind: RequestKind, plant: str | None, amount: list[str], back: bool, site: str, wait: float, json: bool
) -> None:
    from scheduler.site.errors import UsageError
    from scheduler.site.quantities import parse

    garden = find_site(site)
    if plant is not None and plant not in {p.id for p in garden.plants}:
        known = ", ".join(p.id for p in garden.plants)
        raise UsageError(f"there is no plant {plant!r}; there are {known}")
    text = amount_text(amount)
    litres = parse(text, "volume")
    if litres <= 0.0:
        raise UsageError(f'read {text!r}; an amount is more than nothing, such as "20 L"')
    send_request(garden, kind, plant, -litres if back else litres, wait, json)


def rained(
    amount: list[str] = typer.Argument(..., help="Depth of rain, such as 6 mm or 0.4 in.", metavar="DEPTH"),
    on: str = typer.Option(None, "--on", help="The day it fell, such as 2031-07-01; without it today."),
    site: str = SITE,
    wait: float = WAIT,
    json: bool = JSON,
) -> None:
    """Tell the rain of your own gauge; it counts before what the weather service says."""
    from scheduler.site.errors import UsageError
    from scheduler.site.quantities import parse

    garden = find_site(site)
    text = amount_text(amount)
    rain_mm = 1000.0 * parse(text, "length")
    if rain_mm < 0.0:
        raise UsageError(f"read {text!r}; rain is 0 mm or more")
    day = read_date(on, "--on") if on else _today(garden.place.timezone)
    send_request(garden, "rained", day.isoformat(), rain_mm, wait, json)


def hold(
    zone: str = typer.Argument(None, help="Which zone; without it every zone.", metavar="ZONE"),
    until: str = typer.Option(None, "--until", help="Watered again from this day on, such as 2031-07-10."),
    end: bool = typer.Option(False, "--end", help="End the hold now."),
    site: str = SITE,
    wait: float = WAIT,
    json: bool = JSON,
) -> None:
    """Do not water a zone until a day. To close a valve that is open now: fallinghead stop."""
    from scheduler.site.errors import UsageError

    garden = find_site(site)
    if zone is not None and zone not in {z.id for z in garden.zones}:
        known = ", ".join(z.id for z in garden.zones)
        raise UsageError(f"there is no zone {zone!r}; there are {known}")
    if (until is None) == (not end):
        raise UsageError("say until which day to hold (--until 2031-07-10), or end a hold with --end")
    hours = 0.0
    if until is not None:
        day = read_date(until, "--until")
        now = present.now()
        ends = datetime.combine(day, time(), tzinfo=garden.place.timezone).astimezone(UTC)
        if ends <= now:
            raise UsageError(f"read --until {until}; that day has begun already, so there is nothing to hold")
        hours = (ends - now) / timedelta(hours=1)
    send_request(garden, "hold", zone, hours, wait, json)


def _today(zone: ZoneInfo) -> date:

    return present.today(zone)
