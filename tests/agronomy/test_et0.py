"""Reference evapotranspiration against FAO-56 (1998), a measured season and an independent point."""

from __future__ import annotations

import csv
import dataclasses
from datetime import date, timedelta
from math import inf, isfinite, nan
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from scheduler.agronomy import air, radiation
from scheduler.agronomy.et0 import hargreaves, hargreaves_mm, penman_monteith_mm, reference_et
from scheduler.agronomy.weather import DayWeather
from scheduler.site.model import GardenPlace

SEASON = Path(__file__).parent.parent / "reference" / "maricopa_2022_daily_eto.csv"
MARICOPA = GardenPlace(33.069, -111.97, 361.0, ZoneInfo("America/Phoenix"))
UCCLE = GardenPlace(50.8, 4.35, 100.0, ZoneInfo("Europe/Brussels"))
LYON = GardenPlace(45.72, 4.85, 200.0, ZoneInfo("Europe/Paris"))
JULY_15 = date(2015, 7, 15)  # J 196


def test_bangkok_in_april_is_that_of_example_17():
    ra, possible = radiation.extraterrestrial(13 + 44 / 60, 105), radiation.daylight_h(13 + 44 / 60, 105)
    rs, rso = radiation.solar_from_sunshine(8.5, possible, ra), radiation.clear_sky(ra, 2.0)
    assert (ra, possible) == (pytest.approx(38.0577, rel=1e-5), pytest.approx(12.3126, rel=1e-5))
    assert (rs, rso) == (pytest.approx(22.6510, rel=1e-5), pytest.approx(28.5448, rel=1e-5))
    loss = radiation.net_longwave(25.6, 34.8, 2.85, radiation.clearness(rs, rso))
    net = radiation.net_shortwave(rs) - loss
    assert net == pytest.approx(14.3327, rel=2e-4)  # printed 14.33
    et0 = penman_monteith_mm(
        tmean_c=30.2,
        net_radiation=net,
        wind_2m_ms=2.0,
        deficit_kpa=air.mean_saturation_kpa(25.6, 34.8) - 2.85,
        gamma=air.psychrometric_constant(air.pressure_kpa(2.0)),
        soil_heat=0.14 * (30.2 - 29.2),
    )
    assert et0 == pytest.approx(5.72, abs=0.005)  # as printed
    assert et0 == pytest.approx(5.7161, rel=2e-4)


def uccle_day() -> DayWeather:
    """Example 18's day. Rs comes from its 9.25 h of sun by Eq 35, which a DayWeather does not carry."""
    ra, possible = radiation.extraterrestrial(50.8, 187), radiation.daylight_h(50.8, 187)
    return DayWeather(
        date(2015, 7, 6),
        tmin_c=12.3,
        tmax_c=21.5,
        rh_min_pct=63.0,
        rh_max_pct=84.0,
        wind_ms=10 / 3.6,
        wind_height_m=10.0,
        solar_mj_m2=radiation.solar_from_sunshine(9.25, possible, ra),
    )


def test_uccle_on_6_july_is_that_of_example_18():
    day = uccle_day()
    assert day.solar_mj_m2 == pytest.approx(22.07205, rel=1e-6)
    found = reference_et(day, UCCLE)
    assert found is not None
    assert round(found.et0_mm, 2) == 3.88
    assert found.et0_mm == pytest.approx(3.880259, rel=2e-4)
    assert found.filled == ()
    assert found.method == "FAO-56 Penman-Monteith"


def test_lyon_with_temperatures_alone_is_that_of_example_20():
    found = reference_et(DayWeather(JULY_15, tmin_c=14.8, tmax_c=26.6), LYON)
    assert found is not None
    assert round(found.et0_mm, 2) == 4.56
    assert found.filled == ("humidity", "solar", "wind")
    assert "Tmin" in found.method and "temperature range" in found.method and "2 m/s" in found.method


@pytest.mark.parametrize(("wind_ms", "printed", "exact"), [(1.0, 4.2, 4.228), (3.0, 4.8, 4.841)])
def test_lyon_with_other_winds_is_that_of_example_20(wind_ms: float, printed: float, exact: float):
    day = DayWeather(JULY_15, tmin_c=14.8, tmax_c=26.6, wind_ms=wind_ms, wind_height_m=2.0)
    found = reference_et(day, LYON)
    assert found is not None
    assert round(found.et0_mm, 1) == printed
    assert found.et0_mm == pytest.approx(exact, rel=3e-4)


