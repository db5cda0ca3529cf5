"""fallinghead metrics: figures for a program that collects them over time."""

from __future__ import annotations

from zoneinfo import ZoneInfo

import typer

from scheduler.cli import present
from scheduler.cli.printing import say_table
from scheduler.cli.sites import service_site

GARDENS_HELP = "As of fallinghead round; without any the garden of the running service."


def add_to(app: typer.Typer) -> None:
    app.command(
        epilog="Examples: fallinghead metrics; fallinghead metrics --serve; fallinghead metrics --names"
    )(metrics)


def metrics(
    gardens: list[str] = typer.Argument(None, help=GARDENS_HELP, metavar="GARDENS"),
    serve: bool = typer.Option(False, "--serve", help="Serve them over HTTP at /metrics until told to end."),
    host: str = typer.Option(
        "127.0.0.1", "--host", help="Address to serve on; without it this machine alone may read them."
    ),
    port: int = typer.Option(8418, "--port", min=1, max=65535),
    name: list[str] = typer.Option([], "--name", help="A name it answers to; may be given several times."),
    names: bool = typer.Option(False, "--names", help="List the figures with their meaning, and end."),
) -> None:
    """Print a garden's figures in the Prometheus text format, or serve them. Never on unless asked for."""
    from scheduler.report.metrics import FAMILIES, PREFIX, metrics_text
    from scheduler.report.round_gardens import round_gardens

    if names:
        rows = [[PREFIX + name, kind, text] for name, (kind, text) in FAMILIES.items()]
        say_table("What is not known is left out.", [("name", "left"), ("type", "left"), ("", "left")], rows)
        return
    named = gardens or [str(service_site())]
    if not serve:
        typer.echo(metrics_text(round_gardens(named), present.now()), nl=False)
        return
    try:
        from scheduler.web.metrics_page import serve_metrics
    except ModuleNotFoundError as error:
        from scheduler.site.errors import UsageError

        raise UsageError(
            f"serving needs {error.name}, which is not installed: pip install 'fallinghead[web]'"
        ) from None
    from scheduler.service.log import set_up_log

    set_up_log(ZoneInfo("UTC"))
    serve_metrics(named, host, port, name)
