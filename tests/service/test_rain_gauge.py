"""The garden's own rain gauge: from a message over MQTT to a day's rain, also over a restart."""

from __future__ import annotations

import time
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from scheduler.control.events import Event, RainMeasured
from scheduler.link.client import NodeLink
from scheduler.link.rain_gauge import rain_topic, read_tips
from scheduler.service.rain import MARK, GaugeDays
from scheduler.site.examples import example_text
from scheduler.site.model import RainGauge
from scheduler.site.reading import read_site_text
from scheduler.store.store import Store, store_url
from tests.support.broker import MosquittoProcess
from tests.support.gardens import small_garden

SITE = replace(small_garden(), rain_gauge=RainGauge(0.2))
ZONE = SITE.place.timezone
DAY = date(2012, 7, 20)
MIDNIGHT = datetime(2012, 7, 20, tzinfo=ZONE).astimezone(UTC)
HOUR = timedelta(hours=1)


class Posted(list[Event]):
    def __call__(self, event: Event) -> None:
        self.append(event)


def days(store: Store, posted: Posted) -> GaugeDays:
    assert SITE.rain_gauge is not None
    return GaugeDays(SITE.rain_gauge, SITE.place, posted, store)


@pytest.fixture(scope="module")
def opened(tmp_path_factory: pytest.TempPathFactory):  # type: ignore[no-untyped-def]
    folder: Path = tmp_path_factory.mktemp("gauge")
    with Store(store_url(folder / "garden.db"), SITE.id) as store:
        yield store


@pytest.fixture
def store(opened: Store) -> Store:
    opened.flush([], marks={MARK: "[]"})
    return opened


def test_a_day_that_the_counts_cover_is_told_once_when_it_is_over(store: Store) -> None:
    posted = Posted()
    gauge = days(store, posted)
    for n in range(31):  # a tip an hour from midnight on
        gauge.heard(100 + n, MIDNIGHT + n * HOUR)
    # 24 tips of 0.2 mm.
    assert posted == [RainMeasured(DAY, pytest.approx(4.8))]  # type: ignore[arg-type]


def test_a_restart_in_the_middle_of_a_day_loses_nothing(store: Store) -> None:
    posted = Posted()
    gauge = days(store, posted)
    for n in range(13):
        gauge.heard(n, MIDNIGHT + n * HOUR)
    again = days(store, posted)
    for n in range(13, 26):
        again.heard(n, MIDNIGHT + n * HOUR)
    assert [e.rain_mm for e in posted if isinstance(e, RainMeasured)] == [pytest.approx(4.8)]


def test_a_gauge_silent_for_long_leaves_the_day_unknown(store: Store) -> None:
    posted = Posted()
    gauge = days(store, posted)
    for n in (0, 1, 2, 12, 18, 24, 25):
        gauge.heard(n, MIDNIGHT + n * HOUR)
    assert posted == []


def test_a_clock_set_back_begins_anew_and_damaged_marks_do_no_harm(store: Store) -> None:
    posted = Posted()
    gauge = days(store, posted)
    for n in (0, 1, 2, -48, -47, 24, 30):
        gauge.heard(50 + n, MIDNIGHT + n * HOUR)
    assert posted == []
    store.flush([], marks={MARK: "{"})
    days(store, posted).heard(1, MIDNIGHT)


@pytest.mark.parametrize(
    "payload",
    [b"", b"12", b"{}", b'{"tips": -1}', b'{"tips": true}', b'{"tips": 1.5}', b'{"tips": 4294967296}',
     b"[" * 40, b'{"tips": 12}' + b" " * 60, b"\xff\xfe"],
)  # fmt: skip
def test_what_is_no_count_is_none(payload: bytes) -> None:
    assert read_tips(payload) is None


def test_the_gauges_count_arrives_over_a_real_broker_and_a_retained_one_does_not() -> None:
    heard: list[int] = []
    trouble: list[str] = []
    with MosquittoProcess() as broker:
        said = mqtt.Client(CallbackAPIVersion.VERSION2, client_id="gauge")
        said.connect(broker.host, broker.port)
        said.loop_start()
        said.publish(rain_topic(SITE.id), b'{"tips": 1}', qos=1, retain=True).wait_for_publish(5.0)
        link = NodeLink(
            SITE, b"k" * 32, on_event=lambda _: None, host=broker.host, port=broker.port,
            on_rain=lambda tips, _at: heard.append(tips), on_trouble=trouble.append,
        )  # fmt: skip
        link.start()
        end = time.monotonic() + 10.0
        while not trouble and time.monotonic() < end:
            time.sleep(0.02)
        said.publish(rain_topic(SITE.id), b'{"tips": 2}', qos=1).wait_for_publish(5.0)
        while not heard and time.monotonic() < end:
            time.sleep(0.02)
        link.stop()
        said.loop_stop()
        said.disconnect()
    assert heard == [2] and trouble == ["refused a rain gauge's count that was retained or is none"]


def test_a_site_file_names_its_gauge() -> None:
    text = example_text("five-drums") + '\n[rain_gauge]\ntip = "0.2 mm"\n'
    assert read_site_text(text, "garden.toml").rain_gauge == RainGauge(pytest.approx(0.2))  # type: ignore[arg-type]
