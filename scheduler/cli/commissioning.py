"""Commands of the day when a garden is proven, and after it: commission, sheet, drift."""

from __future__ import annotations

from difflib import get_close_matches
from pathlib import Path
from typing import TYPE_CHECKING

import typer

from scheduler.cli import present
from scheduler.cli.printing import say, say_json, say_table
from scheduler.cli.running import login_name
from scheduler.cli.sites import SITE_HELP, find_site, tests_of

if TYPE_CHECKING:
    from scheduler.site.model import Site
    from scheduler.store.store import Store
    from scheduler.survey.tests_done import TestKind

JSON = typer.Option(False, "--json", help="Print one JSON object for a program.")


def add_to(app: typer.Typer) -> None:
    app.command(
        epilog="Examples: fallinghead commission site.toml; fallinghead commission site.toml catch-cans "
        "--zone pots --blank > cans.toml; the same with --from cans.toml"
    )(commission)
    app.command(epilog="Example: fallinghead sheet site.toml --html sheet.html")(sheet)
    app.command(epilog="Example: fallinghead drift site.toml")(drift)


def commission(
    site: str = typer.Argument(None, help=SITE_HELP, metavar="SITE"),
    step: str = typer.Argument(
        None, help="One step, also alone, without SITE; without it all that are due.", metavar="STEP"
    ),
    zone: str = typer.Option(None, "--zone", help="Which zone.", metavar="ZONE"),
    source: Path = typer.Option(
        None, "--from", help="Take the test from a TOML file instead of asking.", metavar="FILE"
    ),
    blank: bool = typer.Option(False, "--blank", help="Print a file of the step to fill in, for --from."),
    sure: bool = typer.Option(False, "--sure", help="What is questioned in the file is so."),
    who: str = typer.Option(None, "--who", help="Who did the test; without it your login name."),
    steps: bool = typer.Option(False, "--list", help="Say what is done, due and stale."),
    json: bool = JSON,
) -> None:
    """Prove a garden step by step: guided, each entry checked and kept as it is typed.

    Type back, skip or stop at any question; the next time it goes on where it stopped.
    """
    from scheduler.report.forms import STEPS
    from scheduler.site.errors import UsageError
    from scheduler.site.fields import did_you_mean

    named: str | None = site
    if step is None and named in STEPS and not Path(named).exists():
        named, step = None, named
    elif named and step is None and not {".", "/"} & set(named) and not Path(named).exists():
        near = get_close_matches(named, STEPS, 1) or [s for s in STEPS if named in s]
        if near:
            raise UsageError(f"there is no file and no step {named!r}; did you mean the step {near[0]!r}?")
    garden = find_site(named)
    if step is not None and step not in STEPS:
        raise UsageError(f"read step {step!r}; there is no such step; {did_you_mean(step, STEPS)}")
    zones = [z.id for z in garden.zones]
    if zone is not None and zone not in zones:
        raise UsageError(f"there is no zone {zone!r}; there are {', '.join(zones)}")
    if blank:
        _blank(garden, STEPS[step] if step else None, zone)
        return
    with tests_of(garden) if steps else _open_store(garden) as store:
        if steps:
            _list(garden, store, json, named or "")
        elif source is not None:
            _from_file(garden, store, source, step, zone, who or login_name(), sure, json)
        elif json:
            raise UsageError("--json goes with --list or --from FILE: a talk at the terminal is for people")
        else:
            from scheduler.cli.guiding import Guide

            Guide(garden, store, who, named or "").run(STEPS[step] if step else None, zone)


def _blank(site: Site, kind: TestKind | None, zone: str | None) -> None:
    from scheduler.report.form_blank import blank_test
    from scheduler.report.forms import GARDEN_STEPS
    from scheduler.site.errors import UsageError

    if kind is None:
        raise UsageError("say which step to print, such as catch-cans; --list shows all of them")
    zones = [z.id for z in site.zones]
    if kind in GARDEN_STEPS:
        zone = None
    elif zone is None and len(zones) > 1:
        raise UsageError(f"say which zone: --zone {' or --zone '.join(zones)}")
    else:
        zone = zone or zones[0]
    typer.echo(blank_test(site, kind, zone), nl=False)


def _open_store(site: Site) -> Store:
    """The garden's store; made when the service has not run here yet, for proving comes before watering."""
    from scheduler.service.places import site_store_path
    from scheduler.store.store import Store, store_url

    path = site_store_path(site.id)
    if not path.exists():
        path.parent.mkdir(parents=True, exist_ok=True)
        Store(store_url(path), site.id).close()
    return Store(store_url(path), site.id, service=False)


