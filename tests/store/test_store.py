"""The store of one garden, on real files."""

from __future__ import annotations

import os
import signal
import sqlite3
import subprocess
import sys
import threading
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from scheduler.agronomy.weather import DayWeather, Outlook
from scheduler.control.effects import (
    Alert,
    Booking,
    ClearAlert,
    Intent,
    RaiseAlert,
    RecordAnswer,
    RecordBooking,
    RecordCalibration,
    RecordDay,
    RecordHandWater,
    RecordHold,
    RecordIntent,
    RecordLearning,
    RecordMeasured,
    RecordPlan,
    RecordRain,
    RecordReading,
    RecordStop,
    RecordWaterDay,
    RootZoneRecord,
)
from scheduler.control.events import NodeHeard, Request
from scheduler.control.orders import Order, RunOutcome, ValveStatus
from scheduler.planning.plan import Plan, PlannedRun, PlantShare, Reason, SkippedZone, StoreOutlook
from scheduler.sensing.belief import UNKNOWN_LEVEL, LevelBelief, LevelReading
from scheduler.site.errors import StoreError
from scheduler.store.store import Store, Telling, store_url

AT = datetime(2026, 7, 3, 4, 30, tzinfo=UTC)
DAY = date(2026, 7, 3)
BERLIN = ZoneInfo("Europe/Berlin")


@pytest.fixture
def file(tmp_path: Path) -> Path:
    return tmp_path / "plot.db"


@pytest.fixture
def store(file: Path):
    with Store(store_url(file), "plot") as opened:
        yield opened


def order(order_id: str = "order-1") -> Order:
    return Order("valves", "5e55", 7, order_id, 0, 600_000, 90_000, 3100, "above")


def intent(order_id: str = "order-1") -> Intent:
    return Intent(order(order_id), "beds", AT, 0.91, (("fig", 6.5), ("lavender", 2.0)), 8.9)


def booking(order_id: str = "order-1", *, day: date = DAY, fig_l: float = 6.5) -> Booking:
    outcome = RunOutcome(order_id, 0, 600_000, 600_000, "time_up")
    return Booking(order_id, "beds", day, AT, 600.0, outcome, (("fig", fig_l),), fig_l, 6.0, 7.0, "a note")


def reading(at: datetime = AT) -> RecordReading:
    return RecordReading(LevelReading(at, (2915, 2916, 2914), 14.5), LevelBelief("good", at, 0.9, 0.88, 0.92))


def root_zone(plant: str, day: date = DAY, depletion_mm: float = 11.0) -> RootZoneRecord:
    return RootZoneRecord(plant, day, depletion_mm, 3.5, 5.1, "FAO-56", 0.0, 2.0, 1.0)


def alert(kind: str = "near_empty", subject: str = "", at: datetime = AT) -> Alert:
    return Alert(kind, subject, "The tank is nearly empty.", "Fill it.", False, at)  # type: ignore[arg-type]


def plan() -> Plan:
    why = Reason("due", "used up", (("depletion_mm", 11.5), ("overdue", float("inf")), ("kind", "fig")))
    share = PlantShare("fig", "beds", 6.5, 6.4, True, (why,))
    run = PlannedRun("beds", AT, 600.0, 8.9, 0.91, 0.85, (share,), (why,))
    outlook = StoreOutlook(410.0, 500.0, 9, 12, None, 30)
    return Plan(DAY, AT, (run,), (SkippedZone("loop", (why,)),), (share,), outlook, (why,))


# --- what goes in comes out ---------------------------------------------------------------------------


def test_every_record_comes_back_as_it_went_in(store: Store) -> None:
    day = RecordDay(DayWeather(DAY, 12.0, 27.5, None), (root_zone("fig"), root_zone("lavender")))
    learning = RecordLearning("beds", AT, 0.97, 0.02)
    calibration = RecordCalibration(AT, -0.012, 0.88, "Ines")
    measured = RecordMeasured("order-1", "beds", AT, 8.9, 8.6, 0.4)
    store.write(
        [
            *(reading(), RecordIntent(intent()), RecordPlan(plan()), day, learning, measured, calibration),
            *(RecordBooking(booking()), RecordStop(True, "Ines", AT), RaiseAlert(alert())),
        ]
    )
    assert store.last_reading() == reading()
    assert store.intents_since(AT) == (intent(),)
    assert store.last_plan() == plan()
    assert store.last_plan(DAY - timedelta(days=1)) is None
    assert store.weather_since(DAY) == (day.weather,)
    assert store.root_zones_since(DAY) == day.root_zones
    assert store.last_learning() == (learning,)
    assert store.last_calibration() == calibration
    assert store.measured_since(AT)[0].measured_l == 8.6
    assert store.bookings_since(DAY) == (booking(),)
    assert store.stop_state() == RecordStop(True, "Ines", AT)
    assert store.open_alerts() == (alert(),)


