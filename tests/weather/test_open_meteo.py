from __future__ import annotations

import time
from datetime import UTC, date, datetime, timedelta
from random import Random
from zoneinfo import ZoneInfo

import pytest

from scheduler.agronomy.weather import DayWeather
from scheduler.site.errors import WeatherUnavailable
from scheduler.site.model import GardenPlace
from scheduler.weather.bounded_get import BoundedGet
from scheduler.weather.open_meteo import ATTRIBUTION, OpenMeteo
from scheduler.weather.polite import MAX_ATTEMPTS, wait_s
from scheduler.weather.practice_server import Fault, PracticeWeather
from scheduler.weather.weather_file import packaged_weather

PLACE = GardenPlace(47.6062, -122.3321, 40.0, ZoneInfo("America/Los_Angeles"))
TODAY = date(2012, 7, 10)
NOW = datetime(2012, 7, 10, 19, tzinfo=UTC)
SHORT_S = 0.4  # a total deadline for tests that run into it


class Waits(list[float]):
    """Stands in for sleeping: notes how long."""

    def __call__(self, wait: float) -> None:
        self.append(wait)


def service(practice: PracticeWeather, waits: Waits | None = None, total_s: float = 10.0) -> OpenMeteo:
    get = BoundedGet("fallinghead/test", total_s=total_s)
    return OpenMeteo(Random(7), base_url=practice.base_url, sleep=waits or Waits(), get=get)


def fetch(meteo: OpenMeteo, past_days: int = 3, days: int = 7, now: datetime = NOW):  # type: ignore[no-untyped-def]
    return meteo.fetch(PLACE, today=TODAY, past_days=past_days, days=days, now=now)


def test_measured_days_arrive_as_they_were_measured(practice: PracticeWeather) -> None:
    outlook = fetch(service(practice))
    truth = {d.day: d for d in packaged_weather("seattle-2012")}
    assert [d.day for d in outlook.days] == [TODAY + timedelta(days=n) for n in range(-3, 7)]
    for day in outlook.days:
        assert (day.tmin_c, day.tmax_c, day.rain_mm) == (
            truth[day.day].tmin_c,
            truth[day.day].tmax_c,
            truth[day.day].rain_mm,
        )
        assert day.wind_ms == pytest.approx(truth[day.day].wind_ms) and day.wind_height_m == 10.0
        assert day.dewpoint_c is None and day.solar_mj_m2 is None and day.rain_probability is None
    assert (outlook.source, outlook.fetched_at, outlook.attribution) == ("open-meteo", NOW, ATTRIBUTION)


def test_humidity_radiation_and_chance_of_rain_arrive_too() -> None:
    day = DayWeather(
        TODAY,
        12.0,
        28.0,
        1.5,
        rain_probability=0.35,
        dewpoint_c=9.25,
        rh_min_pct=30.0,
        rh_max_pct=90.0,
        wind_ms=2.0,
        wind_height_m=2.0,
        solar_mj_m2=24.5,
    )
    with PracticeWeather([day], lambda: TODAY) as practice:
        got = fetch(service(practice), past_days=0, days=1).days[0]
    assert (got.rain_probability, got.dewpoint_c, got.solar_mj_m2) == (0.35, 9.25, 24.5)
    # The greatest and the least of the served hours, at 3 h and 15 h of the sine.
    assert (got.rh_min_pct, got.rh_max_pct, got.rh_mean_pct) == (30.0, 90.0, pytest.approx(60.0))
    # FAO-56 Eq 47: wind at 2 m is 0.748 of that at 10 m.
    assert got.wind_ms == pytest.approx(2.0 / 0.748, rel=1e-3)


def test_the_question_is_polite_and_hides_the_house(practice: PracticeWeather) -> None:
    meteo = OpenMeteo(Random(7), base_url=practice.base_url)
    fetch(meteo)
    query = practice.last_query
    assert (query["latitude"], query["longitude"]) == ("47.61", "-122.33")
    assert query["timezone"] == "America/Los_Angeles" and query["wind_speed_unit"] == "ms"
    assert len(query["daily"].split(",") + query["hourly"].split(",")) <= 10
    assert practice.last_headers["User-Agent"].startswith("fallinghead/")


def test_too_many_days_are_cut_from_the_past(practice: PracticeWeather) -> None:
    outlook = fetch(service(practice), past_days=30, days=10)
    assert len(outlook.days) == 16 and outlook.days[-1].day == TODAY + timedelta(days=9)


@pytest.mark.parametrize(
    ("fault", "told", "calls"),
    [
        ("huge", "larger than 256 kB", 1),
        ("bomb", "larger than 256 kB", 1),
        ("nan", "NaN", 1),
        ("nulls", "every figure in it is missing", 1),
        ("units", "'°F', not in '°C'", 1),
        ("out_of_range", "99, outside -40 to 55 degC", 1),
        ("old_days", "begin with 2012-07-04 instead of 2012-07-07", 1),
        ("wrong_zone", "time zone is not America/Los_Angeles", 1),
        ("wrong_place", "latitude is not the garden's", 1),
        ("missing_key", "has no 'temperature_2m_min'", 1),
        ("duplicate_key", "'elevation' twice", 1),
        ("deep", "nested deeper than 16", 1),
        ("redirect_elsewhere", "is not https", 1),
        ("redirect_loop", "redirects more than 2 times", 3),
        ("portal", "text/html, not JSON", 1),
        ("bad_request", "status 400.*Latitude must be in range", 1),
        ("too_many", "too many calls: Minutely API request limit exceeded", 1),
        ("truncated", "not JSON", 1),
        ("server_error", "status 500", MAX_ATTEMPTS),
    ],
)
def test_a_hostile_answer_ends_in_plain_words(
    practice: PracticeWeather, fault: Fault, told: str, calls: int
) -> None:
    practice.fault = fault
    with pytest.raises(WeatherUnavailable, match=told):
        fetch(service(practice))
    assert practice.calls == calls
    practice.fault = None
    assert len(fetch(service(practice)).days) == 10


