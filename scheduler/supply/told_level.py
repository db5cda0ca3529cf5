"""Whether a level measured by hand can be: between the outlet and the brim, give or take a tape."""

from __future__ import annotations

from scheduler.site.errors import NOTHING, read_words
from scheduler.site.model import DisplayUnits
from scheduler.site.showing import show_length

# A level typed by hand this far outside outlet and brim is a slip of the tape or of the unit.
LEVEL_MARGIN_M = 0.02


def refused_level(level_m: float | None, brim_level_m: float, units: DisplayUnits) -> str | None:
    """Why that level, above the outlet, cannot be, in the garden's units; None: it can."""
    if level_m is not None and -LEVEL_MARGIN_M <= level_m <= brim_level_m + LEVEL_MARGIN_M:
        return None
    read = NOTHING if level_m is None else f"{show_length(level_m, units)} above the outlet"
    brim = show_length(brim_level_m, units)
    words = read_words(read, f"the level must lie between the outlet and the brim at {brim}.")
    return f"{words[:1].upper()}{words[1:]}"
