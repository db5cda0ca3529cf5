"""Commands for a garden on paper: example, check, survey, plan, network, schema."""

from __future__ import annotations

from pathlib import Path
from shlex import quote
from typing import TYPE_CHECKING, Literal

import typer

from scheduler.cli import present
from scheduler.cli.printing import say, say_error, say_json, say_table
from scheduler.cli.sites import SITE_HELP, find_site, read_date, read_level, read_weather, tests_of

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from scheduler.planning.garden import GardenModel
    from scheduler.report.artist import Artist
    from scheduler.site.model import Site
    from scheduler.survey.as_built import AsBuilt

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
    from scheduler.site.doubts import size_doubts
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
    doubts = [*size_doubts(garden), *season_doubts(garden, today)]
    if json:
        say_json(CheckAnswer(ok=True, problems=[], doubts=doubts))
        return
    for line in (*site_words(garden), *doubts):
        say(line)


def survey(
    site: str = typer.Argument(None, help=SITE_HELP, metavar="SITE"),
    at: str = typer.Option(
        "half", "--at", help='Level above the outlet: "60 cm", full, half or low.', metavar="LEVEL"
    ),
    advice: bool = typer.Option(
        False, "--advice", help="Say what would help, each solved again, instead of the survey."
    ),
    what_if: list[str] = typer.Option(
        None,
        "--what-if",
        help='Compare with a change, such as "raise barrels 30 cm"; may be given again. "forms" lists all.',
        metavar="CHANGE",
    ),
    against: str = typer.Option(None, "--against", help="Compare with another site file.", metavar="SITE"),
    pictures: Path = typer.Option(
        None,
        "--pictures",
        help="Draw the garden into this folder, as PNG; when compared, both.",
        metavar="DIR",
    ),
    svg: bool = typer.Option(False, "--svg", help="Draw as SVG instead."),
    as_tested: bool = typer.Option(
        False, "--as-tested", help="The garden as its tests found it, instead of as drawn."
    ),
    json: bool = JSON,
) -> None:
    """Show the head and flow at every emitter, each zone as if open alone; or advise, or compare."""
    from scheduler.report.artist import Artist

    garden = find_site(site)
    if what_if == ["forms"]:
        from scheduler.survey.changes import SENTENCES

        for form in SENTENCES[garden.units]:
            say(form)
        return
    if what_if or against:
        _compare(_found(garden).site if as_tested else garden, what_if or [], against, pictures, svg, json)
        return
    artist = Artist(pictures) if pictures is not None else None
    # After the artist, who is the quicker the less is loaded.
    from scheduler.planning.garden import garden_model
    from scheduler.report.survey import advice_lines, survey_answer, survey_rows, zone_lines

    built = _found(garden) if as_tested else None
    garden = built.site if built is not None else garden
    model = garden_model(garden)
    level_m = read_level(at, model)
    # Handed over first: the pictures work out at all levels together what the survey asks at one.
    drawn = _handed_over(artist, model, svg, built=built) if artist is not None else None
    answer = survey_answer(garden, level_m, advice=advice, model=model)
    if json:
        say_json(answer.model_copy(update={"pictures": drawn() if drawn is not None else None}))
        return
    if advice:
        for line in advice_lines(garden, answer):
            say(line)
        at_level = "" if at == "half" else f" --at {quote(at)}"
        say(f"The heads and flows as it is: fallinghead survey{f' {site}' if site else ''}{at_level}")
    else:
        for title, columns, rows in survey_rows(garden, answer):
            say_table(title, columns, rows)
        for line in (*zone_lines(garden, answer), *(f"- {finding}" for finding in answer.findings)):
            say(line)
    if drawn is not None:
        say(f"Drawn: {', '.join(drawn())}.")


def _handed_over(
    artist: Artist,
    model: GardenModel,
    svg: bool,
    changes: Sequence[str] = (),
    *,
    built: AsBuilt | None = None,
) -> Callable[[], list[str]]:
    """Call what is given back to wait for the files."""
    from scheduler.report.garden_pictures import garden_and_day

    form: Literal["svg", "png"] = "svg" if svg else "png"
    of = garden_and_day(model.site, present.today(model.site.place.timezone), changes)
    wait = artist.draw(model, form, of, built.zones if built is not None else None)
    return lambda: [str(path) for path in wait()]


def _found(garden: Site) -> AsBuilt:
    """As its tests found it. UsageError when nothing was tested."""
    from scheduler.site.errors import UsageError
    from scheduler.survey.as_built import as_built

    with tests_of(garden) as store:
        built = as_built(garden, store.test_records(), now=present.now())
    if all(known.tested is None for known in built.zones.values()) and built.poured is None:
        raise UsageError(
            f"no test of {garden.name} is kept here that tells of a flow or of litres; leave out "
            "--as-tested, or test it first: fallinghead commission"
        )
    return built


def _compare(
    garden: Site, changes: list[str], against: str | None, pictures: Path | None, svg: bool, json: bool
) -> None:
    """The garden beside another, or beside itself with the changes made; drawn, each into a folder of its
    own."""
    from scheduler.report.artist import Artist

    names = "now", "changed" if changes else "other"
    artists = [Artist(pictures / name) for name in names] if pictures is not None else []
    # After the artists, who are the quicker the less is loaded.
    from scheduler.planning.garden import garden_model
    from scheduler.report.side_by_side import compare_answer, compare_lines, compare_rows
    from scheduler.survey.changes import changed

    other = changed(find_site(against) if against else garden, changes)
    models = garden_model(garden), garden_model(other)
    made = zip(artists, models, ([], changes), strict=False)
    drawn = [_handed_over(artist, model, svg, with_them) for artist, model, with_them in made]
    answer = compare_answer(garden, other, changes, models)
    if json:
        files = [path for wait in drawn for path in wait()] if drawn else None
        say_json(answer.model_copy(update={"pictures": files}))
        return
    for title, columns, rows in compare_rows(other, answer):
        say_table(title, columns, rows)
    for line in compare_lines(garden, other, answer):
        say(line)
    what = "The garden as it is", "With the changes" if changes else "The other garden"
    for words, wait in zip(what, drawn, strict=False):
        say(f"{words}, drawn: {', '.join(wait())}.")


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

    garden = find_site(site)
    if zone not in {z.id for z in garden.zones}:
        raise UsageError(f"there is no zone {zone!r}; there are {', '.join(z.id for z in garden.zones)}")
    model = garden_model(garden)
    level_m = read_level(at, model)
    title = f"{garden.name}, zone {zone}, level {level_m:.3f} m above the outlet"
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

    tank, stage = model.site.tank, model.stage
    run_s = round(parse(run, "duration"))
    if run_s < 1 or level_m <= float(stage.levels_m[0]):
        raise UsageError(f"read --run {run!r} from {level_m:.2f} m: give a second or more, and some water")
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
