from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from scheduler.agronomy.weather import DayWeather, Outlook
from scheduler.site.errors import WeatherUnavailable
from scheduler.site.model import GardenPlace
from scheduler.weather.cache import FILE_NAME, CachedWeather

PLACE = GardenPlace(50.0, 8.0, 100.0, ZoneInfo("Europe/Berlin"))
TODAY = date(2031, 6, 10)
NOW = datetime(2031, 6, 10, 10, tzinfo=UTC)


class Fake:
    """A service that answers or fails as told."""

    name = "fake"

    def __init__(self) -> None:
        self.broken = False
        self.calls = 0

    def fetch(self, place: GardenPlace, *, today: date, past_days: int, days: int, now: datetime) -> Outlook:
        self.calls += 1
        if self.broken:
            raise WeatherUnavailable("the fake is broken")
        span = range(-past_days, days)
        return Outlook(
            tuple(DayWeather(today + timedelta(days=n), rain_mm=float(self.calls)) for n in span), "fake", now
        )


def fetch(cached: CachedWeather, day: int = 0, past_days: int = 1, hours: float = 0) -> Outlook:
    shift = timedelta(days=day)
    return cached.fetch(
        PLACE, today=TODAY + shift, past_days=past_days, days=3, now=NOW + shift + timedelta(hours=hours)
    )


def test_a_failing_service_leaves_the_last_good_outlook_under_its_true_age(tmp_path: Path) -> None:
    said: list[str] = []
    fake = Fake()
    cached = CachedWeather(fake, tmp_path, say=said.append)
    first = fetch(cached)
    fake.broken = True
    assert fetch(cached, hours=30) == first and first.fetched_at == NOW
    assert said == ["the fake is broken; using the outlook of 2031-06-10 10:00 UTC"]


def test_a_restart_finds_what_was_kept(tmp_path: Path) -> None:
    fake = Fake()
    first = fetch(CachedWeather(fake, tmp_path / "made"))
    fake.broken = True
    assert fetch(CachedWeather(fake, tmp_path / "made")) == first


def test_with_nothing_kept_a_failing_service_is_told(tmp_path: Path) -> None:
    fake = Fake()
    fake.broken = True
    with pytest.raises(WeatherUnavailable, match="the fake is broken"):
        fetch(CachedWeather(fake, tmp_path))


@pytest.mark.parametrize(
    "content",
    [
        b"",
        b'{"days": [',
        b"\x00" * 4096,
        b'{"days":[{"day":"2031-06-02"},{"day":"2031-06-01"}],"source":"fake","fetched_at":"2031-06-10T10:00:00Z"}',
        b'{"days":[],"source":"fake","fetched_at":"2031-06-10T10:00:00"}',
        b" " * 1_000_001,
    ],
    ids=["empty", "cut", "zeros", "disorder", "no zone", "large"],
)
def test_a_damaged_file_is_set_aside_and_said(tmp_path: Path, content: bytes) -> None:
    (tmp_path / FILE_NAME).write_bytes(content)
    said: list[str] = []
    cached = CachedWeather(Fake(), tmp_path, say=said.append)
    assert cached.last_good is None and len(said) == 1 and "set aside" in said[0]
    assert [p.read_bytes() for p in tmp_path.glob("*.damaged")] == [content]
    assert fetch(cached).days and (tmp_path / FILE_NAME).exists()


def test_a_half_written_draft_never_stands_for_the_real_file(tmp_path: Path) -> None:
    fake = Fake()
    first = fetch(CachedWeather(fake, tmp_path))
    (tmp_path / FILE_NAME).with_suffix(".draft").write_bytes(b'{"days": [')
    assert CachedWeather(fake, tmp_path).last_good == first


def test_a_full_or_read_only_disk_costs_only_the_copy(tmp_path: Path) -> None:
    (tmp_path / "taken").write_text("a file where the folder should be")
    said: list[str] = []
    cached = CachedWeather(Fake(), tmp_path / "taken", say=said.append)
    assert len(fetch(cached).days) == 4
    assert any("check the disk" in s for s in said)


def test_while_fresh_nobody_is_asked_also_after_a_restart(tmp_path: Path) -> None:
    fake = Fake()
    fetch(CachedWeather(fake, tmp_path, fresh_for=timedelta(hours=6)))
    again = CachedWeather(fake, tmp_path, fresh_for=timedelta(hours=6))
    fetch(again, hours=5.9)
    assert fake.calls == 1
    fetch(again, hours=6.1)
    assert fake.calls == 2


def test_a_stamp_from_the_future_is_not_fresh(tmp_path: Path) -> None:
    fake = Fake()
    cached = CachedWeather(fake, tmp_path, fresh_for=timedelta(hours=6))
    fetch(cached, hours=3)
    fetch(cached, hours=0)
    assert fake.calls == 2


def test_past_days_are_kept_but_an_old_forecast_never_becomes_the_past(tmp_path: Path) -> None:
    fake = Fake()
    cached = CachedWeather(fake, tmp_path)
    fetch(cached, past_days=2)  # 8 and 9 June are over, 10 to 12 June are forecast
    later = fetch(cached, day=5, past_days=1)  # reaches back to 14 June
    assert [d.day.day for d in later.days] == [8, 9, 14, 15, 16, 17]
    assert later.on(date(2031, 6, 8)) == DayWeather(date(2031, 6, 8), rain_mm=1.0)
    assert later.fetched_at == NOW + timedelta(days=5)


def test_another_services_leavings_are_not_used(tmp_path: Path) -> None:
    fetch(CachedWeather(Fake(), tmp_path))
    other = Fake()
    other.name = "other"
    assert CachedWeather(other, tmp_path).last_good is None
