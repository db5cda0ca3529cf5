"""How often somebody may try, and how often ask. A stop passes all of them by."""

from __future__ import annotations

import threading
from collections import OrderedDict, deque
from collections.abc import Callable

# OWASP ASVS 6.1.1 wants them documented: five wrong passwords a minute from one address, twenty an hour
# in all, and a wait that doubles from the third on.
TRIES_PER_MINUTE = 5
TRIES_PER_HOUR = 20
FREE_TRIES = 2
LONGEST_WAIT_S = 60.0
# A person reads a page; four a second for a minute is a program.
ASKS_PER_MINUTE = 240
# Stops beyond this in a minute are answered with the last one: the valves are being closed already.
STOPS_PER_MINUTE = 30
# Addresses remembered; the oldest are forgotten.
ADDRESSES_MAX = 1000


class Tries:
    """Wrong passwords and codes by address, and in all."""

    def __init__(self, monotonic: Callable[[], float]) -> None:
        self._now = monotonic
        self._lock = threading.Lock()
        self._failed: OrderedDict[str, deque[float]] = OrderedDict()
        self._all: deque[float] = deque(maxlen=TRIES_PER_HOUR)

    def wait_s(self, address: str) -> float:
        """0: may try now; else so many seconds to wait."""
        now = self._now()
        with self._lock:
            own = self._failed.get(address, deque())
            waits = [0.0]
            if len(own) == TRIES_PER_MINUTE:
                waits.append(own[0] + 60.0 - now)
            if own and len(own) > FREE_TRIES:
                waits.append(own[-1] + min(LONGEST_WAIT_S, 2.0 ** (len(own) - FREE_TRIES)) - now)
            if len(self._all) == TRIES_PER_HOUR:
                waits.append(self._all[0] + 3600.0 - now)
            return max(waits)

    def failed(self, address: str) -> None:
        with self._lock:
            own = self._failed.setdefault(address, deque(maxlen=TRIES_PER_MINUTE))
            self._failed.move_to_end(address)
            own.append(self._now())
            self._all.append(self._now())
            while len(self._failed) > ADDRESSES_MAX:
                self._failed.popitem(last=False)

    def passed(self, address: str) -> None:
        with self._lock:
            self._failed.pop(address, None)


class Rate:
    """So many a minute from one address."""

    def __init__(self, monotonic: Callable[[], float], per_minute: int) -> None:
        self._now = monotonic
        self._most = per_minute
        self._lock = threading.Lock()
        self._asked: OrderedDict[str, deque[float]] = OrderedDict()

    def takes(self, address: str) -> bool:
        now = self._now()
        with self._lock:
            own = self._asked.setdefault(address, deque())
            self._asked.move_to_end(address)
            while own and now - own[0] > 60.0:
                own.popleft()
            if len(own) >= self._most:
                return False
            own.append(now)
            while len(self._asked) > ADDRESSES_MAX:
                self._asked.popitem(last=False)
            return True
