"""The command by which a fitter gives a valve node its key: node."""

from __future__ import annotations

import os
from pathlib import Path

import typer

from scheduler.cli.printing import say
from scheduler.cli.sites import SITE_HELP, find_site


def add_to(app: typer.Typer) -> None:
    app.command(
        epilog="Examples: fallinghead node --broker 192.168.1.10 --ca ca.crt; fallinghead node --rotate; "
        "fallinghead node --revoke"
    )(node)


def node(
    site: str = typer.Argument(None, help=SITE_HELP, metavar="SITE"),
    secrets: Path = typer.Option(
        Path("secrets"), "--secrets", help="The service's secrets file (FALLINGHEAD_SECRETS).", metavar="FILE"
    ),
    settings: Path = typer.Option(
        Path("settings.json"), "--settings", help="The node's settings, for its board.", metavar="FILE"
    ),
    broker: str = typer.Option(
        None, "--broker", help="The broker's address as the node reaches it.", metavar="HOST"
    ),
    ca: Path = typer.Option(
        None,
        "--ca",
        help="The certificate of the broker's own authority: the node then speaks TLS and trusts it alone.",
        metavar="FILE",
    ),
    passwords: Path = typer.Option(
        None, "--passwords", help="Give the broker the password that stands in the settings.", metavar="FILE"
    ),
    rotate: bool = typer.Option(False, "--rotate", help="A new key and password in both files."),
    revoke: bool = typer.Option(False, "--revoke", help="Take the node's key back."),
    log: bool = typer.Option(
        False,
        "--log",
        help="Ask the node for its own log of refusals and faults (with the service's secrets).",
    ),
) -> None:
    """Make the valve node's key, broker password and settings file; change them or take them back.

    Nothing secret is printed. Each file is for its owner alone.
    """
    from scheduler.service import provisioning
    from scheduler.site.doubts import check_not_on_paper
    from scheduler.site.errors import UsageError

    garden = find_site(site)
    check_not_on_paper(garden)
    if sum((rotate, revoke, log, passwords is not None)) > 1:
        raise UsageError("say one of --rotate, --revoke, --passwords and --log at a time")
    if log:
        from scheduler.service.node_log import node_log_words

        # The file named here, or where the service's own environment says its secrets are.
        named = {"FALLINGHEAD_SECRETS": str(secrets)} if secrets.is_file() else {}
        for line in node_log_words(garden, os.environ | named):
            say(line)
        return
    if passwords is not None:
        done = provisioning.set_broker_password(garden, settings, passwords)
    elif revoke:
        done = provisioning.revoke_node(garden, secrets)
    elif rotate:
        done = provisioning.rotate_node(garden, secrets, settings, named=site)
    else:
        if broker is None:
            raise UsageError(
                "name the broker's address as the node reaches it, such as --broker 192.168.1.10"
            )
        done = provisioning.make_node(garden, secrets, settings, broker_host=broker, ca_file=ca, named=site)
    for line in done.said:
        say(line)
