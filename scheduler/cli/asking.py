"""Commands that ask: of decisions and what comes (why, balance, ahead), of kinds of plants (plants)."""

from __future__ import annotations

from datetime import timedelta

import typer

from scheduler.cli import present
from scheduler.cli.printing import say, say_json, say_table
from scheduler.cli.sites import PAST_HELP, SITE_HELP, find_site, read_date, read_price, read_weather, store_of
from scheduler.site.errors import UsageError


def add_to(app: typer.Typer) -> None:
    app.command(epilog="Examples: fallinghead why; fallinghead why fig; fallinghead why --on 2012-07-30")(why)
    app.command(epilog="Example: fallinghead balance --days 14")(balance)
    app.command(epilog="Examples: fallinghead ahead; fallinghead ahead --until 2031-08-14 --past years.csv")(
        ahead
    )
    app.command(epilog="Example: fallinghead litres --days 30")(litres)
    app.command(epilog="Examples: fallinghead plants; fallinghead plants lavender")(plants)


def why(
    subject: str = typer.Argument(None, help="A zone or a plant; without it every zone."),
    on: str = typer.Option(
        None, "--on", help="The day, such as 2012-07-30; without it the newest that was planned."
    ),
    site: str = typer.Option(None, "--site", help=SITE_HELP),
    json: bool = typer.Option(False, "--json", help="Print one JSON object for a program."),
) -> None:
    """Say why a zone is watered so long, or not at all, and what would change that."""
    from scheduler.report.why import newest_planned_day, why_answer, why_words

    garden = find_site(site)
    today = present.today(garden.place.timezone)
    with store_of(garden) as store:
        day = read_date(on, "--on") if on else newest_planned_day(store, today)
        if day > today:
            raise UsageError(
                f"{day:%A %d %B %Y} is still to come: it is planned when it begins, from the level and the "
                "weather of then. `fallinghead ahead` says what is foreseen"
            )
        answer = why_answer(garden, store, day, subject)
    if json:
        say_json(answer)
        return
    if day != today and not on:
        say(f"No plan was made for today, {today:%A %d %B %Y}; the newest is of {day:%A %d %B %Y}.")
    for line in why_words(garden, answer, subject):
        say(line)


def balance(
    days: int = typer.Option(7, "--days", min=1, max=800, help="So many days back."),
    site: str = typer.Option(None, "--site", help=SITE_HELP),
    json: bool = typer.Option(False, "--json", help="Print one JSON object for a program."),
) -> None:
    """Say where the barrels' water went, day by day, and what nobody accounts for."""
    from scheduler.report.water_days import DRAWN_OR_BOOKED, balance_answer, balance_rows, balance_words

    garden = find_site(site)
    first = present.today(garden.place.timezone) - timedelta(days=days)
    with store_of(garden) as store:
        answer = balance_answer(garden, store, first)
    if json:
        say_json(answer)
        return
    columns, rows = balance_rows(garden, answer)
    if rows:
        say_table(f"{garden.name}: the water of the barrels", columns, rows)
        say(DRAWN_OR_BOOKED)
    for line in balance_words(garden, answer):
        say(line)


def litres(
    days: int = typer.Option(30, "--days", min=1, max=800, help="So many days back."),
    site: str = typer.Option(None, "--site", help=SITE_HELP),
    json: bool = typer.Option(False, "--json", help="Print one JSON object for a program."),
) -> None:
    """Say what each plant used and got, and which stood short on how many days."""
    from scheduler.report.litres import litres_answer, litres_rows, litres_words

    garden = find_site(site)
    first = present.today(garden.place.timezone) - timedelta(days=days)
    with store_of(garden) as store:
        answer = litres_answer(garden, store, first)
    if json:
        say_json(answer)
        return
    if answer.first is not None:
        columns, rows = litres_rows(garden, answer)
        say_table(garden.name, columns, rows)
    for line in litres_words(answer):
        say(line)


def ahead(
    until: str = typer.Option(
        None, "--until", help="Should it last through this day? Without it: two weeks.", metavar="DATE"
    ),
    past: str = typer.Option(None, "--past", help=PAST_HELP, metavar="FILE"),
    price: str = typer.Option(
        None, "--price", help='Price of mains water, such as "2.90 per m3"; says the cost.', metavar="PRICE"
    ),
    site: str = typer.Option(None, "--site", help=SITE_HELP),
    json: bool = typer.Option(False, "--json", help="Print one JSON object for a program."),
) -> None:
    """Say how long the water lasts, what to top up until when, and whether coming rain would run over."""
    from scheduler.report.ahead import ahead_answer, ahead_words
    from scheduler.service.tested import garden_as_tested

    garden = find_site(site)
    last = read_date(until, "--until") if until else None
    years = read_weather(past, garden.place) if past is not None else ()
    cost = read_price(price) if price else None
    with store_of(garden) as store:
        now = present.now()
        answer = ahead_answer(garden_as_tested(garden, store, now).site, store, now, last, years, cost)
    if json:
        say_json(answer)
        return
    for line in ahead_words(garden, answer):
        say(line)


def plants(
    word: str = typer.Argument(
        None, help="Part of a common name; without it all kinds, without their sources.", metavar="WORD"
    ),
    us: bool = typer.Option(False, "--us", help="Depths in US units."),
    json: bool = typer.Option(False, "--json", help="Print one JSON object for a program."),
) -> None:
    """Search the plant catalogue: which kind to write in the site file, and what it uses."""
    from scheduler.report.kinds import kinds_answer, kinds_rows

    answer = kinds_answer(word)
    if json:
        say_json(answer)
        return
    # With its source each kind takes five lines and more.
    columns, rows = kinds_rows(answer, "us" if us else "metric", sources=word is not None)
    say_table("Kinds of plants; use is a share of the day's reference evapotranspiration", columns, rows)
