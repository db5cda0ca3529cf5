"""The weather beyond the forecast, from what the same place has seen: stretches of past days, drawn again.

Each member strings together stretches of consecutive past days (block resampling, so that dry spells keep
their length) that began within a few weeks of the same day of the year. Reference ET is carried to the day
it stands for by the sun above the air (Ra of FAO-56 Eq 21). Few years tell little of how far years differ,
so each member's ET and rain are spread further by what theory says is missing: n years show (n - 1)/n of the
variance between years, and their mean is off by 1/n of it; a coming year differs by 1 + 1/n of it from that
mean; so 2/n of it is added. Where that takes a past day's rain away, the day asks as much as a dry one. A
month that was thirstier than usual is carried on, fading. All draws are seeded by the data and the date: the
same inputs give the same members.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from functools import lru_cache
from statistics import NormalDist
from zlib import crc32

import numpy as np
from numpy.typing import NDArray

from scheduler.agronomy.et0 import reference_et
from scheduler.agronomy.radiation import extraterrestrial
from scheduler.agronomy.weather import DayWeather
from scheduler.site.model import GardenPlace

Array = NDArray[np.float64]
Rows = NDArray[np.intp]

# Length of a stretch, and how far from the same day of the year it may begin (ours).
STRETCH_D = 20
NEAR_D = 15
# Stretches to choose from; the window of the year widens until there are as many (ours).
CHOICE_MIN = 15
# How far the mean ET of a month differs from year to year: sd of its logarithm (from memory: 6 to 10 %).
ET0_YEAR_LOG_SD = 0.08
# Largest coefficient of variation believed of the rain of stretches (ours).
RAIN_CV_MAX = 1.5
# Rain is never made more than about three times as heavy (e to this; ours).
LOG_LIMIT = 1.1
# So many days of each kind tell how much thirstier dry days are than wet ones, and no more than twice is
# believed (ours).
TELL_MIN_D, DRY_OVER_WET_MAX = 5, 2.0
# How much of a month's departure from the usual ET is found again in the next (0.57 measured here on the
# Seattle records of 2012 and 2013, rounded down; other years were not looked at for it).
ET0_LASTS_MONTH = 0.5
MONTH_D = 30
YEAR_D = 365
STANDARD = NormalDist()


@dataclass(frozen=True, slots=True, eq=False)
class PastWeather:
    """Consecutive past days of one place from ``first`` on: ET0 and rain in mm, nan where not known."""

    first: date
    et0_mm: Array
    rain_mm: Array
    latitude_deg: float

    def until(self, day: date) -> PastWeather:
        """Only the days before ``day``."""
        n = max(0, (day - self.first).days)
        return PastWeather(self.first, self.et0_mm[:n], self.rain_mm[:n], self.latitude_deg)


def past_weather(days: Iterable[DayWeather], place: GardenPlace) -> PastWeather | None:
    """The past of a place from its days' weather, in any order; None without a day."""
    by_day = {d.day: d for d in days}
    if not by_day:
        return None
    first = min(by_day)
    et0 = np.full((max(by_day) - first).days + 1, np.nan)
    rain = np.full_like(et0, np.nan)
    for day, weather in by_day.items():
        found = reference_et(weather, place)
        row = (day - first).days
        et0[row] = found.et0_mm if found is not None else np.nan
        rain[row] = weather.rain_mm if weather.rain_mm is not None else np.nan
    return PastWeather(first, et0, rain, place.latitude_deg)


def with_days(past: PastWeather | None, days: Sequence[DayWeather], place: GardenPlace) -> PastWeather | None:
    """The past with those days set in it anew; None where there is neither. Days before its first are
    left out."""
    fresh = past_weather(days, place)
    if past is None or fresh is None:
        return past if fresh is None else fresh
    begin = (fresh.first - past.first).days
    length = max(len(past.et0_mm), begin + len(fresh.et0_mm))
    joined = []
    for old, new in ((past.et0_mm, fresh.et0_mm), (past.rain_mm, fresh.rain_mm)):
        row = np.full(length, np.nan)
        row[: len(old)] = old
        told = {(d.day - past.first).days for d in days if d.day >= past.first}
        for n in told:
            row[n] = new[n - begin]
        joined.append(row)
    return PastWeather(past.first, joined[0], joined[1], past.latitude_deg)


