"""Commands of a short store: ration (the ways to spend it, and the choice), rank (which plant goes first)."""

from __future__ import annotations

import typer

from scheduler.cli import present
from scheduler.cli.printing import say, say_json, say_table
from scheduler.cli.running import JSON, SITE, WAIT, send_request
from scheduler.cli.sites import PAST_HELP, find_site, read_weather, store_of


def add_to(app: typer.Typer) -> None:
    app.command(epilog="Examples: fallinghead ration; fallinghead ration --choose first-rank")(ration)
    app.command(epilog="Examples: fallinghead rank fig 1; fallinghead rank fig --back")(rank)


def ration(
    choose: str = typer.Option(
        None, "--choose", help="Spend it this way from now on: ranked, first-rank or alike.", metavar="WAY"
    ),
    back: bool = typer.Option(False, "--back", help="Take the choice back: the default holds again."),
    release: bool = typer.Option(
        False, "--release-reserve", help="Let planning draw on the reserve, down to where emitters stop."
    ),
    keep: bool = typer.Option(False, "--keep-reserve", help="Keep the reserve again."),
    past: str = typer.Option(None, "--past", help=PAST_HELP, metavar="FILE"),
    site: str = SITE,
    wait: float = WAIT,
    json: bool = JSON,
) -> None:
    """Say who gets how much of a store that will not last, way by way, and choose one.

    Without a choice it goes by rank. A choice holds until it is taken back.
    """
    from scheduler.planning.choices import WAYS
    from scheduler.site.errors import UsageError

    if sum((choose is not None, back, release, keep)) > 1:
        raise UsageError("say one thing at a time: --choose, --back, --release-reserve or --keep-reserve")
    garden = find_site(site)
    if choose is not None and choose not in WAYS:
        raise UsageError(f"there is no way {choose!r}; there are {', '.join(WAYS)}")
    if choose is not None or back:
        send_request(garden, "ration", choose, None, wait, json)
    elif release or keep:
        send_request(garden, "reserve", "released" if release else None, None, wait, json)
    else:
        _show(site, past, json)


def _show(site: str, past: str | None, json: bool) -> None:
    from scheduler.report.rationing import ration_answer, ration_rows, ration_words
    from scheduler.service.tested import garden_as_tested

    garden = find_site(site)
    years = read_weather(past, garden.place) if past is not None else ()
    with store_of(garden) as store:
        now = present.now()
        answer = ration_answer(garden_as_tested(garden, store, now).site, store, now, years)
    if json:
        say_json(answer)
        return
    if answer.short:  # else no way is followed, and litres of one would speak against "none is held back"
        columns, rows = ration_rows(garden, answer)
        say_table(
            f"{garden.name}: water to {answer.through:%d %B} in the middle of the ways of the weather; a "
            "day: at risk from then on",
            columns,
            rows,
        )
    for line in ration_words(garden, answer):
        say(line)


def rank(
    plant: str = typer.Argument(..., help="Which plant.", metavar="PLANT"),
    number: int = typer.Argument(None, help="Its rank: 1 is watered first.", metavar="RANK"),
    back: bool = typer.Option(False, "--back", help="As the site file says again."),
    site: str = SITE,
    wait: float = WAIT,
    json: bool = JSON,
) -> None:
    """Put a plant before or behind others while water is short; planned anew at once, and kept."""
    from scheduler.planning.choices import RANK_LEAST, RANK_MOST
    from scheduler.site.errors import UsageError

    garden = find_site(site)
    if plant not in {p.id for p in garden.plants}:
        raise UsageError(f"there is no plant {plant!r}; there are {', '.join(p.id for p in garden.plants)}")
    if (number is None) == (not back):
        raise UsageError("say its rank, such as: fallinghead rank fig 1; or --back for that of the site file")
    if number is not None and not RANK_LEAST <= number <= RANK_MOST:
        raise UsageError(f"read rank {number}; it is a whole number from {RANK_LEAST} to {RANK_MOST}")
    send_request(garden, "rank", plant, float(number) if number is not None else None, wait, json)
