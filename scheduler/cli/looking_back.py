"""Commands that look back."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from typing import TYPE_CHECKING

import typer

from scheduler.cli import present
from scheduler.cli.printing import say, say_json, say_table
from scheduler.cli.sites import PAST_HELP, SITE_HELP, find_site, read_date, read_weather, store_of
from scheduler.site.errors import UsageError

if TYPE_CHECKING:
    from scheduler.report.answers import ReportAnswer
    from scheduler.site.model import Site

# As many days as a store keeps.
STORED_DAYS = 800
WITHOUT_PAST = "Without it: the summers that the service has kept, and the garden's own weather file."


def add_to(app: typer.Typer) -> None:
    app.command(
        epilog="Examples: fallinghead report --days 7; fallinghead report --from 2012-05-01 --html may.html"
    )(report)
    app.command(
        epilog="Examples: fallinghead hindsight; fallinghead hindsight five-drums --past seattle-2012; "
        'fallinghead hindsight --change "add 2 barrels" --past years.csv'
    )(hindsight)


def report(
    site: str = typer.Argument(None, help=SITE_HELP, metavar="SITE"),
    days: int = typer.Option(7, "--days", min=1, max=STORED_DAYS, help="So many finished days back."),
    first: str = typer.Option(None, "--from", help="First day instead, such as 2012-05-01.", metavar="DATE"),
    last: str = typer.Option(None, "--to", help="Last day; without it yesterday.", metavar="DATE"),
    html: Path = typer.Option(
        None, "--html", help="Write a page that prints into this file.", metavar="FILE"
    ),
    csv: Path = typer.Option(
        None, "--csv", help="Write days, plants and runs into this folder.", metavar="FOLDER"
    ),
    us: bool = typer.Option(False, "--us", help="Gallons and inches, whatever the site file says."),
    json: bool = typer.Option(False, "--json", help="Print one JSON object for a program."),
) -> None:
    """Tell of a week or a season: what plants used and got, where the water went, what is worth changing."""
    from scheduler.report.garden_report import report_answer, report_words
    from scheduler.report.garden_report_page import fault_words
    from scheduler.service.tested import garden_as_tested

    garden = find_site(site)
    garden = replace(garden, units="us") if us else garden
    end = read_date(last, "--to") if last else present.today(garden.place.timezone) - timedelta(days=1)
    start = read_date(first, "--from") if first else end - timedelta(days=days - 1)
    if start > end:
        raise UsageError(f"read --from {start} --to {end}; the first day comes before the last")
    with store_of(garden) as store:
        now = present.now()
        built = garden_as_tested(garden, store, now).site
        answer = report_answer(built, store, start, end, now, drawn=garden)
    written = _write(garden, answer, html, csv)
    if json:
        say_json(answer)
        return
    for line in (*report_words(garden, answer), *fault_words(garden, answer), *written):
        say(line)


def _write(garden: Site, answer: ReportAnswer, html: Path | None, folder: Path | None) -> list[str]:
    """Files that were asked for; what was written, in words."""
    from scheduler.report.garden_report_page import report_page, report_tables

    files: dict[Path, str] = {}
    if html is not None:
        files[html] = report_page(garden, answer)
    if folder is not None:
        files |= {folder / name: text for name, text in report_tables(answer).items()}
    for path, text in files.items():
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_text(text, encoding="utf-8")
        except OSError as error:
            raise UsageError(f"the report cannot be written to {path}: {error.strerror}") from error
    return [f"Written: {path}." for path in files]


def hindsight(
    site: str = typer.Argument(None, help=SITE_HELP, metavar="SITE"),
    past: str = typer.Option(None, "--past", help=f"{PAST_HELP} {WITHOUT_PAST}", metavar="FILE"),
    change: list[str] = typer.Option(
        None, "--change", help='A change to try, such as "add 2 barrels"; may be repeated.', metavar="CHANGE"
    ),
    json: bool = typer.Option(False, "--json", help="Print one JSON object for a program."),
) -> None:
    """Say what one barrel more, a larger roof or a higher stand would have changed in past summers."""
    from scheduler.report.hindsight import hindsight_answer, hindsight_rows, hindsight_words
    from scheduler.service.places import site_store_path
    from scheduler.service.tested import garden_as_tested
    from scheduler.store.store import Store, store_url

    garden = find_site(site)
    days = list(read_weather(past, garden.place)) if past else []
    built = garden
    path = site_store_path(garden.id)
    if path.exists():
        with Store(store_url(path), garden.id, service=False) as store:
            now = present.now()
            built = garden_as_tested(garden, store, now).site
            stored = store.weather_since(present.today(garden.place.timezone) - timedelta(days=STORED_DAYS))
        days = [*stored, *days]
    answer = hindsight_answer(built, days, change or ())
    if json:
        say_json(answer)
        return
    columns, rows = hindsight_rows(garden, answer)
    say_table(garden.name, columns, rows)
    for line in hindsight_words(garden, answer):
        say(line)
