"""Ways out of an outlook: an ensemble's members as they are, an aged forecast as wide as it says."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta

import numpy as np
import pytest

from scheduler.agronomy.et0 import reference_et
from scheduler.agronomy.past_week import STORED_YEARS
from scheduler.agronomy.weather import Borrowed, DayWeather, Ensemble, Et0Estimate, Outlook
from scheduler.planning.ahead import look_ahead
from scheduler.planning.forecast_ways import forecast_ways
from scheduler.planning.garden import garden_model
from scheduler.planning.outlook_ways import outlook_ways
from scheduler.site.examples import example_site

SITE = example_site("five-drums")
PLACE = SITE.place
FIRST = date(2012, 7, 10)
NOW = datetime(2012, 7, 10, 19, tzinfo=UTC)
DAY = timedelta(days=1)


def plain(count: int = 5) -> tuple[DayWeather, ...]:
    return tuple(
        DayWeather(FIRST + n * DAY, 12.0, 24.0, 0.0, dewpoint_c=9.0, wind_ms=2.0, solar_mj_m2=20.0)
        for n in range(count)
    )


def ensemble(days: int = 8, first: date = FIRST) -> Ensemble:
    """Three members: cool and wet, middling, hot and dry."""

    def table(*values: float) -> tuple[tuple[float, ...], ...]:
        return tuple((v,) * days for v in values)

    return Ensemble(
        first, table(8.0, 1.0, 0.0), table(9.0, 12.0, 15.0), table(18.0, 24.0, 32.0), "members", NOW
    )


def test_a_plain_outlook_gives_the_ways_about_its_forecast() -> None:
    found = outlook_ways(Outlook(plain(), "s", NOW), FIRST, PLACE, 50)
    expected = forecast_ways(plain(), PLACE, 50)
    assert found is not None
    assert np.array_equal(found[0], expected[0]) and np.array_equal(found[1], expected[1])
    assert outlook_ways(Outlook((), "s", NOW), FIRST, PLACE, 50) is None
    assert outlook_ways(Outlook(plain(), "s", NOW), FIRST + 9 * DAY, PLACE, 50) is None


def test_members_stand_as_they_are_with_the_air_of_the_plain_forecast() -> None:
    outlook = Outlook(plain(), "s", NOW, ensemble=ensemble())
    found = outlook_ways(outlook, FIRST, PLACE, 7)
    assert found is not None
    et0, rain = found
    assert et0.shape == rain.shape == (7, 8)  # the members reach further than the plain forecast
    assert rain[:, 0].tolist() == [8.0, 1.0, 0.0, 8.0, 1.0, 0.0, 8.0]
    hot = replace(plain()[0], tmin_c=15.0, tmax_c=32.0, rain_mm=0.0)
    expected = reference_et(hot, PLACE)
    assert expected is not None and et0[2, 0] == expected.et0_mm == et0[5, 0]
    assert et0[0, 0] < et0[1, 0] < et0[2, 0]
    # Beyond the plain forecast from the member's own temperatures.
    alone = reference_et(DayWeather(FIRST + 6 * DAY, 15.0, 32.0), PLACE)
    assert alone is not None and et0[2, 6] == alone.et0_mm


def test_an_ensemble_of_yesterday_is_laid_onto_its_own_days() -> None:
    found = outlook_ways(Outlook(plain(), "s", NOW, ensemble=ensemble(4, FIRST - DAY)), FIRST, PLACE, 3)
    assert found is not None and found[1].shape == (3, 5)
    assert found[1][:, :3].tolist() == [[8.0] * 3, [1.0] * 3, [0.0] * 3]


def test_what_a_member_does_not_know_is_left_to_the_forecast_and_the_past() -> None:
    holes = replace(ensemble(), rain_mm=((None,) * 8, (1.0,) * 8, (0.0,) * 8))
    found = outlook_ways(Outlook(plain(), "s", NOW, ensemble=holes), FIRST, PLACE, 3)
    assert found is not None
    assert np.isfinite(found[1][0, :5]).all()  # the plain forecast's own ways
    assert np.isnan(found[1][0, 5:]).all() and np.isfinite(found[1][1:]).all()


def test_an_aged_days_ways_are_as_wide_as_its_interval_says() -> None:
    estimate = Et0Estimate(FIRST, 5.0, 3.0, 25.0 / 3.0, "old forecast")
    found = outlook_ways(Outlook(plain(), "s", NOW, et0=(estimate,)), FIRST, PLACE, 2000)
    assert found is not None
    low, middle, high = np.quantile(found[0][:, 0], (0.1, 0.5, 0.9))
    # 2000 draws: a quantile of 10 % is known to about 3 % of the logarithm's span.
    assert middle == pytest.approx(5.0, rel=0.03)
    assert low == pytest.approx(3.0, rel=0.05) and high == pytest.approx(25.0 / 3.0, rel=0.05)


def test_days_of_stored_years_are_left_to_the_place_past_as_a_whole() -> None:
    mark = Borrowed(STORED_YEARS, NOW, ((FIRST + 4 * DAY, "tmin_c"), (FIRST + 4 * DAY, "tmax_c")))
    found = outlook_ways(Outlook(plain(), "s", NOW, borrowed=(mark,)), FIRST, PLACE, 5)
    assert found is not None
    assert np.isfinite(found[0][:, :4]).all() and np.isnan(found[0][:, 4]).all()


def test_the_weeks_ahead_follow_the_members() -> None:
    """Ten dry members against ten wet ones: the roof fills the barrels in the wet ones only."""
    model = garden_model(SITE)
    days = 14
    dry, wet = ((0.0,) * days,) * 10, ((8.0,) * days,) * 10
    cool, warm = ((12.0,) * days,) * 20, ((24.0,) * days,) * 20
    members = Ensemble(FIRST, dry + wet, cool, warm, "members", NOW)
    common = {"level_m": 0.3, "depletion_mm": {}, "first": FIRST, "horizon_days": days, "members": 20}
    found = look_ahead(model, forecast=Outlook(plain(9), "s", NOW, ensemble=members), **common)  # type: ignore[arg-type]
    assert found is not None and SITE.roof is not None
    caught = found.ways.caught_l.sum(axis=1)
    assert (caught[:10] == 0.0).all() and (caught[10:] > 0.0).all()
