"""Answers that take long: worked out by one thread at a time, and not again within a while."""

from __future__ import annotations

import threading
from collections.abc import Callable, Hashable
from typing import TypeVar

T = TypeVar("T")

# A page that is loaded again within this is the same, unless what it rests on has changed.
AGAIN_S = 300.0
# More differ only by what somebody typed.
KEPT_MAX = 8


class Kept:
    """Safe to use from several threads: who asks for the same at once waits for the one answer."""

    def __init__(self, monotonic: Callable[[], float]) -> None:
        self._monotonic = monotonic
        self._lock = threading.Lock()
        self._found: dict[Hashable, tuple[float, object]] = {}

    def get(self, key: Hashable, make: Callable[[], T]) -> T:
        """``make()``, or what it gave for the same key not long ago."""
        with self._lock:
            now_s = self._monotonic()
            at_s, value = self._found.get(key, (None, None))
            if at_s is not None and now_s - at_s <= AGAIN_S:
                return value  # type: ignore[return-value]
            made = make()
            self._found.pop(key, None)
            while len(self._found) >= KEPT_MAX:
                del self._found[next(iter(self._found))]
            self._found[key] = (now_s, made)
            return made