def test_an_unknown_level_stays_unknown(store: Store) -> None:
    record = RecordReading(LevelReading(AT, (), None), UNKNOWN_LEVEL)
    store.write([record])
    assert store.last_reading() == record


def test_a_day_balanced_again_replaces_the_first_balance(store: Store) -> None:
    store.write([RecordDay(DayWeather(DAY), (root_zone("fig"), root_zone("gone")))])
    store.write([RecordDay(DayWeather(DAY, rain_mm=4.0), (root_zone("fig", depletion_mm=7.0),))])
    assert store.root_zones_since(DAY) == (root_zone("fig", depletion_mm=7.0),)
    assert store.weather_since(DAY) == (DayWeather(DAY, rain_mm=4.0),)


def test_a_flush_keeps_readings_nodes_and_marks_together(store: Store) -> None:
    shut = (ValveStatus(0, "closed"), ValveStatus(1, "unknown"))
    heard = NodeHeard(
        "valves", "5e55", 1000, 7, shut, refused_total=2, supply_mv=5010, reset_cause="power_on"
    )
    store.flush([reading(), reading(AT + timedelta(minutes=5))], [(heard, AT)], {"saved_at": "x"})
    store.flush([], [(replace(heard, session="0a0a"), AT)], {"saved_at": "y"})
    (seen,) = store.nodes_seen()
    assert (seen.session, seen.valves, seen.supply_mv) == ("0a0a", ((0, "closed"), (1, "unknown")), 5010)
    assert store.mark("saved_at") == "y"
    assert store.mark("never") is None
    assert len(store.readings_since(AT)) == 2


def test_a_time_without_a_zone_is_refused(store: Store) -> None:
    with pytest.raises((StoreError, ValueError)):
        store.add_request("stop", "Ines", None, None, datetime(2026, 7, 3, 4, 30))  # noqa: DTZ001
    assert store.unanswered_requests() == ()


def test_gardens_in_one_store_do_not_see_each_other(store: Store) -> None:
    store.write([RecordBooking(booking()), RaiseAlert(alert()), RecordIntent(intent("order-9"))])
    store.add_request("stop", "Ines", None, None, AT)
    with Store(store.url, "other") as other:
        assert other.write([RecordBooking(booking())]) == ("order-1",)
        assert other.open_alerts() == ()
        assert other.open_intents() == ()
        assert other.unanswered_requests() == ()
        assert other.litres_since(DAY) == {"fig": 6.5}


# --- water is booked once -----------------------------------------------------------------------------


def test_an_order_booked_twice_is_booked_once(store: Store) -> None:
    assert store.write([RecordBooking(booking())]) == ("order-1",)
    assert store.write([RecordBooking(booking(fig_l=99.0)), RecordBooking(booking("order-2"))]) == (
        "order-2",
    )
    assert store.litres_since(DAY) == {"fig": 13.0}
    assert [b.order_id for b in store.bookings_since(DAY)] == ["order-1", "order-2"]


@given(ids=st.lists(st.sampled_from(["a", "b", "c", "d"]), max_size=12), cut=st.integers(0, 12))
@settings(max_examples=40, deadline=None)
def test_booked_litres_depend_on_the_set_of_orders_only(ids: list[str], cut: int) -> None:
    with Store("sqlite://", "plot") as memory:
        new = memory.write([RecordBooking(booking(i, fig_l=1.0)) for i in ids[:cut]])
        new += memory.write([RecordBooking(booking(i, fig_l=1.0)) for i in ids[cut:]])
        assert sorted(new) == sorted(set(ids))
        assert memory.litres_since(DAY).get("fig", 0.0) == len(set(ids))


def test_an_intent_is_open_until_its_order_is_booked(store: Store) -> None:
    store.write([RecordIntent(intent("order-1")), RecordIntent(intent("order-2"))])
    store.write([RecordBooking(booking("order-1"))])
    assert [i.order.order_id for i in store.open_intents()] == ["order-2"]


