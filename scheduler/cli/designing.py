"""Commands for a garden on paper: example, check, plan, network, schema; and survey, which stands apart."""

from __future__ import annotations

from typing import TYPE_CHECKING

import typer

from scheduler.cli import present
from scheduler.cli.printing import say, say_error, say_json, say_table
from scheduler.cli.sites import SITE_HELP, find_site, read_date, read_level, read_weather
from scheduler.cli.surveying import survey

if TYPE_CHECKING:
    from scheduler.planning.garden import GardenModel

JSON = typer.Option(False, "--json", help="Print one JSON object for a program.")


def add_to(app: typer.Typer) -> None:
    app.command(epilog="Example: fallinghead example five-drums > site.toml")(example)
    app.command(epilog="Example: fallinghead check site.toml")(check)
    app.command(epilog="Example: fallinghead survey site.toml --at half")(survey)
    app.command(epilog='Example: fallinghead plan site.toml --level "60 cm" --weather week.csv')(plan)
    app.command(epilog="Example: fallinghead network site.toml --zone pots --at full > pots.inp")(network)
    app.command(epilog="Example: fallinghead schema site > site-schema.json")(schema)


def example(
    name: str = typer.Argument(
        None, help="Which example to print; without it they are listed.", metavar="NAME"
    ),
    json: bool = JSON,
) -> None:
    """Print an example site file to start from, or list them."""
    from scheduler.report.answers import ExampleAnswer, ExamplesAnswer
    from scheduler.site.errors import UsageError
    from scheduler.site.examples import EXAMPLES, example_text

    if name is not None:
        if name not in EXAMPLES:
            raise UsageError(f"there is no example {name!r}; there are {', '.join(EXAMPLES)}")
        typer.echo(example_text(name), nl=False)
    elif json:
        say_json(ExamplesAnswer(examples=[ExampleAnswer(name=n, summary=s) for n, s in EXAMPLES.items()]))
    else:
        for key, summary in EXAMPLES.items():
            say(f"{key:16} {summary}")


def check(site: str = typer.Argument(None, help=SITE_HELP, metavar="SITE"), json: bool = JSON) -> None:
    """Read a site file and report every mistake in it at once; change nothing."""
    from scheduler.report.answers import CheckAnswer, ProblemAnswer
    from scheduler.report.planting import season_doubts
    from scheduler.report.words import site_words
    from scheduler.site.doubts import paper_words, place_doubts, size_doubts
    from scheduler.site.errors import SiteFileError

    try:
        garden = find_site(site)
    except SiteFileError as error:
        if json:
            rows = [
                ProblemAnswer(file=p.file, line=p.line, key=p.key, read=p.read, remedy=p.remedy)
                for p in error.problems
            ]
            say_json(CheckAnswer(ok=False, problems=rows))
        else:
            for problem in error.problems:
                say_error(str(problem))
            count = len(error.problems)
            say_error(f"{count} mistake{'s' if count > 1 else ''} to mend.")
        raise typer.Exit(error.exit_code) from None
    today = present.today(garden.place.timezone)
    doubts = [
        *place_doubts(garden),
        *size_doubts(garden),
        *season_doubts(garden, today),
        *paper_words(garden),
    ]
    if json:
        say_json(CheckAnswer(ok=True, problems=[], doubts=doubts))
        return
    for line in (*site_words(garden), *doubts):
        say(line)


def plan(
    site: str = typer.Argument(None, help=SITE_HELP, metavar="SITE"),
    level: str = typer.Option(
        ..., "--level", help='Level above the outlet: "60 cm", full, half or low.', metavar="LEVEL"
    ),
    weather: str = typer.Option(
        ...,
        "--weather",
        help="CSV of days (date,tmin_c,tmax_c,rain_mm,..), or seattle-2012.",
        metavar="FILE",
    ),
    day: str = typer.Option(
        None, "--date", help="The day to plan; without it the last day of the file.", metavar="DATE"
    ),
    full_days_ago: int = typer.Option(
        3,
        "--full-days-ago",
        min=0,
        max=60,
        help="The soil was last soaked so many days before.",
        metavar="DAYS",
    ),
    way: str = typer.Option(
        "ranked", "--way", help="How a short store is spent: ranked, first-rank or alike.", metavar="WAY"
    ),
    json: bool = JSON,
) -> None:
    """Work out one day's watering from a level and a file of weather."""
    from scheduler.planning.choices import known_way
    from scheduler.planning.garden import garden_model
    from scheduler.planning.once import plan_once
    from scheduler.report.plan import missing_words, plan_answer, plan_rows, reason_lines

    garden = find_site(site)
    model = garden_model(garden)
    days = read_weather(weather, garden.place)
    level_m = read_level(level, model)
    on = read_date(day, "--date") if day else days[-1].day
    made = plan_once(
        model,
        level_m=level_m,
        days=days,
        day=on,
        full_days_ago=full_days_ago,
        source=str(weather),
        way=known_way(way),
    )
    answer = plan_answer(made, level_m)
    missing = missing_words(days, on, full_days_ago)
    if missing is not None:
        say_error(missing)
    if json:
        say_json(answer)
        return
    for title, columns, rows in plan_rows(garden, answer):
        say_table(title, columns, rows)
    for line in reason_lines(garden, answer):
        say(line)


