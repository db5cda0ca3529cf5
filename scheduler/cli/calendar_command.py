"""fallinghead calendar: coming runs and days of care for a calendar program."""

from __future__ import annotations

from pathlib import Path

import typer

from scheduler.cli import present, waiting
from scheduler.cli.printing import say, say_json
from scheduler.cli.sites import SITE_HELP, find_site, store_of
from scheduler.site.errors import UsageError


def add_to(app: typer.Typer) -> None:
    app.command(epilog="Examples: fallinghead calendar; fallinghead calendar --ics garden.ics")(calendar)


def calendar(
    site: str = typer.Argument(None, help=SITE_HELP, metavar="SITE"),
    ics: Path = typer.Option(
        None, "--ics", help="Write an iCalendar file (RFC 5545); - prints it.", metavar="FILE"
    ),
    json: bool = typer.Option(False, "--json", help="Print one JSON object for a program."),
) -> None:
    """List coming runs and days of care; the page also has them as a feed that a calendar can follow."""
    from scheduler.report.ahead import weeks_ahead
    from scheduler.report.calendar import calendar_answer, calendar_feed, calendar_words
    from scheduler.service.tested import garden_as_tested

    garden = find_site(site)
    with store_of(garden) as store:
        now = present.now()
        built = garden_as_tested(garden, store, now).site
        answer = calendar_answer(built, store, now, weeks_ahead(built, store, now))
    if json:
        say_json(answer)
        return
    if ics is None:
        for line in calendar_words(garden, answer):
            say(line)
        return
    feed = calendar_feed(answer)
    if str(ics) == "-":
        waiting.end()
        typer.echo(feed.decode("utf-8"), nl=False)
        return
    try:
        ics.write_bytes(feed)
    except OSError as error:
        raise UsageError(f"the calendar cannot be written to {ics}: {error.strerror}") from error
    say(f"Written: {ics}.")
