"""Commands that let time pass in a virtual garden: rehearse and practice."""

from __future__ import annotations

import sys
from pathlib import Path
from shlex import quote
from shutil import which

import typer

from scheduler.cli.printing import progress, say, say_json, say_table
from scheduler.cli.sites import SITE_HELP, find_site, read_date, read_weather

SEATTLE = "seattle-2012"
WEATHER_HELP = f"CSV of measured days, or {SEATTLE}, the dry summer that ships with the program."


def add_to(app: typer.Typer) -> None:
    app.command(epilog="Example: fallinghead rehearse five-drums --picture season.png")(rehearse)
    app.command(epilog="Example: fallinghead practice five-drums --days 14")(practice)


def rehearse(
    site: str = typer.Argument(None, help=SITE_HELP, metavar="SITE"),
    weather: str = typer.Option(SEATTLE, "--weather", help=WEATHER_HELP, metavar="FILE"),
    first: str = typer.Option("2012-07-01", "--from", help="First day.", metavar="DATE"),
    last: str = typer.Option("2012-09-15", "--to", help="Last day.", metavar="DATE"),
    seed: int = typer.Option(1, "--seed", help="Draws what is hidden from the controller.", metavar="NUMBER"),
    way: str = typer.Option(
        "ranked", "--way", help="How a short store is spent: ranked, first-rank or alike.", metavar="WAY"
    ),
    picture: Path = typer.Option(
        None, "--picture", help="Draw the season into this PNG or SVG file.", metavar="FILE"
    ),
    by_day: bool = typer.Option(
        False, "--by-day", help="Print every day: rain, litres, what is left, who is short."
    ),
    json: bool = typer.Option(False, "--json", help="Print one JSON object for a program."),
) -> None:
    """Run a season in virtual time: the real controller in a garden that differs from what it is told."""
    from scheduler.pictures.season import draw_season
    from scheduler.planning.choices import known_way
    from scheduler.rehearsal.season import rehearse as run_season
    from scheduler.rehearsal.season import season_weather
    from scheduler.rehearsal.season_json import season_json, season_picture
    from scheduler.report.answers import RehearseAnswer
    from scheduler.report.season import day_rows, season_rows, season_words

    garden = find_site(site)
    if picture is not None:
        _check_picture(picture)
    days = read_weather(weather, garden.place)
    start, end = read_date(first, "--from"), read_date(last, "--to")
    count, chosen = (end - start).days + 1, known_way(way)
    season_weather(garden, days, start, end)  # refused before any day is said to be rehearsed
    with progress(f"Rehearsing {count} days of {garden.name}", count) as on_day:
        season = run_season(garden, days, start, end, seed, way=chosen, on_day=on_day)
    if picture is not None:
        title = f"{garden.name}, {start.day} {start:%B} to {end.day} {end:%B %Y}"
        draw_season(season_picture(season, title), picture)
    answer = RehearseAnswer.model_validate(season_json(season))
    if json:
        say_json(answer)
        return
    hidden = "; ".join(season.hidden.words(garden.units)) or "nothing"
    say(f"Hidden from the controller (sd: standard deviation): {hidden}.")
    if by_day:
        columns, rows = day_rows(garden, answer)
        say_table(f"{garden.name}, day by day; left: above the reserve, at the day's end", columns, rows)
    for title, columns, rows in season_rows(garden, answer):
        say_table(title, columns, rows)
    for line in season_words(garden, answer):
        say(line)
    if picture is not None:
        say(f"The picture is in {picture}.")


def _check_picture(path: Path) -> None:
    """Before a long run, not after it."""
    from scheduler.site.errors import UsageError

    if path.suffix.lower() not in (".png", ".svg"):
        raise UsageError(f"read --picture {path}; its name must end in .png or .svg")
    if not path.parent.is_dir():
        raise UsageError(f"read --picture {path}; there is no folder {path.parent}")


def practice(
    site: str = typer.Argument(
        "five-drums", help="Site file, or the name of a shipped example.", metavar="SITE"
    ),
    days: int = typer.Option(
        14, "--days", min=1, max=60, help="End by itself after so many days.", metavar="DAYS"
    ),
    weather: str = typer.Option(SEATTLE, "--weather", help=WEATHER_HELP, metavar="FILE"),
    first: str = typer.Option("2012-07-24", "--from", help="First day.", metavar="DATE"),
    seed: int = typer.Option(1, "--seed", help="Draws what is hidden from the daemon.", metavar="NUMBER"),
    keep: Path = typer.Option(
        None,
        "--keep",
        help="Keep its store in this folder, for status, why, ahead, report and the page to look at.",
        metavar="FOLDER",
    ),
) -> None:
    """Run the whole system live in a hurried virtual garden: broker, daemon, node, weather."""
    from scheduler.cli.printing import console
    from scheduler.rehearsal.practice_view import practice as run_practice

    garden = find_site(site)
    run_practice(
        garden,
        read_weather(weather, garden.place),
        read_date(first, "--from"),
        days,
        seed=seed,
        console=console(),
        keep=keep,
    )
    if keep is not None:
        for line in kept_words(site, keep):
            say(line)


def kept_words(site: str, keep: Path) -> list[str]:
    """How to look at a practice that was kept. What is to be typed stands whole on lines of its own, however
    narrow the terminal: pasted in part, a command would look at another garden."""
    name, typed = "fallinghead", []
    program = Path(sys.argv[0])
    if not which(name) and program.name == name:  # installed beside a checkout it is on no path
        typed.append(f'export PATH={quote(str(program.resolve().parent))}:"$PATH"')
    elif not which(name):
        name = f"{quote(sys.executable)} -m scheduler.cli.main"
    typed += [
        f"export FALLINGHEAD_STATE={quote(str(keep.resolve()))}",
        f"export FALLINGHEAD_SITE={quote(_named(site))}",
        *(f"{name} {command}" for command in ("status", "why", "ahead", "report")),
    ]
    return [
        "Its store is kept. For the commands it is then always the hour at which the practice ended; what "
        "tells of whole days (report, litres, balance) ends with the day before, and nothing can be watered "
        "there any more. Type or paste:",
        "\n".join(typed),
    ]


def _named(site: str) -> str:
    """A site file by its whole path, an example by its name."""
    return str(Path(site).resolve()) if Path(site).exists() else site
