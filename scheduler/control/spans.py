"""Spans of days as people tell them, written as intervals of ISO 8601: ``2031-07-01/2031-07-14``.

An end that is not known yet is ``..``, as in ISO 8601-2.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

OPEN = ".."


@dataclass(frozen=True, slots=True)
class Span:
    """Whole local days, both included. ``last`` None: open."""

    first: date
    last: date | None

    def __str__(self) -> str:
        return f"{self.first}/{self.last if self.last is not None else OPEN}"

    def holds(self, day: date) -> bool:
        return self.first <= day and (self.last is None or day <= self.last)


def read_day(text: str) -> date:
    """ValueError, in words, where it is none."""
    try:
        return date.fromisoformat(text)
    except ValueError:
        raise ValueError(f"read {text!r} as a day; write it as 2031-07-01") from None


def read_span(text: str) -> Span:
    """ValueError where it is none, or ends before it begins."""
    first, slash, last = text.partition("/")
    if not slash:
        raise ValueError(f"read {text!r}; write two days as 2031-07-01/2031-07-14")
    span = Span(read_day(first), None if last == OPEN else read_day(last))
    if span.last is not None and span.last < span.first:
        raise ValueError(f"read {span.last}, but the first day is {span.first}; it ends before it begins")
    return span
