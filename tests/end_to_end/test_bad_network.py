"""A bad network between node and broker: the order's own time closes, the water is booked once."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.end_to_end.garden_under_test import GardenUnderTest
from tests.end_to_end.tcp_proxy import TcpProxy


@pytest.fixture
def between(tmp_path: Path) -> Iterator[tuple[GardenUnderTest, TcpProxy]]:
    plot = GardenUnderTest(tmp_path)
    try:
        with TcpProxy(plot.broker.tls_port) as proxy:
            plot.node_port = proxy.port
            plot.start()
            yield plot, proxy
    finally:
        plot.close()


def booked_once(plot: GardenUnderTest) -> None:
    (booking,) = plot.wait_booked(within_s=90)
    assert len(plot.water.openings) == 1
    assert booking.volume_l == pytest.approx(plot.water.given_l, abs=0.03)


def test_a_connection_that_stays_open_and_silent_is_dropped_and_the_run_ends_in_time(
    between: tuple[GardenUnderTest, TcpProxy],
) -> None:
    plot, proxy = between
    before = proxy.connections
    plot.order(0.6)
    proxy.silent = True
    plot.wait(lambda: plot.water.shut, 25, "the node closes by itself")
    plot.wait(lambda: proxy.connections > before, 40, "the node gives the dead connection up")
    proxy.silent = False
    proxy.cut()
    booked_once(plot)


def test_bytes_one_by_one_late_and_a_cut_in_the_run_change_nothing(
    between: tuple[GardenUnderTest, TcpProxy],
) -> None:
    plot, proxy = between
    proxy.piece, proxy.delay_s = 1, 0.05
    plot.order(0.6)
    proxy.cut()
    booked_once(plot)
    assert proxy.connections >= 2
