"""The awkward but rightful answers of each service, one by one, in its documented structure; and what the
chain then uses. Hostile ones stand in ``test_open_meteo`` and ``test_other_services``."""

from __future__ import annotations

import copy
from collections.abc import Callable
from datetime import UTC, date, datetime, timedelta
from random import Random
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from scheduler.agronomy.weather import DayWeather
from scheduler.site.errors import WeatherUnavailable
from scheduler.site.model import GardenPlace
from scheduler.weather import met_norway_reply, open_meteo_reply, us_weather_reply
from scheduler.weather.chain import ChainedWeather
from scheduler.weather.day_parts import days_of_parts
from scheduler.weather.met_norway import MetNorway
from scheduler.weather.open_meteo import OpenMeteo
from scheduler.weather.open_meteo_ensemble import read_members
from scheduler.weather.open_meteo_reply import Asked, days_of_reply
from scheduler.weather.practice_others import ensemble, met_norway, us_grid
from scheduler.weather.practice_reply import reply
from scheduler.weather.practice_server import Fault, PracticeWeather
from scheduler.weather.us_weather import UsWeather

ZONE = ZoneInfo("America/Los_Angeles")
PLACE = GardenPlace(47.6062, -122.3321, 40.0, ZONE)
TODAY = date(2012, 7, 10)
NOW = datetime(2012, 7, 10, 19, tzinfo=UTC)  # noon in the garden
DAY = timedelta(days=1)
DAYS = tuple(DayWeather(TODAY + n * DAY, 12.0, 24.0, float(n + 1)) for n in range(-1, 13))
CONTACT = "garden@example.org"


# --- Open-Meteo --------------------------------------------------------------------------------------------


def open_meteo(change: Callable[[dict[str, Any]], object] = lambda _: None, days: int = 5):  # type: ignore[no-untyped-def]
    body = copy.deepcopy(
        reply(
            DAYS, today=TODAY, past_days=0, forecast_days=days, latitude=47.61, longitude=-122.33, zone=ZONE,
            daily=list(open_meteo_reply.DAILY), hourly=list(open_meteo_reply.HOURLY), true_hours=False,
        )
    )  # fmt: skip
    change(body)
    return days_of_reply(body, Asked(PLACE, TODAY, days))


def test_open_meteo_a_hole_in_one_days_figure_is_unknown_there_alone() -> None:
    def hole(body: dict[str, Any]) -> None:
        body["daily"]["precipitation_sum"][2] = None
        body["hourly"]["wind_speed_10m"][5] = None

    days = open_meteo(hole)
    assert [d.rain_mm for d in days] == [1.0, 2.0, None, 4.0, 5.0]
    assert days[2].tmin_c == 12.0


def test_open_meteo_todays_rain_is_the_whole_days_with_what_fell_already() -> None:
    # The series starts at local midnight, so the day's sum at noon is that of all its hours.
    assert open_meteo()[0].rain_mm == DAYS[1].rain_mm


def test_open_meteo_hourly_rain_of_the_hour_before_is_not_asked_for_at_all() -> None:
    """Its 00:00 value is last night's last hour; the day's own sum leaves no such slip."""
    assert not {"precipitation", "shortwave_radiation", "rain"} & set(open_meteo_reply.HOURLY)


def test_open_meteo_the_place_that_comes_back_is_the_grid_cells() -> None:
    def cell(body: dict[str, Any]) -> None:
        body["latitude"], body["longitude"], body["elevation"] = 47.5995, -122.3399, 52.0

    assert open_meteo(cell)[0].tmax_c == 24.0


def test_open_meteo_keys_that_nobody_asked_for_do_no_harm() -> None:
    def more(body: dict[str, Any]) -> None:
        body["daily"]["uv_index_max"], body["daily_units"]["uv_index_max"] = [3.0] * 5, ""
        body["generationtime_ms"] = 0.2

    assert open_meteo(more)[0].tmin_c == 12.0


