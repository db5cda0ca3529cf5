"""MET Norway, the US service and the ensemble against replies of their structure from a local server."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from random import Random
from zoneinfo import ZoneInfo

import pytest

from scheduler.agronomy.weather import DayWeather
from scheduler.site.errors import WeatherUnavailable
from scheduler.site.model import GardenPlace
from scheduler.weather.met_norway import MetNorway
from scheduler.weather.open_meteo_ensemble import OpenMeteoEnsemble, last_day
from scheduler.weather.practice_server import Fault, PracticeWeather
from scheduler.weather.us_weather import UsWeather

PLACE = GardenPlace(47.6062, -122.3321, 40.0, ZoneInfo("America/Los_Angeles"))
TODAY = date(2012, 7, 10)
NOW = datetime(2012, 7, 10, 19, tzinfo=UTC)  # noon in the garden
CONTACT = "garden@example.org"
TOMORROW = TODAY + timedelta(days=1)


def wet(count: int = 14) -> list[DayWeather]:
    """Every day 12 to 24 degC; the nth day has n mm of rain."""
    return [DayWeather(TODAY + timedelta(days=n - 1), 12.0, 24.0, float(n)) for n in range(count)]


def met(server: PracticeWeather, said: list[str] | None = None, contact: str = CONTACT) -> MetNorway:
    say = said.append if said is not None else lambda _: None
    return MetNorway(Random(7), contact, base_url=server.base_url, sleep=lambda _: None, say=say)


def us(server: PracticeWeather, contact: str = CONTACT) -> UsWeather:
    return UsWeather(Random(7), contact, base_url=server.base_url, sleep=lambda _: None)


def fetch(service: MetNorway | UsWeather, now: datetime = NOW, days: int = 7):  # type: ignore[no-untyped-def]
    return service.fetch(PLACE, today=TODAY, past_days=3, days=days, now=now)


@pytest.fixture(params=["met-norway", "us-weather"])
def either(request: pytest.FixtureRequest):  # type: ignore[no-untyped-def]
    return met if request.param == "met-norway" else us


@pytest.fixture
def server():  # type: ignore[no-untyped-def]
    with PracticeWeather(wet(), lambda: TODAY) as practice:
        yield practice


def test_whole_days_arrive_with_credit_and_time_of_issue(server: PracticeWeather, either) -> None:
    outlook = fetch(either(server))
    day = outlook.on(TOMORROW)
    assert day is not None
    # The served day is a cosine of 12 to 24 degC with 2 mm of rain, humidity 60 %, wind 2 m/s.
    assert (day.tmin_c, day.tmax_c) == (pytest.approx(12.0), pytest.approx(24.0))
    assert day.rain_mm == pytest.approx(2.0, abs=0.02)  # hours are given to 0.001 mm
    assert (day.rh_mean_pct, day.wind_ms) == (pytest.approx(60.0), pytest.approx(2.0))
    assert outlook.issued_at == NOW - timedelta(hours=1) and outlook.credits[0] == outlook.attribution != ""
    # FAO-56 Eq 35 on 40 or 60 % cloud: the sun is worked out, and marked so.
    assert outlook.origin(TOMORROW, "solar_mj_m2")[0].startswith("sun from cloud")


def test_an_hour_is_not_counted_again_in_the_six_hours_around_it(server: PracticeWeather) -> None:
    # Day n of the server has n + 1 mm: hourly part, the turn to six-hourly steps, and the six-hourly part.
    outlook = fetch(met(server), days=8)
    for n in range(1, 8):
        day = outlook.on(TODAY + timedelta(days=n))
        assert day is not None and day.rain_mm is not None
        # A step of six hours over local midnight is split by time, so days lend each other up to 1/4 mm.
        assert day.rain_mm == pytest.approx(n + 1, abs=0.26)


def test_met_norway_begins_now_so_todays_rain_and_lowest_are_unknown(server: PracticeWeather) -> None:
    today = fetch(met(server)).on(TODAY)
    assert today is not None
    assert today.rain_mm is None and today.tmin_c is None


def test_the_last_entry_has_an_instant_only_and_its_day_stays_open() -> None:
    with PracticeWeather(wet(8), lambda: TODAY) as server:  # days up to 16 July
        outlook = fetch(met(server))
    assert outlook.days[-1].day == TODAY + timedelta(days=6)
    assert outlook.days[-1].rain_mm is None and outlook.days[-2].rain_mm is not None


def test_nothing_is_asked_before_it_expires_and_a_304_keeps_the_old(server: PracticeWeather) -> None:
    service = met(server)
    server.expires = "Tue, 10 Jul 2012 20:00:00 GMT"
    first = fetch(service)
    again = fetch(service, NOW + timedelta(minutes=59))
    assert again == first and server.calls == 1
    later = fetch(service, NOW + timedelta(minutes=61))
    assert server.calls == 2 and server.last_headers["If-Modified-Since"] == server.last_modified
    assert later.days == first.days and later.fetched_at == NOW + timedelta(minutes=61)


def test_the_us_cell_is_asked_once_and_a_304_keeps_the_old(server: PracticeWeather) -> None:
    service = us(server)
    first = fetch(service)
    assert server.calls == 2  # the point, then its cell
    assert fetch(service, NOW + timedelta(hours=1)).days == first.days
    assert server.calls == 3


def test_a_version_that_will_end_still_serves_and_is_told(server: PracticeWeather) -> None:
    server.fault = "deprecated"
    said: list[str] = []
    assert fetch(met(server, said)).on(TOMORROW) is not None
    assert "will end" in said[0]


def test_without_a_contact_no_call_is_made(server: PracticeWeather, either) -> None:
    with pytest.raises(WeatherUnavailable, match="whom to write to"):
        fetch(either(server, contact=" "))
    assert server.calls == 0


def test_a_refused_caller_does_not_insist(server: PracticeWeather) -> None:
    from scheduler.weather.bounded_get import BoundedGet

    nobody = BoundedGet("somebody/1.0")
    service = MetNorway(Random(7), CONTACT, base_url=server.base_url, sleep=lambda _: None, get=nobody)
    with pytest.raises(WeatherUnavailable, match="status 403"):
        fetch(service)
    with pytest.raises(WeatherUnavailable, match="left alone for 6 h"):
        fetch(service, NOW + timedelta(hours=5))
    assert server.calls == 1


def test_the_place_is_asked_with_few_decimals(server: PracticeWeather) -> None:
    fetch(met(server))
    assert server.last_query == {"lat": "47.61", "lon": "-122.33", "altitude": "40"}
    assert f"contact {CONTACT}" in server.last_headers["User-Agent"]


@pytest.mark.parametrize(
    ("fault", "told"),
    [
        ("too_many", "too many calls"),
        ("server_error", "status 500"),
        ("portal", "text/html, not JSON"),
        ("truncated", "not JSON"),
        ("outside", "does not cover this place"),
        ("list", "no JSON object"),
        ("huge", "larger than"),
    ],
)
def test_a_bad_answer_ends_in_plain_words(server: PracticeWeather, either, fault: Fault, told: str) -> None:
    server.fault = fault
    with pytest.raises(WeatherUnavailable, match=told):
        fetch(either(server))


@pytest.mark.parametrize(
    ("make", "fault", "told"),
    [
        (met, "units", "air_temperature is in 'fahrenheit'"),
        (us, "units", "windSpeed is in 'wmoUnit:m_s-1'"),
        (met, "old_issue", "73 h old"),
        (us, "old_issue", "73 h old"),
        (met, "nulls", "no two entries"),
        (us, "nulls", "no day of it is whole"),
        (us, "other_server", "another server, grid.example"),
    ],
)
def test_what_cannot_be_believed_is_refused(server: PracticeWeather, make, fault: Fault, told: str) -> None:
    server.fault = fault
    with pytest.raises(WeatherUnavailable, match=told):
        fetch(make(server))


def test_rain_beyond_the_amounts_horizon_is_unknown_and_its_chance_is_not(server: PracticeWeather) -> None:
    server.fault = "short_rain"
    last = fetch(us(server)).days[-2]
    assert last.rain_mm is None and last.rain_probability == pytest.approx(0.6)


@pytest.mark.parametrize("changes", [date(2012, 3, 11), date(2012, 11, 4)])  # US DST days of 2012
def test_a_day_of_23_or_25_hours_keeps_its_rain(either, changes: date) -> None:
    days = [DayWeather(changes + timedelta(days=n), 5.0, 15.0, 6.0) for n in range(-1, 5)]
    with PracticeWeather(days, lambda: changes) as server:
        server.now = datetime(changes.year, changes.month, changes.day, 1, tzinfo=UTC)  # the evening before
        outlook = either(server).fetch(PLACE, today=changes, past_days=0, days=2, now=server.now)
    rain = outlook.days[0].rain_mm
    # Given to 0.001 mm an hour; a step of six hours over midnight would share out at most 6 x 6 / 24 mm.
    assert rain == pytest.approx(6.0, abs=0.02)


def ensemble(server: PracticeWeather) -> OpenMeteoEnsemble:
    return OpenMeteoEnsemble(Random(7), base_url=server.base_url, sleep=lambda _: None)


@pytest.mark.parametrize("fault", [None, "model_names"])
def test_members_arrive_and_the_empty_one_is_left_out(server: PracticeWeather, fault: Fault | None) -> None:
    server.fault = fault
    found = ensemble(server).fetch(PLACE, today=TODAY, days=5, now=NOW)
    # Four members, the last of them null throughout; member n has n mm more than the day's n + 1.
    assert found.members == 3 and found.days[0] == TODAY and len(found.days) == 5
    assert [row[0] for row in found.rain_mm] == [1.0, 2.0, 3.0]
    assert found.member(2)[1] == DayWeather(TOMORROW, 12.0, 24.0, 4.0)
    assert found.rain_chance(TODAY) == 1.0 and found.rain_chance(TODAY - timedelta(days=1)) is None
    assert last_day(found) == TODAY + timedelta(days=4)
    assert "Open-Meteo" in found.attribution


@pytest.mark.parametrize(
    ("fault", "told"), [("members_null", "every member of it is empty"), ("units", "is in '°F'")]
)
def test_an_ensemble_that_says_nothing_is_refused(server: PracticeWeather, fault: Fault, told: str) -> None:
    server.fault = fault
    with pytest.raises(WeatherUnavailable, match=told):
        ensemble(server).fetch(PLACE, today=TODAY, days=5, now=NOW)