def network(
    site: str = typer.Argument(None, help=SITE_HELP, metavar="SITE"),
    zone: str = typer.Option(..., "--zone", help="Which zone, open alone.", metavar="ZONE"),
    at: str = typer.Option(
        "half", "--at", help='Level above the outlet: "60 cm", full, half or low.', metavar="LEVEL"
    ),
    run: str = typer.Option(
        None,
        "--run",
        help='A run of so long while the level falls, such as "20 min"; without it the steady state.',
        metavar="TIME",
    ),
) -> None:
    """Print a zone as an EPANET input file, the open format of pipe networks."""
    from scheduler.hydraulics.epanet import epanet_input
    from scheduler.hydraulics.network import zone_network
    from scheduler.planning.garden import garden_model
    from scheduler.site.errors import UsageError
    from scheduler.survey.sentences import show_height

    garden = find_site(site)
    if zone not in {z.id for z in garden.zones}:
        raise UsageError(f"there is no zone {zone!r}; there are {', '.join(z.id for z in garden.zones)}")
    model = garden_model(garden)
    level_m = read_level(at, model)
    title = f"{garden.name}, zone {zone}, level {show_height(level_m, garden.units)} above the outlet"
    if run is not None:
        typer.echo(_run_input(model, zone, level_m, run, title), nl=False)
        return
    typer.echo(epanet_input(zone_network(garden, garden.zone(zone)), level_m, title=title), nl=False)


def _run_input(model: GardenModel, zone: str, level_m: float, run: str, title: str) -> str:
    """The zone's run with its barrels as the planner takes them: stage table, gap between barrels."""
    from scheduler.hydraulics.epanet import epanet_run_input
    from scheduler.site.errors import UsageError
    from scheduler.site.quantities import parse
    from scheduler.supply.link import link_offset_m
    from scheduler.survey.sentences import show_height

    tank, stage = model.site.tank, model.stage
    run_s = round(parse(run, "duration"))
    if run_s < 1 or level_m <= float(stage.levels_m[0]):
        level = show_height(level_m, model.site.units)
        raise UsageError(f"read --run {run!r} from {level}: give a second or more, and some water")
    linked = tank.link is not None and len(tank.barrels) > 1
    return epanet_run_input(
        model.zones[zone].network,
        stage.levels_m,
        stage.volumes_l,
        level_m,
        run_s,
        title,
        outlet_offset_m=(lambda flow_lph: link_offset_m(tank, flow_lph)) if linked else None,
    )


def schema(
    name: str = typer.Argument(
        None, help="site, asyncapi, or the name of a command's answer.", metavar="NAME"
    ),
) -> None:
    """Print the JSON Schema of the site file or of what a command answers with --json.

    asyncapi: the messages between service and valve node, as an AsyncAPI document.
    """
    import json as json_text

    from scheduler.report.answers import SCHEMAS
    from scheduler.site.errors import UsageError
    from scheduler.site.schema import site_schema

    if name is None:
        for known in ("site", "asyncapi", *SCHEMAS):
            say(known)
        return
    if name == "site":
        document = site_schema()
    elif name == "asyncapi":
        from scheduler.link.asyncapi import asyncapi_document

        document = asyncapi_document()
    elif name in SCHEMAS:
        document = SCHEMAS[name].model_json_schema()
    else:
        raise UsageError(f"there is no schema {name!r}; there are site, asyncapi, {', '.join(SCHEMAS)}")
    say(json_text.dumps(document, indent=2))
