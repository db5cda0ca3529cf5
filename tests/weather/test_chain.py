"""What the chain uses when a source fails, and that each figure keeps its source and age."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from random import Random
from zoneinfo import ZoneInfo

import pytest

from scheduler.agronomy.et0 import reference_et
from scheduler.agronomy.weather import DayWeather, MeasuredRain, Outlook
from scheduler.site.errors import WeatherUnavailable
from scheduler.site.model import GardenPlace
from scheduler.weather.cache import CachedWeather
from scheduler.weather.chain import ChainedWeather, filled, with_measured_rain
from scheduler.weather.met_norway import MetNorway
from scheduler.weather.open_meteo import OpenMeteo
from scheduler.weather.practice_server import Fault, PracticeWeather
from scheduler.weather.rain_gauge import GaugeReading, TippingGauge
from scheduler.weather.stored_years import NAME, StoredYears
from scheduler.weather.us_weather import UsWeather
from scheduler.weather.weather_file import packaged_weather

PLACE = GardenPlace(47.6062, -122.3321, 40.0, ZoneInfo("America/Los_Angeles"))
TODAY = date(2012, 7, 10)
NOW = datetime(2012, 7, 10, 19, tzinfo=UTC)
WEEK_AHEAD = [TODAY + timedelta(days=n) for n in range(7)]


@dataclass
class Told:
    """A source that knows some days, or is down."""

    name: str
    days: tuple[DayWeather, ...] = ()
    asked: int = 0
    credit: str = ""

    def fetch(self, place: GardenPlace, *, today: date, past_days: int, days: int, now: datetime) -> Outlook:
        self.asked += 1
        if not self.days:
            raise WeatherUnavailable("it is down")
        return Outlook(self.days, self.name, now, self.credit)


def ask(service, past_days: int = 0, days: int = 7, now: datetime = NOW) -> Outlook:  # type: ignore[no-untyped-def]
    return service.fetch(PLACE, today=TODAY, past_days=past_days, days=days, now=now)


def whole(rain_mm: float | None = 0.0) -> tuple[DayWeather, ...]:
    return tuple(DayWeather(d, 12.0, 24.0, rain_mm) for d in WEEK_AHEAD)


def test_a_source_that_knows_all_is_asked_alone() -> None:
    first, second = Told("first", whole()), Told("second", whole(9.0))
    assert ask(ChainedWeather([first, second])) == Outlook(whole(), "first", NOW)
    assert second.asked == 0


def test_the_next_source_is_used_where_the_first_is_down_and_that_is_said() -> None:
    said: list[str] = []
    outlook = ask(ChainedWeather([Told("first"), Told("second", whole())], say=said.append))
    assert outlook.source == "second" and said == ["first: it is down"]


def test_all_down_names_every_source() -> None:
    with pytest.raises(WeatherUnavailable, match=r"first: it is down; second: it is down"):
        ask(ChainedWeather([Told("first"), Told("second")]))


def test_an_unknown_figure_is_borrowed_with_its_source_age_and_credit() -> None:
    second = Told("second", whole(9.0), credit="By Second (CC BY 4.0)")
    outlook = ask(ChainedWeather([Told("first", whole(None)), second]))
    assert {d.rain_mm for d in outlook.days} == {9.0}
    assert outlook.origin(TODAY, "rain_mm") == ("second", NOW)
    assert outlook.origin(TODAY, "tmin_c") == ("first", NOW)
    assert outlook.credits == ("By Second (CC BY 4.0)",)


def test_lowest_and_highest_come_from_one_source() -> None:
    mine = Outlook((DayWeather(TODAY, tmin_c=20.0),), "a", NOW)
    its = Outlook((DayWeather(TODAY, 10.0, 18.0),), "b", NOW)
    day = filled(mine, its).days[0]
    assert (day.tmin_c, day.tmax_c) == (10.0, 18.0)


def test_zero_rain_is_known_and_is_not_replaced() -> None:
    outlook = filled(Outlook(whole(0.0), "a", NOW), Outlook(whole(9.0), "b", NOW))
    assert {d.rain_mm for d in outlook.days} == {0.0} and outlook.borrowed == ()


@pytest.mark.parametrize(
    ("fault", "used"),
    [
        (None, "met-norway"),
        ("too_many", None),
        ("portal", None),
        ("truncated", None),
        ("server_error", None),
        ("old_issue", "open-meteo"),
        ("outside", "open-meteo"),
        ("units", None),
        ("nulls", None),
    ],
)
def test_what_the_chain_then_uses(fault: Fault | None, used: str | None) -> None:
    """One server with one fault; where every service on it fails, the week of stored years is left."""
    years = [
        replace(d, day=date(d.day.year - 1, d.day.month, d.day.day)) for d in packaged_weather("seattle-2012")
    ]
    with PracticeWeather(packaged_weather("seattle-2012"), lambda: TODAY) as server:
        server.fault = fault
        common = {"base_url": server.base_url, "sleep": lambda _: None}
        chain = ChainedWeather(
            [
                MetNorway(Random(1), "garden@example.org", **common),
                UsWeather(Random(2), "", **common),  # no contact: never called
                OpenMeteo(Random(3), **common),
                StoredYears(years),
            ]
        )
        outlook = ask(chain)
    assert outlook.source == (used or NAME)
    # Whatever is left, ET0 of every day can be worked out: watering goes on.
    assert all(reference_et(d, PLACE) is not None for d in outlook.days if d.day in WEEK_AHEAD)
    if used is None:
        assert all(d.rain_mm is None for d in outlook.days)  # never taken as dry, never as wet
    if fault is None:
        # Today's rain is not told by a service that begins now; the next one has the whole day.
        assert outlook.origin(TODAY, "rain_mm")[0] == "open-meteo"
        assert len(outlook.credits) == 2


def test_a_week_without_network_is_bridged_from_the_kept_outlook(tmp_path: Path) -> None:
    first = Told("first", whole())
    chain = ChainedWeather([first])
    kept = ask(CachedWeather(chain, tmp_path))
    first.days = ()
    said: list[str] = []
    later = ask(CachedWeather(chain, tmp_path, say=said.append), now=NOW + timedelta(days=6))
    assert later == kept and later.fetched_at == NOW  # under its true age
    assert "it is down" in said[0]


def test_a_past_day_kept_from_an_earlier_fetch_keeps_its_age(tmp_path: Path) -> None:
    yesterday = DayWeather(TODAY - timedelta(days=1), 10.0, 20.0, 1.0)
    source = Told("first", (yesterday, *whole()))
    cached = CachedWeather(source, tmp_path)
    ask(cached)
    source.days = whole()
    outlook = ask(cached, now=NOW + timedelta(hours=6))
    assert outlook.on(yesterday.day) == yesterday
    assert outlook.origin(yesterday.day, "rain_mm") == ("first", NOW)
    assert outlook.origin(TODAY, "rain_mm") == ("first", NOW + timedelta(hours=6))


def test_measured_rain_goes_before_a_services_and_the_later_reading_counts() -> None:
    past = [TODAY - timedelta(days=n) for n in (3, 2, 1)]
    outlook = Outlook((DayWeather(past[1], 10.0, 20.0, 4.0), DayWeather(TODAY, rain_mm=1.0)), "s", NOW)
    typed = MeasuredRain(past[1], 7.0, "typed by Ines", NOW)
    gauge = MeasuredRain(past[1], 6.5, "rain gauge", NOW - timedelta(hours=9))
    early = MeasuredRain(TODAY, 99.0, "rain gauge", NOW)
    found = with_measured_rain(outlook, [typed, gauge, early], TODAY)
    assert [d.rain_mm for d in found.days] == [7.0, 1.0]
    assert found.origin(past[1], "rain_mm")[0] == "typed by Ines"
    assert found.origin(past[1], "tmin_c")[0] == "s"
    assert found.on(past[0]) is None  # nobody measured it: unknown, not dry


def test_tips_become_rain_of_whole_days_and_a_silence_stays_unknown() -> None:
    zone_midnight = datetime(2012, 7, 8, 7, tzinfo=UTC)  # local midnight
    readings = [GaugeReading(zone_midnight + timedelta(hours=3 * n), n) for n in range(9)]  # 8 tips a day
    readings += [GaugeReading(zone_midnight + timedelta(hours=48), 30)]  # a day of silence
    days = [date(2012, 7, 8), date(2012, 7, 9)]
    found = TippingGauge(0.5).daily(readings, days, PLACE)
    assert [(m.day, m.rain_mm) for m in found] == [(days[0], pytest.approx(4.0))]


def test_a_gauge_started_anew_loses_the_time_between() -> None:
    zone_midnight = datetime(2012, 7, 8, 7, tzinfo=UTC)
    readings = [GaugeReading(zone_midnight + timedelta(hours=3 * n), (5 - n) % 6) for n in range(9)]
    assert TippingGauge(0.5).daily(readings, [date(2012, 7, 8)], PLACE) == ()
    with pytest.raises(ValueError, match="no rain gauge"):
        TippingGauge(0.0)
