"""The command survey: a garden on paper or as tested, alone or beside another, in words and pictures."""

from __future__ import annotations

from contextlib import ExitStack, contextmanager
from pathlib import Path
from shlex import quote
from typing import TYPE_CHECKING, Literal, TypeAlias

import typer

from scheduler.cli import present
from scheduler.cli.printing import say, say_json, say_table
from scheduler.cli.sites import SITE_HELP, find_site, read_level, tests_of

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping, Sequence

    from scheduler.planning.garden import GardenModel
    from scheduler.report.answers import SurveyAnswer
    from scheduler.report.artist import Artist
    from scheduler.site.model import Site
    from scheduler.survey.as_built import AsBuilt
    from scheduler.survey.zone_evidence import ZoneEvidence


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
    json: bool = typer.Option(False, "--json", help="Print one JSON object for a program."),
) -> None:
    """Show the head and flow at every emitter, each zone as if open alone; or advise, or compare."""
    garden = find_site(site)
    if what_if == ["forms"]:
        from scheduler.survey.changes import SENTENCES

        for form in SENTENCES[garden.units]:
            say(form)
        return
    if what_if or against:
        with _artists(pictures, "now", "changed" if what_if else "other") as artists:
            _compare(garden, what_if or [], against, artists, svg=svg, as_tested=as_tested, json=json)
        return
    with _artists(pictures, "") as artists:
        # After the artist, who is the quicker the less is loaded.
        from scheduler.planning.garden import garden_model
        from scheduler.report.survey import survey_answer

        built = _found(garden) if as_tested else None
        garden = built.site if built is not None else garden
        model = garden_model(garden)
        level_m = read_level(at, model)
        # Handed over first: the pictures work out at all levels together what the survey asks at one.
        proven = built.zones if built is not None else {}
        drawn = [_handed_over(artist, model, svg, proven=proven) for artist in artists]
        answer = survey_answer(garden, level_m, advice=advice, model=model)
        if json:
            files = [path for wait in drawn for path in wait()] if drawn else None
            say_json(answer.model_copy(update={"pictures": files}))
            return
        _say_survey(garden, answer, f" {site}" if site else "", at, advice)
        for wait in drawn:
            say(f"Drawn: {', '.join(wait())}.")


def _say_survey(garden: Site, answer: SurveyAnswer, site: str, at: str, advice: bool) -> None:
    from scheduler.report.survey import advice_lines, survey_rows, zone_lines

    if advice:
        for line in advice_lines(garden, answer):
            say(line)
        at_level = "" if at == "half" else f" --at {quote(at)}"
        say(f"The heads and flows as it is: fallinghead survey{site}{at_level}")
        return
    for title, columns, rows in survey_rows(garden, answer):
        say_table(title, columns, rows)
    for line in (*zone_lines(garden, answer), *(f"- {finding}" for finding in answer.findings)):
        say(line)


@contextmanager
def _artists(pictures: Path | None, *folders: str) -> Iterator[list[Artist]]:
    """One for each folder in that of the pictures; none without pictures."""
    from scheduler.report.artist import Artist

    with ExitStack() as stack:
        yield [stack.enter_context(Artist(pictures / f)) for f in folders] if pictures is not None else []


def _handed_over(
    artist: Artist,
    model: GardenModel,
    svg: bool,
    changes: Sequence[str] = (),
    *,
    proven: Mapping[str, ZoneEvidence],
) -> Callable[[], list[str]]:
    """Call what is given back to wait for the files."""
    from scheduler.report.garden_pictures import garden_and_day

    form: Literal["svg", "png"] = "svg" if svg else "png"
    of = garden_and_day(model.site, present.today(model.site.place.timezone), changes)
    wait = artist.draw(model, form, of, proven)
    return lambda: [str(path) for path in wait()]


def _found(garden: Site, file: str | None = None) -> AsBuilt:
    """As its tests found it. ``file``: where another drawing of it was read. UsageError when nothing was
    tested."""
    from scheduler.site.errors import UsageError
    from scheduler.survey.as_built import as_built

    with tests_of(garden) as store:
        built = as_built(garden, store.test_records(), now=present.now())
    if all(known.tested is None for known in built.zones.values()) and built.poured is None:
        raise UsageError(
            f"no test of {garden.name}{f' as {file} draws it' if file else ''} is kept here that tells of a "
            "flow or of litres; leave out --as-tested, or test it first: fallinghead commission"
        )
    return built


Side: TypeAlias = "tuple[Site, Mapping[str, ZoneEvidence]]"


def _sides(garden: Site, changes: list[str], against: str | None, as_tested: bool) -> tuple[Side, Side]:
    """The garden and what it is compared with, both as drawn or both as tested; with what the tests tell of
    their zones."""
    from scheduler.site.errors import UsageError
    from scheduler.survey.as_built import still_proven
    from scheduler.survey.changes import changed

    other = find_site(against) if against else garden
    if not as_tested:
        return (garden, {}), (changed(other, changes), {})
    if other.id != garden.id:
        raise UsageError(
            f"--as-tested compares a garden with itself, and {against} is of {other.id!r}, not of "
            f"{garden.id!r}; leave out --as-tested to compare both as drawn"
        )
    built = _found(garden)
    tested = _found(other, against) if against else built
    after = changed(tested.site, changes)
    return (built.site, built.zones), (after, still_proven(tested, after))


def _compare(
    garden: Site,
    changes: list[str],
    against: str | None,
    artists: Sequence[Artist],
    *,
    svg: bool,
    as_tested: bool,
    json: bool,
) -> None:
    """The garden beside another, or beside itself with the changes made; drawn, each into a folder of its
    own."""
    # After the artists, who are the quicker the less is loaded.
    from scheduler.planning.garden import garden_model
    from scheduler.report.side_by_side import compare_answer, compare_lines, compare_rows

    (garden, proven), (other, still) = _sides(garden, changes, against, as_tested)
    models = garden_model(garden), garden_model(other)
    made = zip(artists, models, ([], changes), (proven, still), strict=False)
    drawn = [_handed_over(artist, model, svg, them, proven=known) for artist, model, them, known in made]
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