# --- the ensemble ------------------------------------------------------------------------------------------


def members(change: Callable[[dict[str, Any]], object], model: str = "ecmwf_ifs025_ensemble"):  # type: ignore[no-untyped-def]
    body = reply(
        DAYS, today=TODAY, past_days=0, forecast_days=5, latitude=47.61, longitude=-122.33, zone=ZONE,
        daily=["temperature_2m_min", "temperature_2m_max", "precipitation_sum", "shortwave_radiation_sum"],
        hourly=[], true_hours=False,
    )  # fmt: skip
    found = copy.deepcopy(ensemble(body))
    change(found)
    return read_members(found, Asked(PLACE, TODAY, 5), model)


def test_ensemble_a_member_that_ends_early_is_unknown_from_there_on() -> None:
    def ends(body: dict[str, Any]) -> None:
        for name in ("precipitation_sum", "temperature_2m_min", "temperature_2m_max"):
            body["daily"][f"{name}_member01"][3:] = [None, None]

    rain = members(ends)["precipitation_sum"]
    assert rain[1] == (2.0, 3.0, 4.0, None, None) and rain[0][4] == 5.0


def test_ensemble_without_radiation_still_gives_its_members() -> None:
    def dark(body: dict[str, Any]) -> None:
        for key in [k for k in body["daily"] if k.startswith("shortwave")]:
            del body["daily"][key], body["daily_units"][key]

    found = members(dark)
    assert len(found["precipitation_sum"]) == 3
    assert {v for row in found["shortwave_radiation_sum"] for v in row} == {None}


# --- MET Norway --------------------------------------------------------------------------------------------


def met(change: Callable[[dict[str, Any]], object] = lambda _: None, days: int = 8):  # type: ignore[no-untyped-def]
    body: dict[str, Any] = copy.deepcopy(met_norway(DAYS, NOW, latitude=47.61, longitude=-122.33, zone=ZONE))
    change(body)
    told = met_norway_reply.read_reply(body, PLACE)
    return days_of_parts(told.parts, PLACE, TODAY, days)


def test_met_norway_chance_of_rain_and_extremes_absent_in_many_regions_are_unknown() -> None:
    days = met()
    assert all(d.rain_probability is None for d in days)
    assert days[1].tmin_c == pytest.approx(12.0)  # from the hours themselves


def test_met_norway_a_summary_without_details_is_nothing_and_no_error() -> None:
    def bare(body: dict[str, Any]) -> None:
        for entry in body["properties"]["timeseries"]:
            entry["data"].setdefault("next_12_hours", {"summary": {"symbol_code": "fog"}})
            entry["data"]["next_12_hours"]["details"] = {}

    assert [d.rain_mm for d in met(bare)] == [d.rain_mm for d in met()]


def test_met_norway_six_hour_steps_only_still_give_whole_days() -> None:
    def no_hours(body: dict[str, Any]) -> None:
        for entry in body["properties"]["timeseries"]:
            entry["data"].pop("next_1_hours", None)

    rain = met(no_hours)[2].rain_mm
    # Steps of six hours that begin on any hour overlap: the ones that follow each other cover the day.
    assert rain == pytest.approx(3.0, abs=0.26)


def test_met_norway_all_times_are_utc_and_the_days_are_the_gardens() -> None:
    # 3 mm fall evenly over the local day: shifted by seven hours, a quarter more or less would be another
    # day's. The whole day's sum is the local one.
    assert met()[1].rain_mm == pytest.approx(2.0, abs=0.02)


def test_met_norway_an_html_page_of_an_error_is_not_quoted() -> None:
    with PracticeWeather(list(DAYS), lambda: TODAY) as server:
        server.fault = "outside"
        with pytest.raises(WeatherUnavailable) as caught:
            MetNorway(Random(1), CONTACT, base_url=server.base_url, sleep=lambda _: None).fetch(
                PLACE, today=TODAY, past_days=0, days=5, now=NOW
            )
    assert "html" not in str(caught.value).lower() and "does not cover this place" in str(caught.value)