def resampled(
    past: PastWeather, first: date, days: int, members: int, *, stretch_d: int = STRETCH_D
) -> tuple[Array, Array] | None:
    """ET0 and rain in mm, (members, days), from ``first`` on; None where the past holds no stretch at all.

    Not to be written to: the plans of one day are made from the same draw.
    """
    data = past.et0_mm.tobytes(), past.rain_mm.tobytes()
    return _drawn(past.first, data, past.latitude_deg, first, days, members, stretch_d)


# The last draws are kept: a day is planned when it begins and again as its windows open.
@lru_cache(maxsize=2)
def _drawn(
    past_first: date,
    data: tuple[bytes, bytes],
    latitude_deg: float,
    first: date,
    days: int,
    members: int,
    stretch_d: int,
) -> tuple[Array, Array] | None:
    past = PastWeather(past_first, np.frombuffer(data[0]), np.frombuffer(data[1]), latitude_deg)
    rng = _generator(past, first, days, members)
    et0, rain = np.empty((members, days)), np.empty((members, days))
    ra_past = _ra(past.latitude_deg, past.first, len(past.et0_mm))
    ra_ahead = _ra(past.latitude_deg, first, days)
    length, years = min(stretch_d, days), 1.0
    log_sd, thirstier = np.zeros(days), np.ones(days)
    never = np.zeros((members, days), dtype=bool)
    luck = _evenly(members, rng)
    known = _known_stretches(past, length)
    while len(known) == 0:
        if length == 1:
            return None
        length = (length + 1) // 2
        known = _known_stretches(past, length)
    at = 0
    while at < days:
        starts, years = _stretches(past, first + timedelta(days=at), known)
        take = min(length, days - at)
        rows = _spread_choice(starts, members, rng)[:, None] + np.arange(take)
        log_sd[at : at + take] = _rain_log_sd(past, starts, length) * np.sqrt(2.0 / years)
        ratio = ra_ahead[at : at + take] / np.maximum(ra_past[rows], 1e-6)
        et0[:, at : at + take] = past.et0_mm[rows] * np.minimum(ratio, 3.0)
        rain[:, at : at + take] = past.rain_mm[rows]
        never[:, at : at + take] = (luck < 1.0 / (years + 1.0))[:, None]
        thirstier[at : at + take] = _dry_over_wet(past, ra_past, starts, length)
        at += take
    et0 *= np.exp(ET0_YEAR_LOG_SD * np.sqrt(2.0 / years) * _normal_evenly(members, rng)[:, None])
    et0 *= _carried_anomaly(past, first, days)
    fallen = _wetter_or_drier(np.where(never, 0.0, rain), log_sd, years, rng)
    # A day whose rain is taken away is no longer the dull day that it was.
    et0 *= np.where((rain > 0.0) & (fallen == 0.0), thirstier, 1.0)
    drawn = et0, fallen
    for array in drawn:
        array.flags.writeable = False
    return drawn


def _known_stretches(past: PastWeather, length: int) -> Rows:
    """Rows at which stretches of known days begin."""
    known = np.isfinite(past.et0_mm) & np.isfinite(past.rain_mm)
    if len(known) < length:
        return np.empty(0, dtype=np.intp)
    return np.flatnonzero(np.convolve(known, np.ones(length), mode="valid") > length - 0.5)


