"""The one loop that decides. Everything else (link, timers, weather) only puts things on its queue."""

from __future__ import annotations

import logging
import queue
import time
from collections.abc import Callable
from typing import Literal

from scheduler.control.clock import Now
from scheduler.control.events import Event, Leaving, LinkChanged, NodeHeard, Tick
from scheduler.service.clock import Clock
from scheduler.service.health import Health
from scheduler.service.shell import Shell

Errand = Literal["look", "wake", "leave", "end"]

# How often the loop looks at the clocks, at people's requests and at itself.
LOOK_S = 1.0
# The wall clock moved against the monotonic one by more than this: somebody set it.
JUMP_S = 3.0
# A flood from the network is cut here; nodes repeat what matters.
QUEUE_MAX = 2000
# Travel of a motor valve is 5 to 15 s (common practice, no source); then one report.
LEAVE_S_MAX = 20.0

log = logging.getLogger("fallinghead")


class Loop:
    """Feeds a shell until ``leave`` or ``end``. ``post``, ``nudge`` and ``leave`` may be called from any
    thread and from a signal handler."""

    def __init__(
        self,
        clock: Clock,
        *,
        health: Health | None = None,
        set_timer: Callable[[float, Callable[[], None]], None] | None = None,
        on_jump: Callable[[], None] = lambda: None,
        leave_s_max: float = LEAVE_S_MAX,
    ) -> None:
        self._clock = clock
        self._health = health or Health()
        self._set_timer = set_timer
        self._on_jump = on_jump
        self._leave_s_max = leave_s_max
        self._queue: queue.SimpleQueue[Event | Errand] = queue.SimpleQueue()
        self._jobs: queue.SimpleQueue[Callable[[], None]] = queue.SimpleQueue()
        self._wake_due_s: float | None = None
        self._connected = False
        self._shift_s: float | None = None
        self.dropped = 0

    # --- from any thread -----------------------------------------------------------------------------

    def post(self, event: Event) -> None:
        if isinstance(event, NodeHeard) and self._queue.qsize() > QUEUE_MAX:
            self.dropped += 1
            return
        self._queue.put(event)

    def nudge(self) -> None:
        if self._queue.qsize() <= QUEUE_MAX:
            self._queue.put("look")

    def job(self, call: Callable[[], None]) -> None:
        """Run ``call`` in the loop, between two events."""
        self._jobs.put(call)
        self.nudge()

    def leave(self) -> None:
        """Close the valves, write what is gathered, end."""
        self._queue.put("leave")

    def end(self) -> None:
        """End at once: a practice garden is over, or a person does not want to wait for the node any longer.
        Before ``leave`` nothing is closed; after it the closes have gone out."""
        self._queue.put("end")

    # --- from the shell ------------------------------------------------------------------------------

    def wake(self, in_s: float) -> None:
        real_s = max(0.0, self._clock.delay_s(in_s))
        self._wake_due_s = time.monotonic() + real_s
        if self._set_timer is not None and real_s > LOOK_S:
            self._set_timer(real_s, lambda: self._queue.put("wake"))

    # --- the loop ------------------------------------------------------------------------------------

    def run(self, shell: Shell) -> None:
        shell.start()
        self._health.ready()
        looked_s = time.monotonic()
        while True:
            item = self._next(looked_s)
            if item == "leave":
                self._leave(shell)
                return
            if item == "end":
                return
            if item is not None:
                self._take(shell, item)
            if time.monotonic() - looked_s >= LOOK_S:
                looked_s = time.monotonic()
                self._look(shell)
            if shell.faults == 0:
                self._health.alive()

    def _next(self, looked_s: float) -> Event | Errand | None:
        now_s = time.monotonic()
        wait_s = looked_s + LOOK_S - now_s
        if self._wake_due_s is not None:
            wait_s = min(wait_s, self._wake_due_s - now_s)
        try:
            return self._queue.get(timeout=max(0.0, wait_s)) if wait_s > 0 else self._queue.get_nowait()
        except queue.Empty:
            return "wake" if self._woken() else None

    def _woken(self) -> bool:
        return self._wake_due_s is not None and time.monotonic() >= self._wake_due_s

    def _take(self, shell: Shell, item: Event | Errand) -> None:
        if item == "wake":
            if self._woken():
                self._wake_due_s = None
                shell.handle(Tick())
        elif item == "look":
            while not self._jobs.empty():
                self._jobs.get()()
            shell.look_for_requests()
        elif not isinstance(item, str):
            if isinstance(item, LinkChanged):
                self._connected = item.connected
            shell.handle(item)

    def _look(self, shell: Shell) -> None:
        """Once a second, on the monotonic clock, whatever the wall clock does."""
        shell.look_for_requests()
        if self._jumped(self._clock.now()):
            self._on_jump()
            shell.handle(Tick())
        shell.tend()

    def _jumped(self, now: Now) -> bool:
        shift_s = now.wall.timestamp() - now.monotonic_s
        before, self._shift_s = self._shift_s, shift_s
        # A fast clock shows its own seconds; the jump is still one of the wall against the monotonic clock.
        if before is None or abs(shift_s - before) <= JUMP_S:
            return False
        log.warning("The wall clock was moved by %+.0f s; planning anew.", shift_s - before)
        return True

    def _leave(self, shell: Shell) -> None:
        wait = f"; waiting up to {self._leave_s_max:.0f} s for the node to say that they are shut"
        log.info(
            "Leaving: closing the valves%s.",
            f"{wait} (stop again, or Ctrl-C, to end at once)" if self._connected else "",
        )
        self._health.leaving()
        shell.last_heard = None
        shell.handle(Leaving())
        self._await_shut(shell)
        if not shell.all_shut:
            log.warning(
                "The node has not said that its valves are shut; an open one closes when its time is up."
            )
        shell.flush()

    def _await_shut(self, shell: Shell) -> None:
        end_s = time.monotonic() + self._leave_s_max
        while self._connected and not shell.all_shut and time.monotonic() < end_s:
            try:
                item = self._queue.get(timeout=min(LOOK_S, max(0.0, end_s - time.monotonic())))
            except queue.Empty:
                self._health.alive()
                continue
            if item == "end":
                log.info("Asked again: ending without the node's word.")
                return
            if item != "leave":
                self._take(shell, item)
