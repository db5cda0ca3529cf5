"""Local days of weather out of spans of temperature, humidity, wind, cloud and rain."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

from scheduler.agronomy import radiation
from scheduler.agronomy.weather import Borrowed, DayWeather
from scheduler.site.model import GardenPlace
from scheduler.weather.timeline import Span, bounds, day_sum, mean, states

# A state's mean over less of the day than this is no mean of the day.
LEAST_COVER = 0.75
# The lowest temperature falls about sunrise and the highest in the afternoon: these local hours must be
# covered for them to be known (ours; winter days of passing fronts break the rule).
COOL_HOURS = (time(0), time(9))
WARM_HOURS = (time(9), time(18))
# The US service's lows and highs are of windows of 13 to 15 h; MET Norway's of 6 h.
WINDOW_MIN = timedelta(hours=12)
WIND_HEIGHT_M = 10.0
SUN_FROM_CLOUD = "sun from cloud cover (FAO-56 Eq 35)"


@dataclass(frozen=True, slots=True)
class Parts:
    """What a service told, each as spans; an empty part was not told. SI and degC, percent, mm."""

    temperature_c: Sequence[Span] = ()
    lowest_c: Sequence[Span] = ()  # of windows; the local date of the window's middle counts
    highest_c: Sequence[Span] = ()
    dewpoint_c: Sequence[Span] = ()
    humidity_pct: Sequence[Span] = ()
    wind_ms: Sequence[Span] = ()
    cloud_pct: Sequence[Span] = ()
    rain_mm: Sequence[Span] = ()  # sums
    rain_chance_pct: Sequence[Span] = ()


def days_of_parts(parts: Parts, place: GardenPlace, first: date, count: int) -> tuple[DayWeather, ...]:
    """``count`` local days from ``first``. What does not cover a day is unknown on it."""
    return tuple(_day(parts, place, first + timedelta(days=n)) for n in range(count))


def sun_from_cloud(days: Sequence[DayWeather], fetched_at: datetime) -> tuple[Borrowed, ...]:
    """The mark that the sun of such days was worked out from cloud, not told."""
    values = tuple((d.day, "solar_mj_m2") for d in days if d.solar_mj_m2 is not None)
    return (Borrowed(SUN_FROM_CLOUD, fetched_at, values),) if values else ()


def _day(parts: Parts, place: GardenPlace, day: date) -> DayWeather:
    zone = place.timezone
    humidity = _whole(parts.humidity_pct, day, zone)
    chance = _whole(parts.rain_chance_pct, day, zone)
    tmin, tmax = _extremes(parts, day, zone)
    return DayWeather(
        day,
        tmin_c=tmin,
        tmax_c=tmax,
        rain_mm=day_sum(parts.rain_mm, day, zone),
        rain_probability=max(chance) / 100.0 if chance else None,
        dewpoint_c=_day_mean(parts.dewpoint_c, day, zone),
        rh_min_pct=min(humidity, default=None),
        rh_max_pct=max(humidity, default=None),
        rh_mean_pct=_day_mean(parts.humidity_pct, day, zone),
        wind_ms=_day_mean(parts.wind_ms, day, zone),
        wind_height_m=WIND_HEIGHT_M,
        solar_mj_m2=_solar(parts.cloud_pct, day, place),
    )


def _whole(spans: Sequence[Span], day: date, zone: ZoneInfo) -> list[float]:
    pairs, cover = states(spans, *bounds(day, zone))
    return [v for _, v in pairs] if cover >= LEAST_COVER else []


def _day_mean(spans: Sequence[Span], day: date, zone: ZoneInfo) -> float | None:
    pairs, cover = states(spans, *bounds(day, zone))
    return mean(pairs) if cover >= LEAST_COVER else None


def _extremes(parts: Parts, day: date, zone: ZoneInfo) -> tuple[float | None, float | None]:
    """Lowest and highest. A short window says nothing by itself: it joins hours that cover the time."""
    told = [v for _, v in states(parts.temperature_c, *bounds(day, zone))[0]]
    low_long, low_short = _windowed(parts.lowest_c, day, zone)
    high_long, high_short = _windowed(parts.highest_c, day, zone)
    lows, highs = low_long, high_long
    if _covered(parts.temperature_c, day, COOL_HOURS, zone):
        lows = lows + low_short + told
    if _covered(parts.temperature_c, day, WARM_HOURS, zone):
        highs = highs + high_short + told
    low, high = min(lows, default=None), max(highs, default=None)
    if low is not None and high is not None and low > high:
        return None, None  # a window that is another day's: neither can be trusted
    return low, high


def _windowed(spans: Sequence[Span], day: date, zone: ZoneInfo) -> tuple[list[float], list[float]]:
    """Values of windows whose middle lies on the local day: long as a night or a day, and shorter."""
    found: tuple[list[float], list[float]] = [], []
    for s in spans:
        middle = (s.start + (s.end - s.start) / 2).astimezone(zone)
        if s.value is not None and middle.date() == day:
            found[s.end - s.start < WINDOW_MIN].append(s.value)
    return found


def _covered(spans: Sequence[Span], day: date, hours: tuple[time, time], zone: ZoneInfo) -> bool:
    start, end = (datetime.combine(day, h, zone).astimezone(UTC) for h in hours)
    return states(spans, start, end)[1] >= LEAST_COVER


def _solar(cloud: Sequence[Span], day: date, place: GardenPlace) -> float | None:
    """Rs of FAO-56 Eq 35, the share of sunshine being that of clear sky; the day's mean cloud stands for
    that of its daylight hours."""
    cover = _day_mean(cloud, day, place.timezone)
    if cover is None:
        return None
    ra = radiation.extraterrestrial(place.latitude_deg, day.timetuple().tm_yday)
    return radiation.solar_from_sunshine(1.0 - cover / 100.0, 1.0, ra)
