"""The water of the barrels, day by day: what was there, what went where, and what cannot be explained.

A day's balance is ``start + caught + added - overflow - drawn - taken - leaked - end = rest``; a positive
rest is water that nobody knows of: a leak that grew, a can not told, a tap. Unknown stays unknown (None): a
day without a level at its start or end, or whose rain is not known yet, has no rest. A day is worked out
again while its rain may still be mended.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from datetime import date, timedelta

from scheduler.control.effects import RecordWaterDay
from scheduler.control.ledger import REVISED_DAYS
from scheduler.control.rain import ROOF_SD_SHARE, leaked_l, level_sd_l, measured_mm, told_mm
from scheduler.control.state import State, Turn, WaterBook
from scheduler.supply.roof import overflow_l, roof_catch_l

# Share of a roof's catch that is left open, one sd, where a weather service told the rain: it is that of a
# grid cell some kilometres wide, and a shower falls beside (from memory: half and more on a day). With the
# garden's own gauge it is the coefficient's, ROOF_SD_SHARE.
SERVICE_SD_SHARE = 0.5


def keep_book(turn: Turn) -> None:
    """At the first look after local midnight: close the day, open the next."""
    book = turn.state.book
    if turn.now.trust == "unknown" or book.day == turn.local_day:
        return
    level_l: float | None = None  # begun in the middle of a day, its start is not known
    if book.day is not None and book.day < turn.local_day:
        if book.day + timedelta(days=1) == turn.local_day:
            level_l = _held_l(turn.state)
        _close(turn, book, level_l)
    turn.change(book=WaterBook(day=turn.local_day, start_l=level_l))


def _held_l(state: State) -> float | None:
    """Litres above the outlet now; None while the level is unknown or a run is under way."""
    if state.belief.level_m is None or state.intents:
        return None
    return state.model.stage.volume_l(state.belief.level_m)


def _close(turn: Turn, book: WaterBook, end_l: float | None) -> None:
    assert book.day is not None
    leak = turn.state.leak
    leak_l = 24.0 * leak.lph if leak is not None else None
    if leak is not None and leak.beyond < 0:  # it may have stopped, and nobody knows
        leak_l = leak.sure_l_day or None
    closed = RecordWaterDay(
        day=book.day,
        start_l=book.start_l,
        end_l=end_l,
        drawn_l=book.drawn_l,
        taken_l=book.taken_l,
        added_l=book.added_l,
        leak_l=leak_l,
    )
    kept = (*(d for d in turn.state.water_days if d.day != book.day), closed)[-REVISED_DAYS:]
    turn.change(water_days=kept)
    settle(turn, changed=book.day)


def enter_by_hand(turn: Turn, day: date, *, taken_l: float, added_l: float) -> None:
    """Enter water that a person moved on a day."""
    _enter(turn, day, taken_l=taken_l, added_l=added_l)


def enter_proven(turn: Turn, day: date | None, *, booked_l: float, measured_l: float) -> None:
    """A run in that day's book drew what the level fell by, not what its zone's curve says: water that went
    through a valve is accounted for, also where a filter has cleared since, or a line has burst."""
    _enter(turn, day, drawn_l=max(0.0, measured_l) - booked_l)


def _enter(
    turn: Turn, day: date | None, *, drawn_l: float = 0.0, taken_l: float = 0.0, added_l: float = 0.0
) -> None:
    """Into the open book, or into a day that is closed already."""
    book = turn.state.book
    if book.day == day:
        turn.change(
            book=replace(
                book,
                drawn_l=book.drawn_l + drawn_l,
                taken_l=book.taken_l + taken_l,
                added_l=book.added_l + added_l,
            )
        )
        return
    days = tuple(
        replace(d, drawn_l=d.drawn_l + drawn_l, taken_l=d.taken_l + taken_l, added_l=d.added_l + added_l)
        if d.day == day
        else d
        for d in turn.state.water_days
    )
    turn.change(water_days=days)
    settle(turn, changed=day)


def settle(turn: Turn, *, changed: date | None = None) -> None:
    """Work the last days out again with the rain as it is known now; record those that are new or differ."""
    settled = tuple(_with_rain(turn.state, d) for d in turn.state.water_days)
    for before, after in zip(turn.state.water_days, settled, strict=True):
        if after != before or after.day == changed:
            turn.emit(after)
    turn.change(water_days=settled)


def _with_rain(state: State, day: RecordWaterDay) -> RecordWaterDay:
    rain_mm = _rain_mm(state, day.day)
    if rain_mm is None:
        return replace(day, caught_l=None, overflow_l=None, rest_l=None, rest_sd_l=None)
    caught = roof_catch_l(state.site.roof, rain_mm)
    if day.start_l is None or day.end_l is None:
        return replace(day, caught_l=caught, overflow_l=None, rest_l=None, rest_sd_l=None)
    came = caught + day.added_l
    leaked = leaked_l(state, day, came)
    gone = day.drawn_l + day.taken_l + leaked
    full_l = state.model.stage.volume_l(state.model.stage.brim_level_m)
    # Rain before the day's draws runs over more than rain after them; the day does not say which it was.
    least, most = (overflow_l(day.start_l, x, full_l) if came > 0.0 else 0.0 for x in (came - gone, came))
    over = (least + most) / 2.0
    rest = day.start_l + came - over - gone - day.end_l
    sd = math.hypot(_rest_sd_l(state, day, caught), (most - least) / 2.0)
    return replace(day, caught_l=caught, overflow_l=over, rest_l=rest, rest_sd_l=sd)


def _rest_sd_l(state: State, day: RecordWaterDay, caught_l: float) -> float:
    """One sd of the rest. The sensor's constant zero cancels between the day's two levels."""
    own = measured_mm(state, day.day) is not None
    return math.hypot(level_sd_l(state, day), (ROOF_SD_SHARE if own else SERVICE_SD_SHARE) * caught_l)


def _rain_mm(state: State, day: date) -> float | None:
    """Rain of a day that is over as it was told, not as the barrels saw it: what does not fit is to show."""
    own = measured_mm(state, day)
    return own if own is not None else told_mm(state, day)


@dataclass(frozen=True, slots=True)
class Unexplained:
    """Days in a row whose rest lay beyond doubt on one side, and their mean, litres a day."""

    days: int
    mean_l: float


# A rest beyond so many sd is not chance.
BEYOND_SIGMAS = 3.0


def unexplained(days: tuple[RecordWaterDay, ...]) -> Unexplained:
    """How many of the last days in a row lost water that nobody knows of."""
    row: list[float] = []
    for day in reversed(days):
        if day.rest_l is None or day.rest_sd_l is None or day.rest_l < BEYOND_SIGMAS * day.rest_sd_l:
            break
        row.append(day.rest_l)
    return Unexplained(len(row), sum(row) / len(row) if row else 0.0)
