"""Commands beside a running service: serve, status, stop, resume, water, measured."""

from __future__ import annotations

import getpass
import os
import re
from typing import TYPE_CHECKING

import typer

from scheduler.cli import present
from scheduler.cli.printing import say, say_error, say_json
from scheduler.cli.sites import SITE_HELP, find_site
from scheduler.service.practised import check_can_ask, practice_ended

if TYPE_CHECKING:
    from scheduler.control.events import RequestKind
    from scheduler.site.model import Site

JSON = typer.Option(False, "--json", help="Print one JSON object for a program.")
SITE = typer.Option(None, "--site", help=SITE_HELP, metavar="SITE")
WAIT = typer.Option(
    5.0, "--wait", min=0.0, help="Wait so many seconds for the daemon's answer.", metavar="SECONDS"
)
# First, for who typed it may be looking at running water.
NOT_STOPPED = (
    "The stop could not be passed on, and no valve is proven shut: close the hand tap at the barrels."
)
# So that an amount below nothing is read as an amount, and refused as one, not taken for an option.
# People count in watering cans, of which no two hold the same.
CANS = re.compile(r"([0-9.]{1,6}) (?:watering )?cans?", re.IGNORECASE)
AMOUNTS = {"ignore_unknown_options": True}


def amount_text(words: list[str]) -> str:
    """An amount typed with or without quotes; a slip in an option is not a part of it."""
    for word in words:
        if word.startswith("--"):
            raise typer.BadParameter(f"there is no option {word}")
    text = " ".join(words)
    if cans := CANS.fullmatch(text):
        from scheduler.site.errors import UsageError

        raise UsageError(
            f"read {text!r}; say what they hold together: {cans[1]} cans of 10 L are "
            f'"{10 * float(cans[1]):g} L"'
        )
    return text


def add_to(app: typer.Typer) -> None:
    app.command(epilog="Example: fallinghead serve /etc/fallinghead/site.toml")(serve)
    app.command(epilog="Example: fallinghead status --json")(status)
    app.command(epilog="Example: fallinghead stop")(stop)
    app.command(epilog="Example: fallinghead resume")(resume)
    app.command(epilog='Example: fallinghead water fig "3 L"', context_settings=AMOUNTS)(water)
    app.command(epilog='Example: fallinghead measured "62 cm"', context_settings=AMOUNTS)(measured)


def serve(site: str = typer.Argument(None, help=SITE_HELP, metavar="SITE")) -> None:
    """Run the daemon of one garden until it is told to end."""
    from scheduler.service.daemon import serve as run_service
    from scheduler.service.log import set_up_log

    garden = find_site(site)
    if practice_ended() is not None:
        from scheduler.site.errors import UsageError

        raise UsageError(
            "FALLINGHEAD_STATE names the folder of a practice that is over: a service needs one of its own"
        )
    set_up_log(garden.place.timezone)
    raise typer.Exit(run_service(garden))


def status(site: str = typer.Argument(None, help=SITE_HELP, metavar="SITE"), json: bool = JSON) -> None:
    """Say how the garden stands: water, next run, last run, alerts."""
    from scheduler.planning.garden import garden_model
    from scheduler.report.ahead import weeks_ahead
    from scheduler.report.drift import drift_answer
    from scheduler.report.status import status_answer, status_words
    from scheduler.service.lock import is_served
    from scheduler.service.places import site_store_path
    from scheduler.service.tested import garden_as_tested
    from scheduler.store.store import Store, store_url

    garden = find_site(site)
    path = site_store_path(garden.id)
    with Store(store_url(path), garden.id, service=False) as store:
        now = present.now()
        built = garden_as_tested(garden, store, now).site
        model = garden_model(built)
        ahead = weeks_ahead(built, store, now, model)
        answer = status_answer(built, store, now, running=is_served(path), ahead=ahead)
        drift = drift_answer(garden, store, now, model).zones
        over = practice_ended() is not None
        answer = answer.model_copy(update={"drift": drift, "practice_over": over})
    if json:
        say_json(answer)
        return
    for line in status_words(garden, answer):
        say(line)


def stop(site: str = SITE, wait: float = WAIT, json: bool = JSON) -> None:
    """Close every valve at once and water nothing until resume. Exit 1 until the node confirms."""
    send_request(find_site(site), "stop", None, None, wait, json)


def resume(site: str = SITE, wait: float = WAIT, json: bool = JSON) -> None:
    """Take watering up again after a stop."""
    send_request(find_site(site), "resume", None, None, wait, json)


def water(
    subject: str = typer.Argument(..., help="A zone or a plant.", metavar="ZONE_OR_PLANT"),
    amount: list[str] = typer.Argument(..., help="How much, such as 3 L or 1 gal.", metavar="AMOUNT"),
    site: str = SITE,
    wait: float = WAIT,
    json: bool = JSON,
) -> None:
    """Water a zone or a plant now by litres, inside the reserve."""
    from scheduler.site.errors import UsageError
    from scheduler.site.quantities import parse

    garden = find_site(site)
    known = [z.id for z in garden.zones] + [p.id for p in garden.plants]
    if subject not in known:
        raise UsageError(f"there is no zone or plant {subject!r}; there are {', '.join(known)}")
    text = amount_text(amount)
    litres = parse(text, "volume")
    if litres <= 0:
        raise UsageError(f'read {text!r}; an amount to water is more than nothing, such as "3 L"')
    send_request(garden, "water", subject, litres, wait, json)


def measured(
    level: list[str] = typer.Argument(
        ..., help="Height of the water above the outlet, such as 62 cm.", metavar="LEVEL"
    ),
    site: str = SITE,
    wait: float = WAIT,
    json: bool = JSON,
) -> None:
    """Tell a level measured by hand; the sensor is corrected by it."""
    from scheduler.site.errors import UsageError
    from scheduler.site.quantities import parse
    from scheduler.supply.stage import stage_storage
    from scheduler.supply.told_level import refused_level

    text = amount_text(level)
    level_m = parse(text, "length")
    if level_m < 0:
        raise UsageError(f"read {text!r}; the height is counted from the outlet upwards, so 0 cm or more")
    garden = find_site(site)
    refused = refused_level(level_m, stage_storage(garden.tank).brim_level_m, garden.units)
    if refused is not None:
        raise UsageError(refused)
    send_request(garden, "measured", None, level_m, wait, json)


def send_request(
    site: Site, kind: RequestKind, subject: str | None, amount: float | None, wait_s: float, json: bool
) -> None:
    """Keep a request, nudge the daemon, print its answer; exit 1 when it was refused or not confirmed.
    UsageError: it is a practice that is over, in which nobody answers."""
    from scheduler.report.answers import RequestAnswer
    from scheduler.service.asking import ask
    from scheduler.site.errors import StoreError

    check_can_ask(kind)
    if kind == "stop" and not json:
        say_error("Asking the service to shut every valve ...")
    try:
        asked = ask(site, kind, login_name(), subject, amount, at=present.now(), wait_s=wait_s)
    except StoreError as error:
        raise StoreError(f"{NOT_STOPPED} {error}" if kind == "stop" else str(error)) from error
    answer = RequestAnswer(
        request=asked.request_id,
        kind=kind,
        answered=asked.answer is not None,
        done=asked.answer.done if asked.answer else None,
        text=asked.text,
        confirmed=asked.confirmed,
    )
    if json:
        say_json(answer)
    else:
        say(answer.text)
    if answer.done is False or answer.confirmed is False:
        raise typer.Exit(1)


def login_name() -> str:
    try:
        return getpass.getuser()
    except (KeyError, OSError):
        return f"user {os.getuid()}"