@pytest.mark.parametrize("fault", ["drip", "drip_headers", "hang"])
def test_nothing_holds_a_call_past_its_deadline(practice: PracticeWeather, fault: Fault) -> None:
    practice.fault = fault
    practice.drip_s = 0.05  # so fast that no single read is ever late
    begun = time.monotonic()
    with pytest.raises(WeatherUnavailable, match=r"did not finish within 0\.4 s"):
        fetch(service(practice, total_s=SHORT_S))
    # Three attempts of 0.4 s each, and slack for a busy machine; the dripped body would take minutes.
    assert time.monotonic() - begun < MAX_ATTEMPTS * SHORT_S + 1.0


def test_hanging_calls_do_not_pile_up(practice: PracticeWeather) -> None:
    practice.fault = "drip_headers"
    practice.drip_s = 0.05
    meteo = service(practice, total_s=0.2)
    with pytest.raises(WeatherUnavailable, match="did not finish"):
        fetch(meteo)
    with pytest.raises(WeatherUnavailable, match="still hang"):
        fetch(meteo)


def test_a_redirect_on_the_same_server_is_followed(practice: PracticeWeather) -> None:
    practice.fault = "redirect_same"
    assert len(fetch(service(practice)).days) == 10
    assert practice.calls == 2


def test_nobody_listening_is_told_after_retries() -> None:
    with PracticeWeather((), lambda: TODAY) as gone:
        address = gone.base_url
    waits = Waits()
    meteo = OpenMeteo(Random(7), base_url=address, sleep=waits)
    with pytest.raises(WeatherUnavailable, match="cannot be reached"):
        fetch(meteo)
    assert len(waits) == MAX_ATTEMPTS - 1


def test_plain_http_is_for_the_own_machine_only() -> None:
    with pytest.raises(WeatherUnavailable, match="not https"):
        fetch(OpenMeteo(Random(7), base_url="http://weather.example", sleep=Waits()))


def test_a_server_that_recovers_is_heard_at_the_second_attempt(practice: PracticeWeather) -> None:
    practice.fault = "server_error"

    def recover(_: float) -> None:
        practice.fault = None

    meteo = OpenMeteo(Random(7), base_url=practice.base_url, sleep=recover)
    assert len(fetch(meteo).days) == 10
    assert practice.calls == 2


def test_at_most_24_calls_a_day(practice: PracticeWeather) -> None:
    meteo = service(practice)
    for n in range(24):
        fetch(meteo, now=NOW + timedelta(minutes=n))
    with pytest.raises(WeatherUnavailable, match="24 times"):
        fetch(meteo, now=NOW + timedelta(hours=23))
    assert practice.calls == 24
    fetch(meteo, now=NOW + timedelta(days=1, minutes=1))


def test_after_too_many_calls_the_service_is_left_alone_for_an_hour(practice: PracticeWeather) -> None:
    practice.fault = "too_many"
    meteo = service(practice)
    with pytest.raises(WeatherUnavailable, match="too many"):
        fetch(meteo)
    practice.fault = None
    with pytest.raises(WeatherUnavailable, match="left alone"):
        fetch(meteo, now=NOW + timedelta(minutes=59))
    assert practice.calls == 1
    fetch(meteo, now=NOW + timedelta(minutes=61))


def test_waits_double_with_jitter_up_to_a_cap() -> None:
    random = Random(1)
    waits = [[wait_s(n, random) for _ in range(200)] for n in (1, 2, 3)]
    for n, drawn in enumerate(waits):
        assert 1.0 * 2**n <= min(drawn) < max(drawn) <= 3.0 * 2**n
        assert max(drawn) - min(drawn) > 1.0 * 2**n
    assert wait_s(500, random) == 3600.0
    assert wait_s(3, Random(5)) == wait_s(3, Random(5))


@pytest.mark.parametrize("fault", [None, "true_hours"])
@pytest.mark.parametrize(
    ("changes", "hours"),
    [(date(2012, 3, 11), 23), (date(2012, 11, 4), 25)],  # US DST days of 2012
)
def test_days_on_which_clocks_change_are_read(fault: Fault | None, changes: date, hours: int) -> None:
    days = [DayWeather(changes + timedelta(days=n), 5.0, 15.0, 0.0, wind_ms=2.0 + n) for n in range(-1, 2)]
    with PracticeWeather(days, lambda: changes) as practice:
        practice.fault = fault
        served = practice.answer(
            {
                "latitude": "0",
                "longitude": "0",
                "timezone": PLACE.timezone.key,
                "wind_speed_unit": "ms",
                "hourly": "wind_speed_10m",
                "forecast_days": "1",
            }
        )["hourly"]
        assert isinstance(served, dict) and len(served["time"]) == (hours if fault else 24)
        outlook = service(practice).fetch(PLACE, today=changes, past_days=1, days=2, now=NOW)
    assert [d.wind_ms for d in outlook.days] == [pytest.approx(1.0), pytest.approx(2.0), pytest.approx(3.0)]


def test_a_refused_certificate_is_told_with_the_clock_as_a_cause() -> None:
    import requests

    from scheduler.weather.bounded_get import CertificateRefused, _explained

    error = _explained(requests.exceptions.SSLError("certificate has expired"), 10.0)
    assert isinstance(error, CertificateRefused) and not error.transient
    assert "clock" in str(error)