def test_records_are_written_all_or_none(store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    records = [RecordIntent(intent(f"order-{n}")) for n in range(5)]
    with pytest.raises(TypeError):
        store.write([*records, "no record"])  # type: ignore[list-item]
    assert store.open_intents() == ()
    store.write(records)
    assert len(store.open_intents()) == 5


# --- people's requests --------------------------------------------------------------------------------


def test_a_request_waits_until_it_is_answered(store: Store) -> None:
    first = store.add_request("water", "Ines", "beds", 12.5, AT)
    second = store.add_request("stop", "Ines", None, None, AT)
    assert store.unanswered_requests() == (
        Request(first, AT, "Ines", "water", "beds", 12.5),
        Request(second, AT, "Ines", "stop", None, None),
    )
    answer = RecordAnswer(first, AT, False, "The level is unknown.")
    store.write([answer])
    assert store.answer_to(first) == answer
    confirmed = RecordAnswer(first, AT, True, "The node confirms.")
    store.write([confirmed])  # a stop is answered twice: sent, then confirmed
    assert store.answer_to(first) == confirmed
    assert store.answer_to(second) is None
    assert [r.id for r in store.unanswered_requests()] == [second]


def test_a_request_of_another_process_is_seen_at_once(store: Store) -> None:
    assert store.changed()
    assert not store.changed()
    with Store(store.url, "plot", service=False) as command:
        command.add_request("stop", "Ines", None, None, AT)
    assert store.changed()
    assert not store.changed()
    assert len(store.unanswered_requests()) == 1


# --- alerts -------------------------------------------------------------------------------------------


def test_an_alert_raised_again_is_one_open_alert(store: Store) -> None:
    again = alert(at=AT + timedelta(days=3))
    store.write([RaiseAlert(alert()), RaiseAlert(again), RaiseAlert(alert("run_short", "beds"))])
    assert store.open_alerts() == (again, alert("run_short", "beds"))
    store.write([ClearAlert("near_empty", "", AT + timedelta(days=4))])
    assert store.open_alerts() == (alert("run_short", "beds"),)
    assert len(store.alerts_since(AT)) == 3


# --- restoring ----------------------------------------------------------------------------------------


def test_what_is_restored_is_what_was_saved(store: Store) -> None:
    outlook = Outlook((DayWeather(DAY, 11.0, 25.0),), "weather file x.csv", AT)
    yesterday = DAY - timedelta(days=1)
    store.write(
        [
            RecordDay(
                DayWeather(yesterday - timedelta(days=1)), (root_zone("fig", yesterday - timedelta(days=1)),)
            ),
            RecordDay(DayWeather(yesterday), (root_zone("fig", yesterday, 9.5),)),
            RecordIntent(intent("order-3")),
            RecordBooking(booking("order-1", day=yesterday)),
            RecordBooking(booking("order-2", day=DAY, fig_l=1.5)),
            RecordLearning("beds", AT, 0.9, 0.02),
            RecordLearning("beds", AT, 0.95, 0.01),
            RecordCalibration(AT, 0.02, 0.9, "Ines"),
            RecordStop(True, "Ines", AT),
            RaiseAlert(alert()),
            RaiseAlert(alert("run_short", "beds")),
            ClearAlert("run_short", "beds", AT),
        ]
    )
    store.save_outlook(outlook)
    asked = store.add_request("resume", "Ines", None, None, AT)
    saved = store.load_saved(AT, BERLIN)
    assert [i.order.order_id for i in saved.open_intents] == ["order-3"]
    assert saved.booked == {"order-1", "order-2"}
    assert [(z.plant, z.depletion_mm, z.last_watered) for z in saved.root_zones] == [("fig", 9.5, DAY)]
    assert saved.balanced_day == yesterday
    # Later rain may mend the balance from the day before on, so what was given since then is known again.
    assert saved.base is not None and saved.base[0] == yesterday - timedelta(days=1)
    assert saved.given_l == ((yesterday, "fig", 6.5), (DAY, "fig", 1.5))
    assert [(z, f.value, f.sd) for z, f in saved.flow_factors] == [("beds", 0.95, 0.01)]
    assert saved.outlook == outlook
    assert saved.level_offset_m == 0.02
    assert saved.stopped_by == "Ines"
    assert [r.id for r in saved.requests] == [asked]
    assert {(a.kind, a.raised_at is not None, a.told_day) for a in saved.alarms} == {
        ("near_empty", True, DAY),
        ("run_short", False, DAY),
    }


def test_a_new_garden_restores_nothing(store: Store) -> None:
    from scheduler.control.state import Saved

    assert store.load_saved(AT, BERLIN) == Saved()


def test_a_stop_that_ended_restores_as_no_stop(store: Store) -> None:
    store.write([RecordStop(True, "Ines", AT), RecordStop(False, "Ines", AT)])
    assert store.load_saved(AT, BERLIN).stopped_by is None


# --- bounded history ----------------------------------------------------------------------------------


def test_old_history_goes_and_what_still_matters_stays(store: Store) -> None:
    old = AT - timedelta(days=1000)
    kept = store.add_request("stop", "Ines", None, None, old)
    gone = store.add_request("resume", "Ines", None, None, old)
    store.write(
        [
            reading(old),
            reading(),
            RecordPlan(replace(plan(), made_at=old)),
            RecordIntent(replace(intent("open"), made_at=old)),
            RecordIntent(replace(intent("done"), made_at=old)),
            RecordBooking(replace(booking("done", day=old.date()), at=old)),
            RecordLearning("beds", old, 0.9, 0.1),
            RecordStop(True, "Ines", old),
            RecordAnswer(gone, old, True, "done"),
            RaiseAlert(alert(at=old)),
            RecordDay(DayWeather(old.date()), (root_zone("fig", old.date()),)),
        ]
    )
    store.prune(AT)
    assert store.readings_since(old) == (reading(),)
    assert store.last_plan() is None
    assert [i.order.order_id for i in store.open_intents()] == ["open"]
    assert store.bookings_since(old.date()) == ()
    assert len(store.last_learning()) == 1
    assert store.stop_state() is not None
    assert [r.request.id for r in store.requests_since(old)] == [kept]
    assert len(store.open_alerts()) == 1
    assert store.root_zones_since(old.date()) == ()


# --- power cuts, full disks, locks --------------------------------------------------------------------

WRITER = """
import sys
from datetime import UTC, datetime
from scheduler.store.store import Store
store = Store(sys.argv[1], "plot")
n = 0
while True:
    number = store.add_request("measured", "Ines", None, float(n), datetime.now(UTC))
    print(number, flush=True)
    n += 1
"""


@pytest.mark.parametrize("acknowledged", [1, 7, 40])
def test_nothing_acknowledged_is_lost_when_the_process_is_killed(file: Path, acknowledged: int) -> None:
    root = Path(__file__).parents[2]
    writer = subprocess.Popen(
        [sys.executable, "-c", WRITER, store_url(file)],
        stdout=subprocess.PIPE,
        text=True,
        env=os.environ | {"PYTHONPATH": str(root)},
    )
    assert writer.stdout is not None
    seen = [int(writer.stdout.readline()) for _ in range(acknowledged)]
    os.kill(writer.pid, signal.SIGKILL)
    rest = writer.stdout.read().split()
    writer.stdout.close()
    writer.wait()
    seen += [int(n) for n in rest if n.isdigit()]
    with Store(store_url(file), "plot") as store:
        found = [r.id for r in store.unanswered_requests()]
        assert found[: len(seen)] == seen
        assert len(found) <= len(seen) + 1  # one may be durable whose number was never printed


def test_a_locked_store_is_waited_for_and_then_reported(store: Store, file: Path) -> None:
    with Store(store.url, "plot", service=False, busy_timeout_ms=50) as hasty:
        holder = sqlite3.connect(file, isolation_level=None)
        holder.execute("BEGIN IMMEDIATE")
        try:
            with pytest.raises(StoreError, match="locked by another program"):
                hasty.add_request("stop", "Ines", None, None, AT)
            assert hasty.unanswered_requests() == ()  # reading never waits for a writer
        finally:
            holder.execute("ROLLBACK")
            holder.close()
        assert hasty.add_request("stop", "Ines", None, None, AT) == 1


def test_a_short_lock_is_waited_out(store: Store, file: Path) -> None:
    holder = sqlite3.connect(file, isolation_level=None, check_same_thread=False)
    holder.execute("BEGIN IMMEDIATE")
    release = threading.Timer(0.15, lambda: holder.execute("COMMIT"))
    release.start()
    assert store.add_request("stop", "Ines", None, None, AT) == 1
    release.join()
    holder.close()


FILLER = """
import resource, signal, sys
from datetime import UTC, datetime
from scheduler.site.errors import StoreError
from scheduler.store.store import Store
store = Store(sys.argv[1], "plot")
signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
limit = int(sys.argv[2])
resource.setrlimit(resource.RLIMIT_FSIZE, (limit, resource.RLIM_INFINITY))
done = 0
try:
    while True:
        store.add_request("measured", "Ines", "x" * 300, float(done), datetime.now(UTC))
        done += 1
except StoreError as error:
    print(done, error, flush=True)
resource.setrlimit(resource.RLIMIT_FSIZE, (resource.RLIM_INFINITY, resource.RLIM_INFINITY))
print(store.add_request("stop", "Ines", None, None, datetime.now(UTC)), flush=True)
"""


def test_a_file_that_cannot_grow_fails_in_words_and_recovers(file: Path) -> None:
    """RLIMIT_FSIZE makes each write past a size fail, as a full quota does; later there is room again."""
    with Store(store_url(file), "plot"):
        pass
    ran = subprocess.run(
        [sys.executable, "-c", FILLER, store_url(file), "300000"],
        capture_output=True,
        text=True,
        check=True,
        env=os.environ | {"PYTHONPATH": str(Path(__file__).parents[2])},
    )
    first, second = ran.stdout.strip().splitlines()
    done = int(first.split()[0])
    assert done > 10
    assert "disk" in first and "Traceback" not in ran.stderr
    with Store(store_url(file), "plot") as store:
        store.check()
        assert len(store.unanswered_requests()) == done + 1
        assert store.unanswered_requests()[-1].id == int(second)


@pytest.fixture
def small_disk(tmp_path: Path):
    """A real file system of 1 MiB; as root only, else the limit on file sizes above is all we can show."""
    if os.geteuid() != 0:
        pytest.fail("this test mounts a small disk and needs root")
    place = tmp_path / "card"
    place.mkdir()
    subprocess.run(["mount", "-t", "tmpfs", "-o", "size=1m", "tmpfs", str(place)], check=True)
    yield place
    subprocess.run(["umount", "-l", str(place)], check=True)


def test_a_full_disk_is_told_and_nothing_is_half_written(small_disk: Path) -> None:
    with Store(store_url(small_disk / "plot.db"), "plot") as store:
        written: list[int] = []

        def fill() -> None:
            while True:
                written.append(store.add_request("measured", "Ines", "x" * 5000, 1.0, AT))

        with pytest.raises(StoreError, match="full"):
            fill()
        assert len(written) > 10
        assert [r.id for r in store.unanswered_requests()] == written
    with Store(store_url(small_disk / "plot.db"), "plot", service=False) as again:
        assert [r.id for r in again.unanswered_requests()] == written


def test_an_answer_to_a_request_of_another_file_holds_nothing_up(store: Store) -> None:
    store.write([RecordAnswer(77, AT, True, "done"), RecordStop(True, "Ines", AT)])
    assert store.answer_to(77) is None
    assert store.stop_state() is not None


def test_who_was_told_is_kept(store: Store) -> None:
    told = Telling("near_empty", "", AT, "Ines", "told", AT)
    store.save_telling(told)
    assert store.tellings_since(AT) == (told,)
    assert store.tellings_since(AT + timedelta(seconds=1)) == ()


def test_water_moved_by_hand_holds_rain_and_the_barrels_days_come_back(store: Store) -> None:
    day, later = AT.date(), AT + timedelta(days=3)
    gave = RecordHandWater(7, day, AT, "gave", "fig", 3.0, "Ines")
    took = RecordHandWater(8, day, AT, "took", None, 40.0, "Ines")
    water = RecordWaterDay(day, 500.0, 440.0, 20.0, 40.0, 0.0, None)
    store.write([gave, took, gave])  # heard again after a crash, it still counts once
    store.write([RecordHold("beds", later, "Ines", AT), RecordHold("beds", AT, "Ines", AT)])
    store.write([RecordRain(day, 6.0, "Ines", AT), water])
    store.write([replace(water, caught_l=0.0, overflow_l=0.0, rest_l=0.0, rest_sd_l=2.0)])
    assert store.hand_water_since(day) == (gave, took)
    assert [d.rest_l for d in store.water_days_since(day)] == [0.0]
    saved = store.load_saved(AT, BERLIN)
    assert saved.given_l == ((day, "fig", 3.0),)
    assert (saved.book.day, saved.book.start_l, saved.book.taken_l) == (day, None, 40.0)
    assert [(h.zone, h.until) for h in saved.holds] == [("beds", AT)]
    assert saved.rain_typed == ((day, 6.0),)
