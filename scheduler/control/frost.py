"""Frost ahead, and a garden that still holds water: the advice to drain it."""

from __future__ import annotations

from datetime import date, timedelta

from scheduler.agronomy.weather import DayWeather
from scheduler.control.alarms import Condition
from scheduler.control.schedule import OUTLOOK_AGE
from scheduler.control.state import Turn
from scheduler.control.winter import winter_of
from scheduler.site.showing import show_temperature

# The trade's habit, no source: 0 degC within 48 h; over once the nights of two days stay above 5 degC.
FROST_C = 0.0
CLEAR_C = 5.0
AHEAD_DAYS = 2


def frost(turn: Turn) -> Condition:
    """Whether the forecast of the next two days has frost; None in the deadband and without a fresh one."""
    nights = _nights(turn)
    if not nights:
        return Condition(None)
    coldest = min(nights, key=lambda d: d[1])
    if coldest[1] > FROST_C:
        return Condition(False if coldest[1] > CLEAR_C else None)
    units = turn.state.site.units
    return Condition(
        True,
        lambda: (
            f"{turn.state.site.name}: frost is forecast for {coldest[0]:%A} {coldest[0].day} "
            f"{coldest[0]:%B}, {show_temperature(coldest[1], units)} at the least."
        ),
        "Drain the garden: empty the barrels, open their taps, turn the downspout away, take filter, sensor "
        "and battery in. Then tell that it is drained.",
    )


def _nights(turn: Turn) -> list[tuple[date, float]]:
    """The coming days with their lowest temperature, as far as a fresh forecast knows it."""
    outlook = turn.state.outlook
    if outlook is None or turn.now.wall - outlook.fetched_at > OUTLOOK_AGE:
        return []
    days = (outlook.on(turn.local_day + timedelta(days=n)) for n in range(AHEAD_DAYS + 1))
    return [(d.day, d.tmin_c) for d in days if isinstance(d, DayWeather) and d.tmin_c is not None]


def winter_over(turn: Turn) -> Condition:
    """Whether the day is here on which a drained garden was meant to be brought back."""
    drained = winter_of(turn.state.choices).drained
    if drained is None or drained.last is None or turn.local_day < drained.last:
        return Condition(False)
    last = drained.last
    return Condition(
        True,
        lambda: (
            f"{turn.state.site.name}: it was to be brought back from the winter on {last:%A} {last.day} "
            f"{last:%B}; nothing is watered until you tell that it is back."
        ),
        "Shut drains and taps, fit filter, sensor and valves, let the barrels fill. Then tell it.",
    )
