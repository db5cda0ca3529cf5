"""Frost ahead, and a garden that still holds water: the advice to drain it."""

from __future__ import annotations

from datetime import date, datetime, time, timedelta

from scheduler.agronomy.weather import Outlook
from scheduler.control.alarms import NEITHER, WELL, Condition
from scheduler.control.schedule import OUTLOOK_AGE
from scheduler.control.state import Turn
from scheduler.control.winter import is_drained, rests_dry, winter_of
from scheduler.site.kept import kept
from scheduler.site.showing import show_length, show_temperature

# The trade's habit, no source: 0 degC within 48 h; over once the nights of two days stay above 5 degC.
FROST_C = 0.0
CLEAR_C = 5.0
AHEAD_DAYS = 2
# A day is coldest about sunrise; by noon that is past everywhere (general knowledge, no source).
DAWN_OVER = time(12)
_DRAIN = (
    "Drain the garden: empty the barrels, open their taps, turn the downspout away, take filter, sensor "
    "and battery in. Then tell that it is drained."
)
_EMPTY_AGAIN = (
    "Let the water out before it freezes: open the taps of the barrels, and see that the downspout is turned "
    "away so that no rain fills them."
)


def frost(turn: Turn) -> Condition:
    """Whether the forecast of the next two days has frost; None in the deadband and without a fresh one. Of a
    drained garden only while the sensor says that there is water in it."""
    state = turn.state
    if rests_dry(state.choices, state.belief.level_m):
        return WELL
    nights = _nights(turn)
    if not nights:
        return NEITHER
    coldest = min(nights, key=lambda d: d[1])
    if coldest[1] > FROST_C:
        return WELL if coldest[1] > CLEAR_C else NEITHER
    advice = _EMPTY_AGAIN if is_drained(state.choices) else _DRAIN
    return Condition(True, lambda: _words(turn, *coldest), advice)


def _words(turn: Turn, day: date, tmin_c: float) -> str:
    state, units = turn.state, turn.state.site.units
    text = (
        f"{state.site.name}: frost is forecast for {day:%A} {day.day} {day:%B}, "
        f"{show_temperature(tmin_c, units)} at the least"
    )
    if not is_drained(state.choices):
        return f"{text}."
    level = show_length(state.belief.level_m, units)
    return f"{text}, and though it was told as drained, water stands {level} above the outlet."


def first_night(local: datetime) -> date:
    """The day whose lowest temperature is the next to come, by the garden's own clock."""
    return local.date() if local.time() < DAWN_OVER else local.date() + timedelta(days=1)


def _nights(turn: Turn) -> list[tuple[date, float]]:
    """The coming days with their lowest temperature, as far as a fresh forecast knows it."""
    outlook = turn.state.outlook
    if outlook is None or turn.now.wall - outlook.fetched_at > OUTLOOK_AGE:
        return []
    span, known = (first_night(turn.local), turn.local_day + timedelta(days=AHEAD_DAYS)), _known(outlook)
    nights = known.get(span)
    if nights is None:
        first, last = span
        nights = [(d.day, d.tmin_c) for d in outlook.days if d.tmin_c is not None and first <= d.day <= last]
        known.clear()  # time goes on: only the nights at hand are asked for again and again
        known[span] = nights
    return nights


@kept
def _known(_: Outlook) -> dict[tuple[date, date], list[tuple[date, float]]]:
    """The nights of an outlook that were asked for last, by the first and the last day."""
    return {}


def winter_over(turn: Turn) -> Condition:
    """Whether the day is here on which a drained garden was meant to be brought back."""
    drained = winter_of(turn.state.choices).drained
    if drained is None or drained.last is None or turn.local_day < drained.last:
        return WELL
    last = drained.last
    return Condition(
        True,
        lambda: (
            f"{turn.state.site.name}: it was to be brought back from the winter on {last:%A} {last.day} "
            f"{last:%B}; nothing is watered until you tell that it is back."
        ),
        "Shut drains and taps, fit filter, sensor and valves, let the barrels fill. Then tell it.",
    )