# --- the US service ----------------------------------------------------------------------------------------


def us(change: Callable[[dict[str, Any]], object], days: int = 6):  # type: ignore[no-untyped-def]
    body: dict[str, Any] = copy.deepcopy(us_grid(DAYS, NOW, ZONE))
    change(body["properties"])
    return days_of_parts(us_weather_reply.read_grid(body).parts, PLACE, TODAY, days)


def test_us_one_merged_entry_over_days_is_a_state_on_each_and_a_sum_spread_over_them() -> None:
    def merged(layers: dict[str, Any]) -> None:
        at = "2012-07-11T07:00:00+00:00"  # local midnight
        layers["quantitativePrecipitation"]["values"] = [{"validTime": f"{at}/P2DT12H", "value": 25.0}]
        layers["relativeHumidity"]["values"] = [{"validTime": f"{at}/P7D", "value": 55}]

    days = us(merged)
    # 25 mm in 60 h: 10 mm a day; the half day at its end says nothing of a whole one.
    assert [d.rain_mm for d in days[1:4]] == [pytest.approx(10.0), pytest.approx(10.0), None]
    assert [d.rh_mean_pct for d in days[1:6]] == [pytest.approx(55.0)] * 5


@pytest.mark.parametrize("lasts", ["PT1H", "PT19H", "P1D", "P1DT12H", "P2DT18H", "P7D"])
def test_us_every_length_seen_in_stored_samples_is_read(lasts: str) -> None:
    def one(layers: dict[str, Any]) -> None:
        layers["skyCover"]["values"] = [{"validTime": f"2012-07-10T07:00:00+00:00/{lasts}", "value": 50}]

    assert us(one)[1].tmin_c == pytest.approx(12.0)


def test_us_a_window_belongs_to_the_local_day_of_its_middle() -> None:
    def night(layers: dict[str, Any]) -> None:
        # From 19 h of the 11th to 9 h of the 12th, local: the low of the 12th.
        layers["minTemperature"]["values"] = [{"validTime": "2012-07-12T02:00:00+00:00/PT14H", "value": 3.0}]

    days = us(night)
    assert [d.tmin_c for d in days[:4]] == [None, None, 3.0, None]


def test_us_a_null_value_is_unknown_and_never_nothing() -> None:
    def null(layers: dict[str, Any]) -> None:
        layers["quantitativePrecipitation"]["values"][1]["value"] = None
        layers["maxTemperature"]["values"][2]["value"] = None

    days = us(null)
    assert (days[0].rain_mm, days[1].rain_mm, days[2].rain_mm) == (
        pytest.approx(1.0),
        None,
        pytest.approx(3.0),
    )
    assert days[2].tmax_c is None and days[3].tmax_c == pytest.approx(24.0)


def test_us_a_first_entry_that_is_partly_past_leaves_today_open() -> None:
    def begun(layers: dict[str, Any]) -> None:
        layers["quantitativePrecipitation"]["values"][0]["validTime"] = "2012-07-10T18:00:00+00:00/PT13H"

    assert us(begun)[0].rain_mm is None and us(begun)[1].rain_mm == pytest.approx(2.0)


def test_us_a_layer_that_is_empty_or_absent_is_unknown() -> None:
    def without(layers: dict[str, Any]) -> None:
        layers["quantitativePrecipitation"] = {}
        del layers["skyCover"]
        layers["windSpeed"] = {"uom": None, "values": []}

    day = us(without)[1]
    assert day.rain_mm is None and day.solar_mj_m2 is None and day.wind_ms is None
    assert day.tmin_c == pytest.approx(12.0)


