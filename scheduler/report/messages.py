"""What stands, what is put off, and what reached whom."""

from __future__ import annotations

from datetime import datetime, timedelta

from scheduler.control.household import quiet_until
from scheduler.report.answers import MessagesAnswer, PutOffAnswer, StatusAlertAnswer, ToldAnswer
from scheduler.report.year import day_words
from scheduler.site.model import Site
from scheduler.store.store import Store

STATUS_WORDS = {
    "told": "reached",
    "failed": "could not be sent to",
    "dropped": "was dropped before it reached",
    "no_address": "has no address for",
    "told_before": "was known that day to",
    "over": "was over before it was sent to",
    "explained": "was explained by another message to",
}


def messages_answer(site: Site, store: Store, now: datetime, days: int) -> MessagesAnswer:
    """``days``: how far back what was told is listed."""
    since = now - timedelta(days=days)
    today = now.astimezone(site.place.timezone).date()
    texts: dict[tuple[str, str, datetime], str] = {}
    for raised in store.alerts_since(since):
        texts[raised.alert.kind, raised.alert.subject, raised.alert.at] = raised.alert.text
    tellings = sorted(store.tellings_since(since), key=lambda t: t.at, reverse=True)
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
        told=[
            ToldAnswer(
                at=t.at,
                person=t.person,
                kind=t.kind,
                text=texts.get((t.kind, t.subject, t.raised_at), "") or _other(t.kind, t.subject),
                status=t.status,
            )
            for t in tellings
        ],
    )


def _other(kind: str, subject: str) -> str:
    """Of messages that no alert stands behind."""
    if kind == "channel_dead":
        return f"Messages over the channel {subject} do not get through."
    return "Care is due." if kind == "care_due" else ""


def messages_words(site: Site, answer: MessagesAnswer, now: datetime) -> list[str]:
    """The same in sentences, the newest first."""
    zone = site.place.timezone
    today = now.astimezone(zone).date()
    lines = [f"Stands: {a.text} {a.advice}" for a in answer.standing] or [f"{answer.garden}: nothing stands."]
    lines += [
        f"Put off to {day_words(p.until, today)}: messages of the kind {p.kind}." for p in answer.put_off
    ]
    for told in answer.told:
        at = told.at.astimezone(zone)
        status = STATUS_WORDS.get(told.status, told.status)
        lines.append(f"{at:%a} {at.day} {at:%B %H:%M}: {status} {told.person}: {told.text or told.kind}")
    if not answer.told:
        lines.append("Nobody was told anything in that time.")
    return lines
