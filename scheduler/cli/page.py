"""The page on the phone: fallinghead page, a process of its own beside the daemon."""

from __future__ import annotations

from pathlib import Path
from zoneinfo import ZoneInfo

import typer

from scheduler.cli.printing import say
from scheduler.cli.sites import SITE_HELP, find_site


def add_to(app: typer.Typer) -> None:
    app.command(
        epilog="Examples: fallinghead page; "
        "fallinghead page --host 192.0.2.7 --name garden.lan --certificate c.pem --key k.pem"
    )(page)


def page(
    site: str = typer.Argument(
        None, help=f"{SITE_HELP} Or a round file: then the page is of that round alone.", metavar="SITE"
    ),
    host: str = typer.Option("127.0.0.1", "--host", help="Address to listen on."),
    port: int = typer.Option(8417, "--port", min=1, max=65535, help="Port to listen on."),
    name: list[str] = typer.Option([], "--name", help="A name it answers to; may be given several times."),
    certificate: Path = typer.Option(None, "--certificate", help="Certificate for TLS, PEM."),
    key: Path = typer.Option(None, "--key", help="Its key, PEM."),
    look_only: bool = typer.Option(
        False, "--look-only", help="Without TLS on a network: everybody may look and stop, nobody do more."
    ),
    round_of: list[str] = typer.Option(
        [],
        "--round",
        help="Also show /round, a fitter's gardens: as of fallinghead round.",
        metavar="GARDENS",
    ),
    new_code: bool = typer.Option(
        False, "--new-code", help="Print a code that sets a new password, and end; the page may be running."
    ),
) -> None:
    """Serve the page of a garden: how it stands, and everything a person may tell or ask it.

    Of a round file it serves the page of that round, for an office without a garden of its own.
    """
    try:
        from scheduler.web.serving import Address, code_words, keys_of, office_keys, serve_office, serve_page
    except ModuleNotFoundError as error:
        from scheduler.site.errors import UsageError

        raise UsageError(
            f"the page needs {error.name}, which is not installed: pip install 'fallinghead[web]'"
        ) from None
    from scheduler.report.round_gardens import is_round_file
    from scheduler.service.log import set_up_log

    address = Address(host, port, tuple(name), certificate, key, look_only)
    if site is not None and is_round_file(Path(site)):
        if new_code:
            say(code_words(office_keys(Path(site)), address))
            return
        set_up_log(ZoneInfo("UTC"))
        serve_office(Path(site), address)
        return
    garden = find_site(site)
    if new_code:
        say(code_words(keys_of(garden), address))
        return
    set_up_log(garden.place.timezone)
    serve_page(garden, address, round_of)