def test_us_the_first_call_for_a_cell_may_fail_and_is_tried_again() -> None:
    waited: list[float] = []
    with PracticeWeather(list(DAYS), lambda: TODAY) as server:
        server.fault = "server_error"

        def pause(seconds: float) -> None:
            waited.append(seconds)
            server.fault = None

        service = UsWeather(Random(1), CONTACT, base_url=server.base_url, sleep=pause)
        outlook = service.fetch(PLACE, today=TODAY, past_days=0, days=5, now=NOW)
        assert server.calls == 3  # failed, then the point and its cell
        assert server.last_query == {}  # an unknown parameter would be refused
    assert len(waited) == 1 and outlook.on(TODAY + DAY) is not None


def test_us_a_cell_that_is_gone_is_looked_up_afresh() -> None:
    with PracticeWeather(list(DAYS), lambda: TODAY) as server:
        service = UsWeather(Random(1), CONTACT, base_url=server.base_url, sleep=lambda _: None)
        service.fetch(PLACE, today=TODAY, past_days=0, days=5, now=NOW)
        server.fault = "bad_request"
        with pytest.raises(WeatherUnavailable):
            service.fetch(PLACE, today=TODAY, past_days=0, days=5, now=NOW + timedelta(hours=6))
        server.fault = None
        before = server.calls
        service.fetch(PLACE, today=TODAY, past_days=0, days=5, now=NOW + timedelta(hours=7))
        assert server.calls == before + 2  # the point again, then its cell


# --- and what the chain then uses --------------------------------------------------------------------------

Use = tuple[str | None, str | None]  # source of tomorrow's temperatures, and of the rain five days ahead


@pytest.mark.parametrize(
    ("fault", "order", "used"),
    [
        (None, "open-meteo", ("open-meteo", "open-meteo")),
        (None, "met-norway", ("met-norway", "met-norway")),
        (None, "us-weather", ("us-weather", "us-weather")),
        ("deprecated", "met-norway", ("met-norway", "met-norway")),
        ("short_rain", "us-weather", ("us-weather", "open-meteo")),  # the amount ends after three days
        ("old_issue", "met-norway", ("open-meteo", "open-meteo")),  # no longer renewed
        ("old_days", "open-meteo", ("met-norway", "met-norway")),
        ("wrong_zone", "open-meteo", ("met-norway", "met-norway")),
        ("wrong_place", "open-meteo", ("met-norway", "met-norway")),
        ("missing_key", "open-meteo", ("met-norway", "met-norway")),
        ("other_server", "us-weather", ("open-meteo", "open-meteo")),
        ("outside", "met-norway", ("open-meteo", "open-meteo")),
        ("list", "open-meteo", (None, None)),
        ("too_many", "us-weather", (None, None)),
        ("truncated", "met-norway", (None, None)),
    ],
)  # fmt: skip
def test_what_the_chain_then_uses(fault: Fault | None, order: str, used: Use) -> None:
    with PracticeWeather(list(DAYS), lambda: TODAY) as server:
        server.fault = fault
        common: dict[str, Any] = {"base_url": server.base_url, "sleep": lambda _: None}
        services = {
            "open-meteo": OpenMeteo(Random(1), **common),
            "met-norway": MetNorway(Random(2), CONTACT, **common),
            "us-weather": UsWeather(Random(3), CONTACT, **common),
        }
        first = services.pop(order)
        chain = ChainedWeather([first, *services.values()])
        if used == (None, None):
            with pytest.raises(WeatherUnavailable) as caught:
                chain.fetch(PLACE, today=TODAY, past_days=0, days=6, now=NOW)
            assert all(name in str(caught.value) for name in ("open-meteo", "met-norway", "us-weather"))
            return
        outlook = chain.fetch(PLACE, today=TODAY, past_days=0, days=6, now=NOW)
    assert outlook.origin(TODAY + DAY, "tmin_c")[0] == used[0]
    day = TODAY + 5 * DAY
    assert outlook.origin(day, "rain_mm")[0] == used[1]
    rain = next(d.rain_mm for d in outlook.days if d.day == day)
    assert rain == pytest.approx(6.0, abs=0.3)
