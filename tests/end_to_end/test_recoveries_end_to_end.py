"""The service frozen, killed again while it recovers, or given back an old store: water is booked once.

One garden for all three, for its start is the dearest part; each test counts from what it finds.
"""

from __future__ import annotations

import signal
import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager

import pytest

from tests.end_to_end.garden_under_test import KEY, PATIENCE_S, ROOT, TRAVEL_S, GardenUnderTest

# The order's own time, the valve's travel both ways and the node's pace.
LATE_S_MAX = 1.5


@pytest.fixture(scope="module")
def lived(tmp_path_factory: pytest.TempPathFactory) -> Iterator[GardenUnderTest]:
    made = GardenUnderTest(tmp_path_factory.mktemp("lived"))
    try:
        yield made.start()
    finally:
        made.close()


@pytest.fixture
def plot(lived: GardenUnderTest) -> GardenUnderTest:
    """As it is found: everything booked and shut, nothing said."""
    lived.wait_booked(len(lived.water.openings))
    lived.forget_said()
    return lived


def booked_alike(plot: GardenUnderTest, count: int) -> None:
    """So many bookings in all, and as much water in them as ran; each opening had one."""
    bookings = plot.wait_booked(count)
    assert len(plot.water.openings) == count
    assert sum(b.volume_l for b in bookings) == pytest.approx(plot.water.given_l, abs=0.02 * count)
    assert "Traceback" not in plot.said()


@contextmanager
def frozen(plot: GardenUnderTest) -> Iterator[None]:
    """The service stands still, and not in the middle of a write: then the store would be locked, and whoever
    asks for something would be told so."""
    assert plot.daemon is not None
    while True:
        plot.daemon.send_signal(signal.SIGSTOP)
        try:
            with closing(sqlite3.connect(plot.store_file, timeout=0.1)) as store:
                store.execute("BEGIN IMMEDIATE")
            break
        except sqlite3.OperationalError:
            plot.daemon.send_signal(signal.SIGCONT)
    try:
        yield
    finally:
        plot.daemon.send_signal(signal.SIGCONT)


def test_a_service_frozen_in_a_run_starts_nothing_late_and_obeys_the_stop_asked_meanwhile(
    plot: GardenUnderTest,
) -> None:
    before = len(plot.water.openings)
    plot.order(0.3)
    with frozen(plot):
        stop = plot.ask("stop")
        plot.wait(lambda: plot.water.shut, 20, "the node closes by itself")
        opening, intent = plot.water.openings[-1], plot.intents()[-1]
        assert opening.ended_s is not None
        assert opening.ended_s - opening.began_s < intent.order.open_ms / 1000 + TRAVEL_S + LATE_S_MAX
        late = plot.ask("water", "bed", 0.3)
    booked_alike(plot, before + 1)
    assert plot.answer(stop).done and not plot.answer(late).done  # in the order in which they were asked
    assert plot.answer(plot.ask("resume")).done


def test_killed_again_at_two_places_of_its_recovery_it_books_the_water_once(plot: GardenUnderTest) -> None:
    before = len(plot.water.openings)
    plot.order(0.2)
    plot.kill_daemon()
    # Its outcome is known and not written; then written and not receipted, so that the node tells it again.
    for boundary, booked in (("before_booking", before), ("after_booking", before + 1)):
        again = plot.start_daemon(FALLINGHEAD_KILL_AT=f"{boundary}:1")
        assert plot.wait(again.poll, PATIENCE_S, f"the end at {boundary}") == -signal.SIGKILL
        assert len(plot.bookings()) == booked
    plot.start_daemon()
    plot.wait_said("Node shed is heard", times=3)
    booked_alike(plot, before + 1)


def test_an_old_backup_put_in_place_books_the_run_it_never_heard_of_and_orders_on(
    plot: GardenUnderTest,
) -> None:
    before = len(plot.water.openings)
    with plot.store() as store:
        store.backup_to(plot.folder / "old.db")
    plot.order(0.2)
    plot.kill_daemon()
    plot.put_store(plot.folder / "old.db")
    known = {i.order.order_id for i in plot.intents()}
    plot.start_daemon()
    booked_alike(plot, before + 1)
    assert [b.order_id in known for b in plot.bookings()].count(False) == 1
    plot.order(0.2)  # and it orders on, although the store has forgotten the orders' numbers
    booked_alike(plot, before + 2)


def test_no_secret_stands_in_anything_that_was_said_through_all_this(lived: GardenUnderTest) -> None:
    said = lived.ever_said()
    assert "Serving Test plot" in said and "To Ines" in said
    for secret in (KEY, *lived.broker.passwords.values()):
        assert secret not in said
    assert str(ROOT) not in said
