"""Commands of a garden's year: winter, away, care, and what is told to whom (messages, quiet)."""

from __future__ import annotations

from typing import TYPE_CHECKING

import typer

from scheduler.cli import present
from scheduler.cli.printing import say, say_json
from scheduler.cli.running import JSON, SITE, WAIT, send_request
from scheduler.cli.sites import find_site, read_date, store_of

if TYPE_CHECKING:
    from scheduler.site.model import Site


def add_to(app: typer.Typer) -> None:
    app.command(
        epilog="Examples: fallinghead winter drained --back 2032-03-15; fallinghead winter back",
    )(winter)
    app.command(
        epilog="Examples: fallinghead away 2031-07-05 2031-07-19; fallinghead away; fallinghead away --home"
    )(away)
    app.command(epilog="Examples: fallinghead care; fallinghead care filter --on 2031-07-01")(care)
    app.command(epilog="Example: fallinghead messages --days 7")(messages)
    app.command(
        epilog="Examples: fallinghead quiet run_short --until 2031-08-01; fallinghead quiet run_short --end"
    )(quiet)


def winter(
    word: str = typer.Argument(None, help="drained or back; without it say how it stands.", metavar="WORD"),
    on: str = typer.Option(None, "--on", help="The day it was drained; without it today."),
    back: str = typer.Option(None, "--back", help="The day it is meant to be brought back."),
    site: str = SITE,
    wait: float = WAIT,
    json: bool = JSON,
) -> None:
    """Tell that the garden is drained, or brought back; or ask whether frost is coming."""
    from scheduler.control.spans import Span
    from scheduler.site.errors import UsageError

    garden = find_site(site)
    if word not in (None, "drained", "back"):
        raise UsageError(f"read {word!r}; say: fallinghead winter drained, or: fallinghead winter back")
    if word != "drained" and (on or back):
        raise UsageError("--on and --back belong to: fallinghead winter drained")
    if word == "drained":
        first = read_date(on, "--on") if on else present.today(garden.place.timezone)
        last = read_date(back, "--back") if back else None
        send_request(garden, "winter", str(Span(first, last)), None, wait, json)
    elif word == "back":
        send_request(garden, "winter", None, None, wait, json)
    else:
        _show_winter(garden, json)


def _show_winter(garden: Site, json: bool) -> None:
    from scheduler.report.answers import WinterAnswer
    from scheduler.report.frost import frost_ahead, frost_words
    from scheduler.report.year import winter_answer, winter_words

    today = present.today(garden.place.timezone)
    with store_of(garden) as store:
        drained = winter_answer(garden, store)
        frost = frost_ahead(garden, store.last_outlook(), present.now()) if drained is None else None
        answer = WinterAnswer(garden=garden.name, drained=drained, frost=frost)
        if json:
            say_json(answer)
        elif answer.drained is None:
            say(f"{garden.name}: not drained for the winter.")
            for line in frost_words(garden, answer.frost, today):
                say(line)
        else:
            for line in winter_words(garden, answer.drained, today):
                say(line)


def away(
    first: str = typer.Argument(
        None, help="First day away; without it say what is to be done.", metavar="FIRST"
    ),
    last: str = typer.Argument(None, help="Last day away.", metavar="LAST"),
    home: bool = typer.Option(False, "--home", help="Somebody is at home again."),
    site: str = SITE,
    wait: float = WAIT,
    json: bool = JSON,
) -> None:
    """Tell when nobody is at home; without days: what a helper has to do, day by day."""
    from scheduler.control.spans import Span
    from scheduler.report.away import away_answer, away_words
    from scheduler.service.tested import garden_as_tested
    from scheduler.site.errors import UsageError

    garden = find_site(site)
    if (first is None) != (last is None) or (home and first is not None):
        raise UsageError("say two days, such as: fallinghead away 2031-07-05 2031-07-19; or --home")
    if first is not None:
        days = Span(read_date(first, "FIRST"), read_date(last, "LAST"))
        send_request(garden, "away", str(days), None, wait, json)
        return
    if home:
        send_request(garden, "away", None, None, wait, json)
        return
    with store_of(garden) as store:
        now = present.now()
        answer = away_answer(garden_as_tested(garden, store, now).site, store, now)
        if json:
            say_json(answer)
        else:
            for line in away_words(answer):
                say(line)


def care(
    task: str = typer.Argument(
        None, help="What was done; without it all tasks and when due.", metavar="TASK"
    ),
    on: str = typer.Option(None, "--on", help="The day it was done; without it today."),
    site: str = SITE,
    wait: float = WAIT,
    json: bool = JSON,
) -> None:
    """Tell what was done to keep the garden well: filter cleaned, lines flushed and so on."""
    from scheduler.control.care import BY_ID
    from scheduler.report.year import care_answer, care_words
    from scheduler.site.errors import UsageError

    garden = find_site(site)
    if task is None:
        with store_of(garden) as store:
            answer = care_answer(garden, store, present.now())
            if json:
                say_json(answer)
            else:
                for line in care_words(answer):
                    say(line)
        return
    if task not in BY_ID:
        raise UsageError(f"there is no task {task!r}; there are {', '.join(BY_ID)}")
    day = f" {read_date(on, '--on')}" if on else ""
    send_request(garden, "care", f"{task}{day}", None, wait, json)


def messages(
    days: int = typer.Option(14, "--days", min=1, max=800, help="How many days back.", metavar="DAYS"),
    site: str = SITE,
    json: bool = JSON,
) -> None:
    """Say what stands, what is put off, and what reached whom, or nobody."""
    from scheduler.report.messages import messages_answer, messages_words
    from scheduler.service.practised import practice_ended

    garden = find_site(site)
    with store_of(garden) as store:
        now = present.now()
        answer = messages_answer(garden, store, now, days)
        if json:
            say_json(answer)
        else:
            over = practice_ended() is not None
            for line in messages_words(garden, answer, now, days, practice_over=over):
                say(line)


def quiet(
    kind: str = typer.Argument(
        ..., help="Which kind of message, as `fallinghead messages` names it.", metavar="KIND"
    ),
    until: str = typer.Option(None, "--until", help="Told again from this day on."),
    end: bool = typer.Option(False, "--end", help="Told again from now on."),
    site: str = SITE,
    wait: float = WAIT,
    json: bool = JSON,
) -> None:
    """Put a kind of message off until a day. What is urgent cannot be put off."""
    from scheduler.control.alarms import RULES
    from scheduler.site.errors import UsageError

    garden = find_site(site)
    kinds = [k for k, rule in RULES.items() if not rule.urgent]
    if kind not in kinds:
        raise UsageError(f"no message {kind!r} can be put off; those that can are {', '.join(kinds)}")
    if (until is None) == (not end):
        raise UsageError("say until which day (--until 2031-08-01), or end it with --end")
    day = f" {read_date(until, '--until')}" if until else ""
    send_request(garden, "quiet", f"{kind}{day}", None, wait, json)
