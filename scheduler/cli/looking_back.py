"""Commands that look back."""

from __future__ import annotations

from datetime import timedelta

import typer

from scheduler.cli import present
from scheduler.cli.printing import say, say_json, say_table
from scheduler.cli.sites import SITE_HELP, find_site, read_weather

# As many days as a store keeps.
STORED_DAYS = 800


def add_to(app: typer.Typer) -> None:
    app.command(
        epilog="Examples: fallinghead hindsight five-drums --past seattle-2012; fallinghead hindsight "
        '--change "add 2 barrels" --past years.csv'
    )(hindsight)


def hindsight(
    site: str = typer.Argument(None, help=SITE_HELP, metavar="SITE"),
    past: str = typer.Option(
        None,
        "--past",
        help="CSV of past years' weather here: date,tmin_c,tmax_c,rain_mm,...; or seattle-2012.",
        metavar="FILE",
    ),
    change: list[str] = typer.Option(
        None, "--change", help='A change to try, such as "add 2 barrels"; may be repeated.', metavar="CHANGE"
    ),
    json: bool = typer.Option(False, "--json", help="Print one JSON object for a program."),
) -> None:
    """Say what one barrel more, a larger roof or a higher stand would have changed in past summers."""
    from scheduler.report.hindsight import hindsight_answer, hindsight_rows, hindsight_words
    from scheduler.service.daemon import site_store_path
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
