"""A forecast with an ensemble's members beside it: once a day, politely, and nothing lost without them."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from random import Random
from zoneinfo import ZoneInfo

import pytest

from scheduler.agronomy.weather import DayWeather, Ensemble, Outlook
from scheduler.site.errors import WeatherUnavailable
from scheduler.site.model import GardenPlace
from scheduler.store.codec import from_json, to_json
from scheduler.weather.cache import CachedWeather
from scheduler.weather.choosing import NAMES, weather_sources
from scheduler.weather.members import MEMBER_DAYS, WithMembers
from scheduler.weather.possible import possible_ensemble
from scheduler.weather.practice_server import PracticeWeather
from scheduler.weather.weather_file import packaged_weather

PLACE = GardenPlace(47.6062, -122.3321, 40.0, ZoneInfo("America/Los_Angeles"))
TODAY = date(2012, 7, 10)
NOW = datetime(2012, 7, 10, 19, tzinfo=UTC)
HOUR = timedelta(hours=1)


@dataclass
class Plain:
    name: str = "plain"
    down: bool = False

    def fetch(self, place: GardenPlace, *, today: date, past_days: int, days: int, now: datetime) -> Outlook:
        if self.down:
            raise WeatherUnavailable("it is down")
        return Outlook((DayWeather(today, 12.0, 24.0, 0.0),), self.name, now)


@dataclass
class Members:
    name: str = "members"
    down: bool = False
    calls: list[datetime] = field(default_factory=list)

    def fetch(self, place: GardenPlace, *, today: date, days: int, now: datetime) -> Ensemble:
        self.calls.append(now)
        if self.down:
            raise WeatherUnavailable("too many calls")
        rain = tuple((float(n),) * days for n in range(3))
        return Ensemble(today, rain, rain, tuple((9.0,) * days for _ in range(3)), self.name, now, "By Them")


def ask(service: WithMembers | CachedWeather, hours: float = 0.0) -> Outlook:
    return service.fetch(PLACE, today=TODAY, past_days=0, days=1, now=NOW + hours * HOUR)


def test_members_come_with_the_forecast_once_a_day_and_their_credit_too() -> None:
    members = Members()
    service = WithMembers(Plain(), members)
    for hours in range(0, 49, 6):
        outlook = ask(service, hours)
        assert outlook.ensemble is not None and outlook.ensemble.members == 3
        assert len(outlook.ensemble.days) == MEMBER_DAYS and outlook.credits == ("By Them",)
    assert [c - NOW for c in members.calls] == [0 * HOUR, 24 * HOUR, 48 * HOUR]


def test_a_failing_ensemble_costs_nothing_but_its_spread_and_is_let_be() -> None:
    said: list[str] = []
    members = Members(down=True)
    service = WithMembers(Plain(), members, say=said.append)
    for hours in (0, 1, 2, 5):
        outlook = ask(service, hours)
        assert outlook.days and outlook.ensemble is None
    assert len(members.calls) == 1 and "too many calls" in said[0]
    ask(service, 6)
    assert len(members.calls) == 2


def test_old_members_serve_for_two_days_and_not_longer() -> None:
    members = Members()
    service = WithMembers(Plain(), members)
    ask(service)
    members.down = True
    assert ask(service, 47).ensemble is not None
    assert ask(service, 49).ensemble is None


def test_no_members_are_asked_for_where_the_forecast_itself_fails() -> None:
    members = Members()
    with pytest.raises(WeatherUnavailable, match="it is down"):
        ask(WithMembers(Plain(down=True), members))
    assert members.calls == []


def test_a_clock_set_back_holds_nothing_up() -> None:
    members = Members()
    service = WithMembers(Plain(), members)
    ask(service, 100)
    assert ask(service, 0).ensemble is not None and len(members.calls) == 2


def test_the_garden_that_names_open_meteo_gets_members_from_a_real_server(tmp_path: Path) -> None:
    with PracticeWeather(packaged_weather("seattle-2012"), lambda: TODAY) as server:
        urls = dict.fromkeys(NAMES, server.base_url)
        service = weather_sources(["open-meteo"], Random(1), base_urls=urls)
        cached = CachedWeather(service, tmp_path)
        outlook = cached.fetch(PLACE, today=TODAY, past_days=2, days=9, now=NOW)
        assert server.calls == 2  # the forecast, and the members once
        cached.fetch(PLACE, today=TODAY, past_days=2, days=9, now=NOW + 6 * HOUR)
        assert server.calls == 3
        assert outlook.ensemble is not None and outlook.ensemble.source.startswith("open-meteo ensemble")
        # On disk, and in the store's own writing, the members stay what they were.
        again = CachedWeather(weather_sources(["open-meteo"], Random(1), base_urls=urls), tmp_path)
        assert again.last_good is not None and again.last_good.ensemble == outlook.ensemble
        assert from_json(Outlook, to_json(outlook)) == outlook


def test_a_garden_without_open_meteo_is_asked_for_no_members() -> None:
    with PracticeWeather(packaged_weather("seattle-2012"), lambda: TODAY) as server:
        urls = dict.fromkeys(NAMES, server.base_url)
        service = weather_sources(["met-norway"], Random(1), contact="a@example.org", base_urls=urls)
        outlook = service.fetch(PLACE, today=TODAY, past_days=0, days=5, now=NOW)
        assert server.calls == 1 and outlook.ensemble is None


def test_a_member_that_cannot_be_weather_becomes_unknown() -> None:
    table = ((10.0, 30.0), (12.0, 12.0))
    turned = Ensemble(TODAY, ((1.0, 1.0),) * 2, table, ((20.0, 20.0), (25.0, 25.0)), "m", NOW)
    sunny = replace(turned, solar_mj_m2=((20.0, 20.0), (90.0, 20.0)))
    found = possible_ensemble(sunny, PLACE)
    assert found.tmin_c == ((10.0, None), (12.0, 12.0)) and found.tmax_c == ((20.0, None), (25.0, 25.0))
    # 90 MJ m-2 is more than reaches the top of the air anywhere (FAO-56 Table 2.6: below 46).
    assert found.solar_mj_m2 == ((20.0, 20.0), (None, 20.0)) and found.rain_mm == turned.rain_mm
