"""The daemon's end of the link in tests, and what it heard."""

from __future__ import annotations

import time
from collections.abc import Callable
from threading import Event as Flag
from types import SimpleNamespace
from typing import Any

from scheduler.control.events import NodeHeard
from scheduler.control.orders import Order
from scheduler.link.client import NodeLink

KEY = bytes(range(32))


def until(claim: Callable[[], Any], within_s: float = 15.0) -> Any:
    end = time.monotonic() + within_s
    while time.monotonic() < end:
        if found := claim():
            return found
        time.sleep(0.02)
    raise AssertionError("it did not happen in time")


class Ends:
    """A link and what it heard."""

    def __init__(self, port: int, **rest: Any) -> None:
        self.events: list[Any] = []
        self.trouble: list[str] = []
        self.nudged = Flag()
        broker = SimpleNamespace(host="127.0.0.1", port=port, tls=False)
        site: Any = SimpleNamespace(id="garden", node=SimpleNamespace(id="shed"), broker=broker)
        self.link = NodeLink(
            site,
            KEY,
            on_event=self.events.append,
            on_trouble=self.trouble.append,
            on_nudge=self.nudged.set,
            **rest,
        )

    @property
    def heard(self) -> NodeHeard | None:
        return next((e for e in reversed(self.events) if isinstance(e, NodeHeard)), None)

    def shut(self) -> NodeHeard | None:
        """The newest state, if it tells every valve shut."""
        shut = self.heard is not None and all(v.position == "closed" for v in self.heard.valves)
        return self.heard if shut else None

    def order(self, number: int, open_ms: int) -> Order:
        state = until(self.shut)
        return Order("shed", state.session, number, f"o-{number}", 1, open_ms, state.uptime_ms + 60_000)

    def __enter__(self) -> Ends:
        self.link.start()
        return self

    def __exit__(self, *_rest: object) -> None:
        self.link.stop()


def ended(ends: Ends, order_id: str) -> bool:
    return ends.heard is not None and any(o.order_id == order_id for o in ends.heard.outcomes)
