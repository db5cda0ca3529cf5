"""Ways that the coming days may go, out of an outlook: its ensemble's members where a service told them, else
ways about the plain forecast, wider where that has aged.

A member's day is the member's temperatures, rain and sun with the plain forecast's humidity and wind, from
which its ET0 follows. Rain that no source tells stays nan, which the place's own past fills (``ways_ahead``).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import date, timedelta
from math import log

import numpy as np
from numpy.typing import NDArray

from scheduler.agronomy.et0 import reference_et
from scheduler.agronomy.past_week import STORED_YEARS, Z_90
from scheduler.agronomy.weather import DayWeather, Ensemble, Et0Estimate, Outlook
from scheduler.planning.forecast_ways import forecast_ways
from scheduler.site.model import GardenPlace

Array = NDArray[np.float64]


def in_a_row(days: Sequence[DayWeather], first: date) -> list[DayWeather]:
    """The days from ``first`` on, as far as they follow without a gap."""
    by_day = {d.day: d for d in days}
    found: list[DayWeather] = []
    while first + timedelta(days=len(found)) in by_day:
        found.append(by_day[first + timedelta(days=len(found))])
    return found


def outlook_ways(
    outlook: Outlook, first: date, place: GardenPlace, members: int
) -> tuple[Array, Array] | None:
    """ET0 and rain in mm, (members, days) from ``first`` on; nan where nobody tells. None without a day.

    Days that only stored years stand in for are left to the place's past as a whole: nan.
    """
    told = in_a_row(outlook.days, first)
    reach = len(told)
    ensemble = outlook.ensemble
    if ensemble is not None:
        reach = max(reach, (ensemble.days[-1] - first).days + 1)
    if reach == 0:
        return None
    et0, rain = (np.full((members, reach), np.nan) for _ in range(2))
    if told:
        et0[:, : len(told)], rain[:, : len(told)] = forecast_ways(told, place, members)
        _widen(et0, told, outlook)
    if ensemble is not None:
        _take_members(et0, rain, ensemble, told, first, place)
    return et0, rain


def _widen(et0: Array, told: Sequence[DayWeather], outlook: Outlook) -> None:
    """Each aged day's ET0 spread as its interval says; days of stored years taken out."""
    for n, day in enumerate(told):
        if outlook.origin(day.day, "tmin_c")[0] == STORED_YEARS:
            et0[:, n] = np.nan
            continue
        estimate = outlook.et0_on(day.day)
        if estimate is None or not np.isfinite(et0[:, n]).all():
            continue
        errors = np.log(et0[:, n])
        spread = float(errors.std())
        if spread > 0.0:
            shape = (errors - errors.mean()) / spread
            et0[:, n] = estimate.et0_mm * np.exp(_log_sd(estimate) * shape)


def _log_sd(estimate: Et0Estimate) -> float:
    """sd of the logarithm whose 10 to 90 % interval is the estimate's."""
    return log(estimate.high_mm / max(estimate.low_mm, 1e-6)) / (2.0 * Z_90)


def _take_members(
    et0: Array, rain: Array, ensemble: Ensemble, told: Sequence[DayWeather], first: date, place: GardenPlace
) -> None:
    """Put the members in place of the ways about the plain forecast, day by day as far as each knows."""
    plain = {d.day: d for d in told}
    rows = np.arange(len(et0)) % ensemble.members
    for number in range(min(ensemble.members, len(et0))):
        mine = rows == number
        for day in ensemble.member(number):
            n = (day.day - first).days
            if n < 0:
                continue
            found = reference_et(_joined(day, plain.get(day.day)), place)
            if found is not None:
                et0[mine, n] = found.et0_mm
            if day.rain_mm is not None:
                rain[mine, n] = day.rain_mm


def _joined(member: DayWeather, plain: DayWeather | None) -> DayWeather:
    """The member's day with the humidity and wind that only the plain forecast tells."""
    if plain is None:
        return member
    solar = member.solar_mj_m2 if member.solar_mj_m2 is not None else plain.solar_mj_m2
    return replace(
        plain,
        tmin_c=member.tmin_c,
        tmax_c=member.tmax_c,
        rain_mm=member.rain_mm,
        solar_mj_m2=solar,
        # A dew point above the member's highest temperature is of another air than the member's.
        dewpoint_c=None if _too_humid(member, plain) else plain.dewpoint_c,
    )


def _too_humid(member: DayWeather, plain: DayWeather) -> bool:
    return plain.dewpoint_c is not None and member.tmax_c is not None and plain.dewpoint_c > member.tmax_c