def _stretches(past: PastWeather, target: date, rows: Rows) -> tuple[Rows, float]:
    """Those of the ``rows`` near that day of the year, nearest days first widened, and how many years they
    come from."""
    if len(rows) == 0:
        return rows, 0.0
    off = np.abs((past.first.toordinal() + rows - target.toordinal() + YEAR_D // 2) % YEAR_D - YEAR_D // 2)
    near = NEAR_D
    while near < YEAR_D and np.count_nonzero(off <= near) < min(CHOICE_MIN, len(rows)):
        near *= 2
    chosen = rows[off <= near]
    years = np.unique((chosen + past.first.toordinal() - target.toordinal() + YEAR_D // 2) // YEAR_D)
    return chosen, float(max(1, len(years)))


def _evenly(members: int, rng: np.random.Generator) -> Array:
    """A number between 0 and 1 per member, spread evenly over them, in an order of chance: few members then
    say as much of the whole as more would that were drawn one by one."""
    return np.asarray(rng.permutation((np.arange(members) + rng.random(members)) / members))


def _normal_evenly(members: int, rng: np.random.Generator) -> Array:
    """The same of the normal distribution."""
    return np.array([STANDARD.inv_cdf(min(max(u, 1e-9), 1.0 - 1e-9)) for u in _evenly(members, rng)])


def _spread_choice(starts: Rows, members: int, rng: np.random.Generator) -> Rows:
    """One start per member, evenly over all of them, in an order of chance."""
    return np.asarray(starts[(_evenly(members, rng) * len(starts)).astype(np.intp)])


def _carried_anomaly(past: PastWeather, first: date, days: int) -> Array:
    """What the last month was thirstier than its like in the years before, fading over the days ahead; 1
    where the past holds no such month. The mean of n years is itself uncertain: only n / (n + 1) is believed.
    """
    began = first - timedelta(days=MONTH_D)
    row = (began - past.first).days
    recent = past.et0_mm[row : row + MONTH_D] if row >= 0 else past.et0_mm[:0]
    before = past.until(began)
    starts, years = _stretches(before, began, _known_stretches(before, MONTH_D))
    if len(recent) < MONTH_D or not np.isfinite(recent).all() or not len(starts):
        return np.ones(days)
    rows = starts[:, None] + np.arange(MONTH_D)
    ra_then = _ra(past.latitude_deg, past.first, len(past.et0_mm))
    like = past.et0_mm[rows] * ra_then[row : row + MONTH_D] / np.maximum(ra_then[rows], 1e-6)
    ratio = float(recent.sum()) / max(float(like.sum(axis=1).mean()), 1e-6)
    months = (MONTH_D / 2 + np.arange(days) + 0.5) / MONTH_D
    held = ET0_LASTS_MONTH**months * years / (years + 1.0)
    return np.asarray(np.exp(held * np.log(min(max(ratio, 0.5), 2.0))))


def _dry_over_wet(past: PastWeather, ra_past: Array, starts: Rows, length: int) -> float:
    """How many times the ET0 of a wet day a dry one has, under the same sun, among the stretches' days."""
    used = np.zeros(len(past.et0_mm), dtype=bool)
    used[(starts[:, None] + np.arange(length)).ravel()] = True
    share, wet = past.et0_mm[used] / np.maximum(ra_past[used], 1e-6), past.rain_mm[used] > 0.0
    if min(np.count_nonzero(wet), np.count_nonzero(~wet)) < TELL_MIN_D:
        return 1.0
    return float(min(max(share[~wet].mean() / max(share[wet].mean(), 1e-6), 1.0), DRY_OVER_WET_MAX))


def _rain_log_sd(past: PastWeather, starts: Rows, length: int) -> float:
    """How far the stretches' totals of rain differ, as the sd of the logarithm that has their cv."""
    totals = np.add.reduceat(np.append(past.rain_mm, 0.0), np.stack([starts, starts + length], 1).ravel())[
        ::2
    ]
    mean = float(totals.mean())
    cv = min(RAIN_CV_MAX, float(totals.std()) / mean) if mean > 0.0 else RAIN_CV_MAX
    return float(np.sqrt(np.log(1.0 + cv**2)))


def _wetter_or_drier(rain_mm: Array, log_sd: Array, years: float, rng: np.random.Generator) -> Array:
    """Each member's rain times one factor: less than 1 takes wet days away, more makes them heavier.

    The factor's spread is itself known from n years only, hence Student's t (n degrees of freedom: one more
    than the sample's, for what is known of rain before any year was seen).
    """
    factor = np.exp(np.minimum(log_sd * rng.standard_t(years, (len(rain_mm), 1)), LOG_LIMIT))
    stays = rng.random(rain_mm.shape) < factor
    return np.asarray(np.where(stays, rain_mm * np.maximum(1.0, factor), 0.0))


def _ra(latitude_deg: float, first: date, days: int) -> Array:
    start = first.timetuple().tm_yday - 1
    return np.asarray(_ra_of_year(latitude_deg)[(start + np.arange(days)) % YEAR_D])


@lru_cache(maxsize=4)
def _ra_of_year(latitude_deg: float) -> Array:
    return np.array([extraterrestrial(latitude_deg, n) for n in range(1, YEAR_D + 1)])


def _generator(past: PastWeather, first: date, days: int, members: int) -> np.random.Generator:
    data = crc32(past.et0_mm.tobytes() + past.rain_mm.tobytes())
    return np.random.default_rng([data, first.toordinal(), days, members])
