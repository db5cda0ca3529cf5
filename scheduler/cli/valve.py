"""The valve during a test: opened through the running daemon for a while, shut when the test is over."""

from __future__ import annotations

from datetime import datetime, timedelta

from scheduler.cli import present
from scheduler.cli.printing import say
from scheduler.service.asking import ask
from scheduler.service.lock import is_served
from scheduler.service.places import site_store_path
from scheduler.site.errors import QuantityError
from scheduler.site.model import Site
from scheduler.site.quantities import parse
from scheduler.site.showing import show_duration
from scheduler.store.store import Store, store_url
from scheduler.survey.let_out import let_out
from scheduler.survey.tests_done import Flush, TestKind

# So long is the daemon waited for when it is asked to open a valve, and when to shut it: the valve travels.
OPEN_WAIT_S = 5.0
SHUT_WAIT_S = 30.0
# Less is within what a bucket is read to (our choice), L.
LEAST_TOLD_L = 0.5
# What a step mostly needs, as the example in its words (common practice).
_OPEN_TIMES = {"travel_times": "1 min", "catch_cans": "15 min", "flush": "5 min"}
_OPEN_TIME = "10 min"


class ValveInHand:
    """Opens and shuts one zone's valve for the step at work."""

    def __init__(self, site: Site) -> None:
        self._site = site
        self._open_until: datetime | None = None

    def words(self, kind: TestKind) -> str:
        """What a fitter may type, as things stand."""
        if not self._by_daemon(kind):
            return self._by_hand(kind)
        longest = show_duration(self._site.node.longest_open_s)
        return (
            f"Open the valve by hand; or type: open {_OPEN_TIMES.get(kind, _OPEN_TIME)}. The daemon then "
            f"opens it for so long ({longest} at most), never below what is kept in the barrels, and the "
            "node shuts it by itself. Type shut to shut it sooner; it is shut too when you stop or the step "
            "is done."
        )

    def open(self, kind: TestKind, zone: str | None, time: str, who: str) -> None:
        """``time`` as typed, such as "10 min"."""
        if not self._by_daemon(kind):
            say(f"  {self._by_hand(kind)}")
            return
        try:
            seconds = parse(time, "duration")
        except QuantityError as error:
            say(f"  Read {error.read}: say for how long, such as open {_OPEN_TIME}. {error.remedy}.")
            return
        now = present.now()
        asked = ask(self._site, "open_for", who, zone, seconds, at=now, wait_s=OPEN_WAIT_S)
        if asked.answer is None or asked.answer.done:
            # Without an answer it may open yet: then it is shut at the end all the same.
            self._open_until = now + timedelta(seconds=seconds) + timedelta(seconds=OPEN_WAIT_S)
        say(f"  {asked.text}")

    def shut(self, who: str, *, asked: bool = False) -> None:
        """Shut what this talk opened, if it may still be open. ``asked``: somebody typed it."""
        open_until, self._open_until = self._open_until, None
        if open_until is None or present.now() > open_until:
            if asked:
                say("  Nothing stands open through the daemon; shut by hand what was opened by hand.")
            return
        say("  Shutting the valve ...")
        answered = ask(self._site, "shut", who, None, None, at=present.now(), wait_s=SHUT_WAIT_S)
        if answered.answer is None:
            say(
                "  The node has not confirmed that it is shut. It shuts by itself when its time is over; "
                "look, and if it is not so, shut the hand tap at the barrels."
            )
        else:
            say(f"  {answered.text}")

    def account(self, record: Flush, since: datetime, who: str) -> None:
        """Tell the books what ran out of open line ends beyond what the daemon booked by the emitters' curve
        since then."""
        found = let_out(self._site, record)
        rest_l = found.known_l - self._booked_l(record.zone, since)
        if found.unknown:
            say(
                f"  How much ran out of {', '.join(found.unknown)} is not known; measure the level when the "
                "water is at rest: fallinghead measured."
            )
        if rest_l < LEAST_TOLD_L or not self._known_here():
            return
        answered = ask(self._site, "took", who, None, rest_l, at=present.now(), wait_s=OPEN_WAIT_S)
        say(f"  For the books, beyond what the valve is booked with: {answered.text}")

    def _booked_l(self, zone: str, since: datetime) -> float:
        path = site_store_path(self._site.id)
        with Store(store_url(path), self._site.id, service=False) as store:
            tests = {i.order.order_id for i in store.intents_since(since) if i.for_test and i.zone == zone}
            day = since.astimezone(self._site.place.timezone).date()
            return sum(b.volume_l for b in store.bookings_since(day) if b.order_id in tests)

    def _known_here(self) -> bool:
        """Whether a daemon keeps books here: a garden tested before its first day has none."""
        path = site_store_path(self._site.id)
        with Store(store_url(path), self._site.id, service=False) as store:
            return self._served() or store.last_reading() is not None

    def _by_hand(self, kind: TestKind) -> str:
        if self._served():
            return (
                "Open the valve by hand and watch the level: without a sensor nobody else does while a line "
                "end is open."
            )
        if kind == "travel_times":
            return (
                "The daemon does not run here, and the motor cannot be timed by hand: drive it another way, "
                "or skip this."
            )
        return "The daemon does not run here: open the valve by hand, and shut it when you are done."

    def _served(self) -> bool:
        return is_served(site_store_path(self._site.id))

    def _by_daemon(self, kind: TestKind) -> bool:
        """Not a line end without a sensor: it runs faster than its curve and nobody sees the floor."""
        return self._served() and (kind != "flush" or self._site.sensor is not None)
