"""Nine days without a network: what is told of each day, with which interval, from where and how old."""

from __future__ import annotations

import csv
import importlib.util
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from scheduler.agronomy.et0 import reference_et
from scheduler.agronomy.past_week import STORED_YEARS
from scheduler.agronomy.weather import DayWeather, Ensemble, Outlook
from scheduler.site.errors import WeatherUnavailable
from scheduler.site.model import GardenPlace
from scheduler.weather.cache import CachedWeather
from scheduler.weather.without_network import EnduringWeather

# Latitude of the station from memory; the data names only the city.
PLACE = GardenPlace(47.45, -122.3, 130.0, ZoneInfo("America/Los_Angeles"))
TODAY = date(2015, 7, 10)
NOW = datetime(2015, 7, 10, 19, tzinfo=UTC)  # noon in the garden
DAY = timedelta(days=1)


def seattle() -> tuple[DayWeather, ...]:
    """2012 to 2015, vega_datasets, from NOAA's public-domain records; unit of wind (m/s) from memory."""
    found = importlib.util.find_spec("vega_datasets")
    assert found is not None and found.origin is not None
    with (Path(found.origin).parent / "_data" / "seattle-weather.csv").open(encoding="utf-8") as lines:
        return tuple(
            DayWeather(
                date.fromisoformat(r["date"].replace("/", "-")),
                float(r["temp_min"]),
                float(r["temp_max"]),
                float(r["precipitation"]),
                wind_ms=float(r["wind"]),
            )
            for r in csv.DictReader(lines)
        )


RECORD = seattle()
PAST = tuple(d for d in RECORD if d.day < TODAY)


@dataclass
class Network:
    """A service that tells the record while it is up."""

    up: bool = True
    name: str = "open-meteo"

    def fetch(self, place: GardenPlace, *, today: date, past_days: int, days: int, now: datetime) -> Outlook:
        if not self.up:
            raise WeatherUnavailable("no network")
        shown = [d for d in RECORD if today - past_days * DAY <= d.day < today + days * DAY]
        return Outlook(tuple(shown), self.name, now, "By Somebody (CC BY 4.0)")


def ask(service: EnduringWeather, after: int = 0, days: int = 9, hours: float = 0.0) -> Outlook:
    now = NOW + after * DAY + timedelta(hours=hours)
    return service.fetch(PLACE, today=TODAY + after * DAY, past_days=7, days=days, now=now)


def enduring(folder: Path, past: tuple[DayWeather, ...] = PAST) -> tuple[EnduringWeather, Network, list[str]]:
    network, said = Network(), list[str]()
    cached = CachedWeather(network, folder, say=said.append)
    return EnduringWeather(cached, lambda: past, say=said.append), network, said


def test_while_the_forecast_is_fresh_it_is_handed_through_as_it_is(tmp_path: Path) -> None:
    service, network, said = enduring(tmp_path)
    outlook = ask(service)
    assert outlook == network.fetch(PLACE, today=TODAY, past_days=7, days=9, now=NOW)
    assert outlook.et0 == () and said == []


class Short(Network):
    def fetch(self, place: GardenPlace, *, today: date, past_days: int, days: int, now: datetime) -> Outlook:
        return super().fetch(place, today=today, past_days=past_days, days=3, now=now)


def test_days_that_a_short_forecast_does_not_reach_come_from_stored_years() -> None:
    outlook = ask(EnduringWeather(Short(), lambda: PAST))
    assert [e.day for e in outlook.et0] == [TODAY + n * DAY for n in range(3, 9)]
    assert all("stored years" in e.method for e in outlook.et0)
    assert outlook.origin(TODAY + 2 * DAY, "tmin_c")[0] == "open-meteo"
    assert outlook.origin(TODAY + 3 * DAY, "tmin_c")[0] == STORED_YEARS


def test_nine_days_without_a_network_day_by_day(tmp_path: Path) -> None:
    service, network, said = enduring(tmp_path)
    ask(service)
    network.up = False
    methods, widths = [], []
    for n in range(1, 15):
        outlook, today = ask(service, n), TODAY + n * DAY
        assert outlook.fetched_at == NOW and outlook.source == "open-meteo"  # under its true age
        assert [d.day for d in outlook.days if d.day >= today] == [today + k * DAY for k in range(9)]
        # Every day to come has an ET0 with an interval, whatever is left.
        assert all(outlook.et0_on(today + k * DAY) is not None for k in range(9))
        now = outlook.et0_on(today)
        assert now is not None and now.low_mm < now.et0_mm < now.high_mm
        methods.append("years" if "stored years" in now.method else "forecast")
        widths.append((now.high_mm - now.low_mm) / now.et0_mm)
        if methods[-1] == "forecast":
            assert f"forecast {n}.0 days old" in now.method
            assert outlook.origin(today, "tmin_c") == ("open-meteo", NOW)
        else:
            assert outlook.origin(today, "tmin_c")[0] == STORED_YEARS
        if n > 2:  # 48 h: rain to come is not known any more, and the days gone by were never measured
            assert all(d.rain_mm is None for d in outlook.days if d.day >= TODAY)
    print("outage day by day:", [f"{m} {w:.2f}" for m, w in zip(methods, widths, strict=True)])
    # First the old forecast, wider each day, then the years; the forecast reached eight days at the most.
    turn = methods.index("years")
    assert 3 <= turn <= 8 and methods == ["forecast"] * turn + ["years"] * (14 - turn)
    assert widths[:turn] == sorted(widths[:turn]) and widths[0] < widths[turn - 1]
    assert len(said) == 14 and "no network" in said[0]


