"""What one step of the controller wrote down becomes durable whole, however often the store fails."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, date, datetime
from typing import cast

from hypothesis import given
from hypothesis import strategies as st

from scheduler.control.effects import Record, RecordAnswer, RecordHandWater
from scheduler.service.boundaries import Boundaries
from scheduler.service.keeping import Keeping
from scheduler.site.errors import StoreError
from scheduler.store.store import Store

AT = datetime(2026, 7, 3, 4, 30, tzinfo=UTC)


def told(n: int) -> tuple[Record, ...]:
    """One request: the water that was moved, and its answer."""
    moved = RecordHandWater(n, date(2026, 7, 3), AT, "topped_up", None, 400.0, "Ines")
    return moved, RecordAnswer(n, AT, True, "400 L noted as topped up.")


class FailingStore:
    """Takes a write whole or not at all; fails as ``failing`` says, then no more."""

    def __init__(self, failing: Sequence[bool]) -> None:
        self.failing = list(failing)
        self.durable: list[Record] = []

    def write(self, records: Sequence[Record]) -> None:
        if self.failing and self.failing.pop(0):
            raise StoreError("The disk is full.")
        self.durable += records


def keeping_on(store: FailingStore) -> Keeping:
    return Keeping(cast(Store, store), Boundaries(""))


@given(st.lists(st.booleans(), max_size=12), st.integers(1, 5))
def test_a_request_and_what_it_moved_are_never_durable_one_without_the_other(
    failing: list[bool], requests: int
) -> None:
    store = FailingStore(failing)
    keeping = keeping_on(store)
    looks: list[list[Record]] = []
    for n in range(requests):
        keeping.write(told(n))
        looks.append(list(store.durable))
    while keeping.fault is not None:
        keeping.retry()
        looks.append(list(store.durable))
    for durable in looks:
        moved = {r.request_id for r in durable if isinstance(r, RecordHandWater)}
        assert moved == {r.request_id for r in durable if isinstance(r, RecordAnswer)}
    assert store.durable == [record for n in range(requests) for record in told(n)]
    assert keeping.waiting == 0


def test_while_the_store_still_fails_the_rest_is_not_tried() -> None:
    store = FailingStore([True, True])
    keeping = keeping_on(store)
    for n in range(3):
        keeping.write(told(n))
    assert keeping.retry() is not None
    assert store.failing == [] and store.durable == [] and keeping.waiting == 6
    assert keeping.retry() is None
    assert len(store.durable) == 6
