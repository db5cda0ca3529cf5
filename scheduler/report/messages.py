"""What stands, what is put off, and what reached whom."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date, datetime, timedelta

from scheduler.control.alarms import RULES
from scheduler.control.household import quiet_until
from scheduler.report.answers import MessagesAnswer, PutOffAnswer, StatusAlertAnswer, ToldAnswer
from scheduler.report.year import day_words
from scheduler.site.model import Site
from scheduler.store.asking_people import Telling
from scheduler.store.store import Store

STATUS_WORDS = {
    "told": "reached",
    "failed": "could not be sent to",
    "dropped": "was dropped before it reached",
    "no_address": "has no address for",
    "told_before": "was known that day to",
    "over": "was over before it was sent to",
    "explained": "was explained by another message to",
    "to_nobody": "raised, told to nobody",
}


def messages_answer(site: Site, store: Store, now: datetime, days: int) -> MessagesAnswer:
    """``days``: how far back what was told is listed."""
    since = now - timedelta(days=days)
    today = now.astimezone(site.place.timezone).date()
    raised: Mapping[tuple[str, str, datetime], str] = {
        (r.alert.kind, r.alert.subject, r.alert.at): r.alert.text for r in store.alerts_since(since)
    }
    return MessagesAnswer(
        garden=site.name,
        standing=[
            StatusAlertAnswer(kind=a.kind, subject=a.subject, since=a.at, text=a.text, advice=a.advice)
            for a in store.open_alerts()
        ],
        put_off=[
            PutOffAnswer(kind=kind, until=until)
            for kind, until in sorted(quiet_until(store.choices_now()).items())
            if until > today
        ],
        told=_told(raised, store.tellings_since(since)),
    )


def _told(raised: Mapping[tuple[str, str, datetime], str], tellings: Sequence[Telling]) -> list[ToldAnswer]:
    """What became of each message, and what was raised of which nobody was told; the newest first."""
    told = [
        ToldAnswer(
            at=t.at,
            person=t.person,
            kind=t.kind,
            text=raised.get((t.kind, t.subject, t.raised_at), "") or _other(t.kind, t.subject),
            status=t.status,
        )
        for t in tellings
    ]
    heard_of = {(t.kind, t.subject, t.raised_at) for t in tellings}
    told += [
        ToldAnswer(at=at, person="", kind=kind, text=text, status="to_nobody")
        for (kind, subject, at), text in raised.items()
        if (kind, subject, at) not in heard_of
    ]
    return sorted(told, key=lambda t: t.at, reverse=True)


def _other(kind: str, subject: str) -> str:
    """Of messages that no alert stands behind."""
    if kind == "channel_dead":
        return f"Messages over the channel {subject} do not get through."
    return "Care is due." if kind == "care_due" else ""


def as_told(site: Site, at: datetime, text: str, today: date) -> str:
    """What was said and still stands: its figures are of that day, which is named once it is over."""
    day = at.astimezone(site.place.timezone).date()
    return text if day == today else f"told on {day_words(day, today)}: {text}"


def messages_words(
    site: Site, answer: MessagesAnswer, now: datetime, days: int, *, practice_over: bool = False
) -> list[str]:
    """The same in sentences, the newest first. ``days``: how far back it was asked; ``practice_over``: it is
    a practice, which tells nobody."""
    zone = site.place.timezone
    today = now.astimezone(zone).date()
    lines: list[str] = []
    for alert in answer.standing:
        lines.append(f"Stands: {as_told(site, alert.since, alert.text, today)} {alert.advice}")
        if not practice_over and any(alert.kind == k and not rule.urgent for k, rule in RULES.items()):
            lines.append(f"To put that off: fallinghead quiet {alert.kind} --until DAY.")
    lines = lines or [f"{answer.garden}: nothing stands."]
    lines += [
        f"Put off to {day_words(p.until, today)}: messages of the kind {p.kind}." for p in answer.put_off
    ]
    for told in answer.told:
        at = told.at.astimezone(zone)
        who = f"{STATUS_WORDS.get(told.status, told.status)} {told.person}".strip()
        lines.append(f"{at:%a} {at.day} {at:%B %H:%M}: {who}: {told.text or told.kind}")
    if not answer.told:
        so_long = "24 hours" if days == 1 else f"{days} days"
        lines.append(f"Nothing was raised and nobody was told anything in the last {so_long}.")
    elif any(t.status == "to_nobody" for t in answer.told):
        lines.append(_why_nobody(site, practice_over))
    return lines


def _why_nobody(site: Site, practice_over: bool) -> str:
    if practice_over:
        return "A practice tells nobody; a service tells whom the site file names."
    if not site.people:
        return "Nobody is named to be told: write a [[person]] with a channel into the site file."
    return (
        "What was told to nobody: no address was set up when it was raised, it waits for its hour, "
        "or it was put off."
    )