def test_what_stands_in_for_the_forecast_holds_the_truth(tmp_path: Path) -> None:
    """The interval of each day of a fortnight's outage, from several summers' starts, in part of the record
    that is not in the stored years."""
    inside, outages = [], 0
    for month, first in ((5, 1), (6, 5), (7, 10), (8, 14)):
        today = date(2015, month, first)
        past = tuple(d for d in RECORD if d.day.year < 2015)
        network = Network()
        service = EnduringWeather(CachedWeather(network, tmp_path / str(month)), lambda past=past: past)  # type: ignore[misc]
        start = datetime(2015, month, first, 19, tzinfo=UTC)
        service.fetch(PLACE, today=today, past_days=7, days=9, now=start)
        network.up, outages = False, outages + 1
        for n in range(9, 15):  # beyond what the forecast (here: the truth itself) reached
            now = start + n * DAY
            outlook = service.fetch(PLACE, today=today + n * DAY, past_days=7, days=9, now=now)
            estimate = outlook.et0_on(today + n * DAY)
            true = reference_et(next(d for d in RECORD if d.day == today + n * DAY), PLACE)
            assert estimate is not None and true is not None
            inside.append(estimate.low_mm <= true.et0_mm <= estimate.high_mm)
    # 80 % stated; 24 days of four stretches count as about 8, so one sd of the share is 14 %.
    assert sum(inside) / len(inside) >= 0.52 and outages == 4


def test_when_the_network_is_back_the_estimates_are_gone(tmp_path: Path) -> None:
    service, network, _ = enduring(tmp_path)
    ask(service)
    network.up = False
    assert ask(service, 5).et0
    network.up = True
    back = ask(service, 6)
    assert back.et0 == () and all(b.source != STORED_YEARS for b in back.borrowed)
    # The days of the outage are told as measured now: seven past days reach back over it.
    assert [d for d in back.days if TODAY <= d.day < TODAY + 6 * DAY] == [
        d for d in RECORD if TODAY <= d.day < TODAY + 6 * DAY
    ]


def test_an_estimate_never_takes_the_kept_forecasts_place_on_disk(tmp_path: Path) -> None:
    service, network, _ = enduring(tmp_path)
    told = ask(service)
    network.up = False
    ask(service, 10)
    kept = CachedWeather(network, tmp_path).last_good
    assert kept == told


def test_a_garden_that_never_had_a_forecast_lives_on_stored_years(tmp_path: Path) -> None:
    service, network, said = enduring(tmp_path)
    network.up = False
    outlook = ask(service)
    assert outlook.source == STORED_YEARS and "no network" in said[0]
    # It is no forecast, so it is not as young as the fetch: as old as the newest stored day.
    assert outlook.fetched_at == datetime(2015, 7, 10, 7, tzinfo=UTC)
    assert outlook.origin(TODAY, "tmin_c")[0] == STORED_YEARS
    assert len(outlook.et0) == 9 and all(d.rain_mm is None for d in outlook.days)
    assert all(d.day >= TODAY for d in outlook.days)


def test_nothing_told_and_nothing_stored_says_both(tmp_path: Path) -> None:
    service, network, _ = enduring(tmp_path, past=())
    network.up = False
    with pytest.raises(WeatherUnavailable, match=r"no network; .*no stored years"):
        ask(service)


def test_without_stored_years_the_old_forecast_serves_as_far_as_it_reaches(tmp_path: Path) -> None:
    service, network, _ = enduring(tmp_path, past=())
    ask(service)
    network.up = False
    outlook = ask(service, 7)
    assert outlook.et0_on(TODAY + 8 * DAY) is not None
    assert outlook.et0_on(TODAY + 9 * DAY) is None and outlook.on(TODAY + 9 * DAY) is None


def test_members_of_an_old_ensemble_are_let_go(tmp_path: Path) -> None:
    table = ((1.0,) * 9,)
    members = Ensemble(TODAY, table, table, table, "members", NOW, "By Somebody Else")

    class WithMembers(Network):
        def fetch(
            self, place: GardenPlace, *, today: date, past_days: int, days: int, now: datetime
        ) -> Outlook:
            told = super().fetch(place, today=today, past_days=past_days, days=days, now=now)
            return replace(told, ensemble=members)

    network = WithMembers()
    service = EnduringWeather(CachedWeather(network, tmp_path), lambda: PAST)
    assert ask(service).ensemble == members and "By Somebody Else" in ask(service).credits
    network.up = False
    again = EnduringWeather(CachedWeather(network, tmp_path), lambda: PAST)  # after a restart
    assert ask(again, 1).ensemble == members
    assert ask(again, 3).ensemble is None


def test_a_figure_in_the_store_that_cannot_be_weather_does_no_harm(tmp_path: Path) -> None:
    bad = tuple(replace(d, tmin_c=400.0) for d in PAST)
    service, network, _ = enduring(tmp_path, past=bad)
    network.up = False
    with pytest.raises(WeatherUnavailable, match="no stored years"):
        ask(service)