def test_hargreaves_in_lyon_is_that_of_example_20():
    assert hargreaves_mm(14.8, 26.6, radiation.extraterrestrial(45.72, 196)) == pytest.approx(
        5.0330, rel=1e-4
    )
    found = hargreaves(DayWeather(JULY_15, tmin_c=14.8, tmax_c=26.6), LYON)
    assert found is not None
    assert round(found.et0_mm, 1) == 5.0
    assert "Hargreaves" in found.method


def maricopa() -> list[tuple[DayWeather, float]]:
    with SEASON.open(encoding="utf-8") as lines:
        return [(maricopa_day(row), float(row["eto_short_mm"])) for row in csv.DictReader(lines)]


def maricopa_day(row: dict[str, str]) -> DayWeather:
    return DayWeather(
        date.fromisoformat(row["date"]),
        tmin_c=float(row["tmin_c"]),
        tmax_c=float(row["tmax_c"]),
        rain_mm=float(row["rain_mm"]),
        dewpoint_c=float(row["tdew_c"]),
        wind_ms=float(row["wind_3m_m_s"]),
        wind_height_m=3.0,
        solar_mj_m2=float(row["rs_mj_m2_d"]),
    )


def test_every_day_of_the_maricopa_season_is_right_to_the_stored_rounding():
    # The stored values were made by the ASCE equation, which has no floor under the wind.
    days = maricopa()
    found = [reference_et(day, MARICOPA, wind_min_ms=0.0) for day, _ in days]
    misses = [abs(f.et0_mm - stored) for f, (_, stored) in zip(found, days, strict=True) if f]
    assert len(misses) == 194
    assert max(misses) <= 0.005
    # The file's own sum is 1349.15 mm.
    assert sum(f.et0_mm for f in found if f) == pytest.approx(1349.15, abs=0.15)


def test_the_floor_under_the_wind_raises_only_the_two_calm_days_of_the_season():
    # FAO-56 ch. 3 keeps u2 at 0.5 m/s or more. 0.5 and 0.4 m/s at 3 m are 0.46 and 0.37 m/s at 2 m.
    raised = []
    for day, _ in maricopa():
        with_floor, without = reference_et(day, MARICOPA), reference_et(day, MARICOPA, wind_min_ms=0.0)
        assert with_floor is not None and without is not None
        if with_floor != without:
            assert with_floor.et0_mm > without.et0_mm
            raised.append(day.day)
    assert raised == [date(2022, 10, 13), date(2022, 10, 25)]


def test_fallon_is_within_one_percent_of_an_independent_package():
    # refet 0.4.2, tests/test_daily.py, Fallon, Nevada: 7.942232 mm/day; it has a more detailed Rso.
    ra = radiation.extraterrestrial(39.4575, 182)
    tmin, tmax = (66.65 - 32) / 1.8, (102.80 - 32) / 1.8
    rs = 674.07 * 0.041868
    loss = radiation.net_longwave(
        tmin, tmax, 1.22066742, radiation.clearness(rs, radiation.clear_sky(ra, 1208.5))
    )
    et0 = penman_monteith_mm(
        tmean_c=(tmin + tmax) / 2,
        net_radiation=radiation.net_shortwave(rs) - loss,
        wind_2m_ms=1.976112,
        deficit_kpa=air.mean_saturation_kpa(tmin, tmax) - 1.22066742,
        gamma=air.psychrometric_constant(air.pressure_kpa(1208.5)),
    )
    assert et0 == pytest.approx(7.942232, rel=0.01)


def test_humidity_is_taken_from_the_best_form_at_hand():
    # FAO-56 ch. 3: dew point before RHmax and RHmin, before RHmax alone, before RHmean.
    full = dataclasses.replace(uccle_day(), dewpoint_c=5.0, rh_mean_pct=10.0)
    dry = reference_et(full, UCCLE)
    by_range = reference_et(dataclasses.replace(full, dewpoint_c=None), UCCLE)
    by_max = reference_et(dataclasses.replace(full, dewpoint_c=None, rh_min_pct=None), UCCLE)
    by_mean = reference_et(
        dataclasses.replace(full, dewpoint_c=None, rh_min_pct=None, rh_max_pct=None), UCCLE
    )
    assert dry and by_range and by_max and by_mean
    assert by_range == reference_et(uccle_day(), UCCLE)
    assert [f.filled for f in (dry, by_range, by_max, by_mean)] == [()] * 4
    # e0(5) 0.87, Eq 17 1.41, Eq 18 1.20, Eq 19 0.20 kPa: the drier the air, the more it takes.
    assert by_mean.et0_mm > dry.et0_mm > by_max.et0_mm > by_range.et0_mm


