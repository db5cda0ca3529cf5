"""Where the words of warnings stand above a drawing of days, so that none lies over another.

Each stands right of the leader that rises from its day. Rows are filled from the top: a leader crosses no
words when all in its own row and below end before it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from scheduler.pictures.lettering import width_in
from scheduler.pictures.style import FONT_SIZE

# Rows of words; in the last one stand dates alone, so that they find room where words do not.
ROWS = 8
# Between words and the next leader, inches.
_GAP_IN = 0.08


@dataclass(frozen=True, slots=True)
class Told:
    """A warning in the drawing. ``text`` is empty where there is room for its mark only; row 0 is on top."""

    at: datetime
    text: str
    row: int


def place_told(
    told: Sequence[tuple[datetime, str]], edges: Sequence[datetime], days_per_in: float
) -> list[Told]:
    """Each warning with its date and words, with its date alone, or bare, as there is room.

    ``edges``: how far each row goes. To be called while drawing, since words are measured in its letters.
    """
    free_from = [datetime.min.replace(tzinfo=edges[0].tzinfo)] * ROWS
    placed = []
    for at, words in sorted(told, key=lambda t: t[0]):
        date = f" {at.day} {at:%b}"
        for text, rows in ((f"{date}, {words}", ROWS - 1), (date, ROWS)):
            end = at + timedelta(days=(width_in(text, FONT_SIZE - 0.5) + _GAP_IN) * days_per_in)
            free = (r for r in range(rows) if end <= edges[r] and max(free_from[r:]) <= at)
            if (row := next(free, None)) is not None:
                free_from[row] = end
                placed.append(Told(at, text, row))
                break
        else:
            placed.append(Told(at, "", 0))
    return placed
