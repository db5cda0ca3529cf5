"""An alert's own words as the page shows them: with the day or the hour of which they speak."""

from __future__ import annotations

import re
from datetime import UTC, date, datetime, timedelta

from scheduler.report.answers import StatusAlertAnswer
from scheduler.report.messages import as_told
from scheduler.site.model import Site
from scheduler.web.facts import Facts

# After so long "1 h ago" is no longer that.
SOME_TIME = timedelta(minutes=20)
_AGO = re.compile(r"\b(\d+) (h|min) ago\b")


def alert_words(facts: Facts, alert: StatusAlertAnswer) -> str:
    """What was said of it, with the day or the hour where that is not now: its figures are of then."""
    text = dated_words(facts.site, alert, facts.today)
    if alert.since.astimezone(facts.site.place.timezone).date() != facts.today:
        return text
    if facts.now - alert.since > SOME_TIME:
        return _AGO.sub(lambda found: _at(facts, found, alert.since), text)
    return text


def dated_words(site: Site, alert: StatusAlertAnswer, today: date) -> str:
    """What was said of it, with its day in front where that is over."""
    told = as_told(site, alert.since, own_words(site, alert.text), today)
    return told[:1].upper() + told[1:]


def _at(facts: Facts, found: re.Match[str], since: datetime) -> str:
    """What was so long ago when it was said, by the clock, with its day where that is another. Hours are
    taken off in UTC: a local clock may have been put forward or back between."""
    count, unit = int(found[1]), {"h": "hours", "min": "minutes"}[found[2]]
    at = since.astimezone(UTC) - timedelta(**{unit: count})
    word, local = "about" if found.start() else "About", at.astimezone(facts.site.place.timezone)
    day = day_word(facts, at)
    which = {"today": "", "yesterday": " yesterday"}.get(day, f" on {day}")
    return f"{word} {local:%H:%M}{which}"


def day_word(facts: Facts, at: datetime) -> str:
    """ "today", "tomorrow" or the day's name and date."""
    days = (at.astimezone(facts.site.place.timezone).date() - facts.today).days
    return {0: "today", 1: "tomorrow", -1: "yesterday"}.get(days, f"{at:%A %d %B}")


def own_words(site: Site, text: str) -> str:
    """An alert's text without the garden's name in front: the page bears it already."""
    start = f"{site.name}: "
    text = text.removeprefix(start)
    return text[:1].upper() + text[1:]
