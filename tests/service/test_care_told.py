"""Care that is due is told once a fortnight, and not while the garden is drained."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from pathlib import Path

from scheduler.agronomy.weather import DayWeather
from scheduler.control.effects import Alert, RecordChoice, RecordDay
from scheduler.service.care import tell_care
from scheduler.store.store import Store, Telling, store_url
from tests.support.gardens import small_garden

NOW = datetime(2012, 7, 20, 14, tzinfo=UTC)


def test_care_is_told_once_a_fortnight_with_what_and_since_when(tmp_path: Path) -> None:
    site, told = small_garden(), list[Alert]()
    with Store(store_url(tmp_path / "g.db"), site.id) as store:
        tell_care(site, store, NOW, told.append)
        assert told == []  # nothing is known of when this garden began
        store.write([RecordDay(DayWeather(date(2012, 7, 1), 13.0, 28.0), ())])
        tell_care(site, store, NOW - timedelta(days=6), told.append)
        assert told == []  # 13 days after its first day: the filter is due after 14
        tell_care(site, store, NOW, told.append)
        assert [a.text for a in told] == ["Small garden: filter cleaned (never told)."]
        assert not told[0].urgent
        store.save_telling(Telling("care_due", "", told[0].at, "Ann", "told", NOW))
        tell_care(site, store, NOW + timedelta(days=13), told.append)
        assert len(told) == 1
        tell_care(site, store, NOW + timedelta(days=15), told.append)
        assert len(told) == 2
        store.write([RecordChoice("winter", "2012-07-20/..", "Ann", NOW)])
        tell_care(site, store, NOW + timedelta(days=16), told.append)
        assert len(told) == 2