def _list(site: Site, store: Store, json: bool, named: str) -> None:
    """``named``: how the site file was named, for the command to type."""
    from scheduler.report.commissioning import steps_answer, steps_rows
    from scheduler.report.draft import draft_words, read_draft
    from scheduler.service.places import site_store_path

    draft = read_draft(store.draft())
    answer = steps_answer(
        site,
        store.test_records(),
        present.now(),
        store=str(store.path or site_store_path(site.id)),
        half_done=draft_words(draft) if draft is not None else None,
    )
    if json:
        say_json(answer)
        return
    say_table(f"{site.name}: tests", *steps_rows(site, answer))
    if answer.half_done:
        say(f"Half done: {answer.half_done}. Go on with: {f'fallinghead commission {named}'.strip()}")
    for doubt in answer.doubts:
        say(f"- {doubt}")


def _from_file(
    site: Site, store: Store, path: Path, step: str | None, zone: str | None, who: str, sure: bool, json: bool
) -> None:
    from scheduler.report.answers import QuestionAnswer
    from scheduler.report.commissioning import done_answer
    from scheduler.report.form_file import read_test
    from scheduler.site.errors import UsageError
    from scheduler.site.showing import show_volume
    from scheduler.survey.let_out import let_out
    from scheduler.survey.sense import questions
    from scheduler.survey.tests_done import Flush, site_mark

    now = present.now()
    test = read_test(path, site, step, zone, who, now)
    asked = questions(site, test.record)
    if asked and not (sure or test.sure):
        lines = "\n".join(f"{path}: {q.about}: {q.text}" for q in asked)
        raise UsageError(f"{lines}\nNothing was taken. If it is so, say --sure, or write sure = true.")
    number = store.add_test_record(test.record, site_mark(site, test.record.zone))
    answers = [QuestionAnswer(about=q.about, refused=q.refused, text=q.text) for q in asked]
    answer = done_answer(site, store.test_records(), number, answers, now)
    if json:
        say_json(answer)
        return
    say(f"Kept as record {number}: {answer.step}{f' of {answer.zone}' if answer.zone else ''}.")
    for line in answer.findings:
        say(line)
    if isinstance(test.record, Flush):
        litres = let_out(site, test.record).known_l
        if litres > 0.0:
            say(f'If nobody told it yet, for the books: fallinghead took "{show_volume(litres, site.units)}"')


def sheet(
    site: str = typer.Argument(None, help=SITE_HELP, metavar="SITE"),
    html: Path = typer.Option(None, "--html", help="Write the sheet into this HTML file.", metavar="FILE"),
    pictures: Path = typer.Option(
        None, "--pictures", help="Draw each zone's newest catch cans into this folder, as PNG.", metavar="DIR"
    ),
    svg: bool = typer.Option(False, "--svg", help="Draw as SVG instead."),
    json: bool = JSON,
) -> None:
    """Write the commissioning sheet: what each test found, how surely, against last time; what is due."""
    from scheduler.report.drift import drift_answer
    from scheduler.report.sheet import sheet_answer
    from scheduler.site.errors import UsageError

    garden = find_site(site)
    if html is None and pictures is None and not json:
        raise UsageError("say where to write it, such as --html sheet.html, or --json for a program")
    with tests_of(garden) as store:
        now, kept = present.now(), store.test_records()
        answer = sheet_answer(garden, kept, now, drift_answer(garden, store, now))
    drawn: tuple[Path, ...] = ()
    if pictures is not None:
        from scheduler.report.can_maps import draw_can_maps

        drawn = draw_can_maps(garden, kept, pictures, "svg" if svg else "png")
    if html is not None:
        from scheduler.report.sheet_page import sheet_page

        try:
            html.write_text(sheet_page(garden, answer), encoding="utf-8")
        except OSError as error:
            raise UsageError(f"the sheet cannot be written to {html}: {error.strerror}") from error
    if json:
        say_json(answer)
        return
    if html is not None:
        say(f"The sheet is in {html}.")
    if pictures is not None:
        none = "No cans were ever set out here; nothing is drawn."
        say(f"Drawn: {', '.join(str(path) for path in drawn)}." if drawn else none)


def drift(site: str = typer.Argument(None, help=SITE_HELP, metavar="SITE"), json: bool = JSON) -> None:
    """Say whether each zone still gives what its tested curve says: clogging, leaks, lost emitters.

    By the fall of the level in the runs since the test. It changes nothing: a new test accepts a new curve.
    """
    from scheduler.report.drift import drift_answer, drift_words

    garden = find_site(site)
    with tests_of(garden) as store:
        made = store.path is not None
        answer = drift_answer(garden, store, present.now())
    if json:
        say_json(answer)
        return
    if not made:
        say("There is no store of this garden here: no service has run, and no test was kept.")
    for line in drift_words(answer, site or "SITE"):
        say(line)