def test_an_arid_place_takes_a_lower_dew_point():
    day = dataclasses.replace(uccle_day(), rh_min_pct=None, rh_max_pct=None)
    arid = reference_et(day, dataclasses.replace(UCCLE, arid=True))
    same = reference_et(dataclasses.replace(day, dewpoint_c=10.3), UCCLE)  # Tmin 12.3 less 2
    humid = reference_et(day, UCCLE)
    assert arid and same and humid
    assert arid.et0_mm == pytest.approx(same.et0_mm, rel=1e-12)
    assert arid.et0_mm > humid.et0_mm
    assert arid.filled == humid.filled == ("humidity",)
    assert "less 2 °C" in arid.method


def test_sun_guessed_from_temperature_is_never_more_than_a_clear_sky_gives():
    # Tmax - Tmin of 25 degC would give 0.19 x 5 = 0.95 Ra at the coast; Rso is 0.752 Ra.
    place = dataclasses.replace(UCCLE, coastal=True)
    day = DayWeather(JULY_15, tmin_c=5.0, tmax_c=30.0)
    clear = radiation.clear_sky(radiation.extraterrestrial(50.8, 196), 100.0)
    assert reference_et(day, place).et0_mm == pytest.approx(  # type: ignore[union-attr]
        reference_et(dataclasses.replace(day, solar_mj_m2=clear), place).et0_mm  # type: ignore[union-attr]
    )


def test_still_air_counts_as_half_a_metre_a_second():
    calm = dataclasses.replace(uccle_day(), wind_ms=0.0)
    light = dataclasses.replace(uccle_day(), wind_ms=0.5, wind_height_m=2.0)
    assert reference_et(calm, UCCLE) == reference_et(light, UCCLE)


@pytest.mark.parametrize("missing", ["tmin_c", "tmax_c"])
def test_there_is_no_substitute_for_temperature(missing: str):
    assert reference_et(dataclasses.replace(uccle_day(), **{missing: None}), UCCLE) is None
    assert hargreaves(dataclasses.replace(uccle_day(), **{missing: None}), UCCLE) is None


@pytest.mark.parametrize(
    ("field", "value", "says"),
    [
        ("tmax_c", 12.0, "lies under Tmin"),
        ("tmax_c", nan, "tmax_c is nan"),
        ("tmin_c", -inf, "tmin_c is -inf"),
        ("rh_max_pct", 101.0, "percentage"),
        ("rh_mean_pct", -1.0, "percentage"),
        ("wind_ms", -0.1, "negative"),
        ("solar_mj_m2", -5.0, "negative"),
        ("solar_mj_m2", 2207.0, "unit"),  # J/cm2 instead of MJ/m2
        ("dewpoint_c", nan, "dewpoint_c is nan"),
    ],
)
def test_an_impossible_input_is_refused_with_its_day_and_value(field: str, value: float, says: str):
    with pytest.raises(ValueError, match=says) as refused:
        reference_et(dataclasses.replace(uccle_day(), **{field: value}), UCCLE)
    assert "2015-07-06" in str(refused.value)


@given(
    day=st.integers(0, 365),
    latitude=st.floats(-75, 75),
    tmin=st.floats(-30, 30),
    span=st.floats(0, 25),
    wind=st.one_of(st.none(), st.floats(0, 20)),
    rh=st.one_of(st.none(), st.floats(0, 100)),
    coastal=st.booleans(),
)
def test_any_day_anywhere_has_a_finite_evaporation_not_below_nothing(
    day: int, latitude: float, tmin: float, span: float, wind: float | None, rh: float | None, coastal: bool
):
    place = GardenPlace(latitude, 0.0, 100.0, ZoneInfo("UTC"), coastal=coastal)
    weather = DayWeather(
        date(2015, 1, 1) + timedelta(days=day),
        tmin_c=tmin,
        tmax_c=tmin + span,
        wind_ms=wind,
        rh_mean_pct=rh,
    )
    found = reference_et(weather, place)
    assert found is not None
    assert isfinite(found.et0_mm)
    assert found.et0_mm >= 0.0
