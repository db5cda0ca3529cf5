"""A year through the message rules: the real controller in a virtual garden with known troubles, its alerts
through the real delivery to one household that reads them and does what they say.

What was sent is held against what was true. By hand:

    PYTHONPATH=. python -m tests.support.message_year 2013-03-01 2014-02-28
"""

from __future__ import annotations

import random
import sys
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, date, datetime, timedelta
from itertools import count
from statistics import median

from scheduler.agronomy.weather import Outlook
from scheduler.alerts.addresses import Address
from scheduler.alerts.delivery import Deliverer, Outcome
from scheduler.alerts.message import Message
from scheduler.alerts.pacing import Pacing
from scheduler.control.care import CareDue, care_done, care_due, due_words
from scheduler.control.effects import (
    Alert,
    ClearAlert,
    Effect,
    FetchWeather,
    RaiseAlert,
    RecordAnswer,
    RecordChoice,
    RecordDay,
)
from scheduler.control.events import Request, RequestKind, RequestMade, WeatherFailed
from scheduler.control.winter import is_drained, winter_of
from scheduler.planning.windows import local_midnight
from scheduler.rehearsal.garden import TrueGarden
from scheduler.rehearsal.hidden import Hidden, draw_truth
from scheduler.rehearsal.node_model import VirtualNode
from scheduler.rehearsal.shell import VirtualShell
from scheduler.service.care import AGAIN
from scheduler.site.examples import example_site
from scheduler.site.model import Person, Site
from tests.hindcast.places import SEATTLE, seattle

HOUSEHOLD = Person("Ann", "phone")
LOOK_H = 1.0
# A flow below this share of what the garden was drawn with is a trouble that a message may name.
CLOGGED = 0.5
# Kind, one in so many days, how many hours it lasts (drawn; a choice of this test).
USUAL: tuple[tuple[str, float, tuple[float, float]], ...] = (
    ("node", 12.0, (0.2, 4.0)),
    ("node", 90.0, (10.0, 60.0)),
    ("sensor", 60.0, (1.0, 60.0)),
    ("forecast", 45.0, (3.0, 80.0)),
    ("clog", 120.0, (24.0 * 20, 24.0 * 40)),
    ("taps", 100.0, (48.0, 96.0)),
)


@dataclass(frozen=True)
class Trouble:
    """``kind``: node, sensor, forecast, clog, taps (water taken that nobody tells)."""

    kind: str
    begins: datetime
    ends: datetime


@dataclass
class Sent:
    at: datetime
    message: Message
    alerts: list[Alert]


class _Shell(VirtualShell):
    """With troubles, and a delivery that the controller's alerts go to."""

    def __init__(self, year: Year, garden: TrueGarden, node: VirtualNode) -> None:
        self.year = year
        self.days: list[RecordDay] = []
        self.forecasts: list[Outlook] = []  # as they were fetched
        super().__init__(year.site, garden, node, seattle(), year.seed)

    def _let_node_act(self) -> None:
        if self.node.next_at() > self.garden.clock:
            return
        heard = self.node.act()
        if heard is None or self.year.troubled("node"):
            return
        self.feed(replace(heard, reading=None) if self.year.troubled("sensor") else heard)

    def _carry_out(self, effects: Sequence[Effect]) -> None:
        away = self.year.troubled("forecast")
        super()._carry_out([e for e in effects if not (away and isinstance(e, FetchWeather))])
        if away and any(isinstance(e, FetchWeather) for e in effects):
            self._pending.append(WeatherFailed("no answer"))

    def _forecast(self) -> Outlook:
        self.forecasts.append(super()._forecast())
        return self.forecasts[-1]

    def _record(self, effect: Effect) -> None:
        super()._record(effect)
        if isinstance(effect, RaiseAlert):
            self.year.deliverer.deliver(effect.alert)
        elif isinstance(effect, ClearAlert):
            self.year.deliverer.over(effect.kind, effect.subject)
        elif isinstance(effect, RecordDay):
            self.days.append(effect)
        elif isinstance(effect, RecordAnswer):
            self.year.answers.append(effect)


@dataclass
class Year:
    """``acts``: what the household does the evening after a message, by kind; the rest it leaves."""

    first: date
    last: date
    seed: int = 1
    troubles: Sequence[Trouble] = ()
    start_level_m: float = 0.7
    drained_until: date | None = None
    site: Site = field(default_factory=lambda: replace(example_site("five-drums"), place=SEATTLE))
    sent: list[Sent] = field(default_factory=list)
    outcomes: list[Outcome] = field(default_factory=list)
    answers: list[RecordAnswer] = field(default_factory=list)
    levels: list[tuple[datetime, float]] = field(default_factory=list)  # as they truly were

    def __post_init__(self) -> None:
        self._requests = count(1)
        self._todo: list[tuple[datetime, Callable[[], None]]] = []
        self._care_told: datetime | None = None
        zone = self.site.place.timezone
        opens, ends = (local_midnight(d, zone) for d in (self.first, self.last + timedelta(days=1)))
        truth = draw_truth(self.site, self.seed, replace(Hidden(), clogging_loss=0.0))
        weather = [d for d in seattle() if self.first <= d.day <= self.last]
        level_m = 0.0 if self.drained_until else self.start_level_m
        self.garden = TrueGarden(self.site, truth, weather, opens, ends, start_level_m=level_m)
        self._whole = dict(self.garden.zones)
        self.deliverer = Deliverer(
            self.site.name,
            [HOUSEHOLD],
            {"phone": Address("json://phone.example")},
            zone=zone,
            on_outcome=self._heard,
            send=self._send,
            clock=lambda: self.garden.now_s,
            pacing=Pacing(zone, lambda: self.garden.clock, lambda: self._choices()),
        )
        node = VirtualNode(self.site, self.garden, rest_report_s=1800.0, open_report_s=60.0)
        self._message: Message | None = None
        self._shell: _Shell | None = None
        self._shell = _Shell(self, self.garden, node)

    def _choices(self) -> tuple[RecordChoice, ...]:
        return self._shell.state.choices if self._shell is not None else ()

    @property
    def shell(self) -> _Shell:
        assert self._shell is not None
        return self._shell

    @property
    def now(self) -> datetime:
        return self.garden.clock

    def troubled(self, kind: str) -> bool:
        return any(t.kind == kind and t.begins <= self.now < t.ends for t in self.troubles)

    # ---- The household --------------------------------------------------------------------------------

    def _send(self, _address: Address, message: Message) -> bool:
        self._message = message
        return True

    def _heard(self, outcome: Outcome) -> None:
        self.outcomes.append(outcome)
        if outcome.status != "told":
            return
        if self._message is not None:
            self.sent.append(Sent(self.now, self._message, []))
            self._message = None
        self.sent[-1].alerts.append(outcome.alert)
        self._plan(outcome.alert)

    def _plan(self, alert: Alert) -> None:
        """What is said to be done is done the next evening."""
        does: dict[str, Callable[[], None]] = {
            "near_empty": self._top_up,
            "runs_out": self._top_up,
            "out_of_reach": self._top_up,
            "run_short": self._clean,
            "care_due": self._care,
            "frost": self._drain,
            "winter_over": lambda: self.ask("winter", None),
        }
        if alert.kind in does:
            evening = self.now.replace(minute=0) + timedelta(hours=30)
            self._todo.append((evening, does[alert.kind]))

    def ask(self, kind: RequestKind, subject: str | None, amount: float | None = None) -> None:
        self.shell.feed(RequestMade(Request(next(self._requests), self.now, "Ann", kind, subject, amount)))

    def _top_up(self) -> None:
        litres = min(200.0, self.garden.brim_l - self.garden.volume_l)
        if litres > 1.0 and not is_drained(self.shell.state.choices):
            self.garden.take(-litres)
            self.ask("topped_up", None, litres)

    def _clean(self) -> None:
        """A clogged filter is clean from then on."""
        self.troubles = [
            replace(t, ends=min(t.ends, self.now)) if t.kind == "clog" and t.begins <= self.now else t
            for t in self.troubles
        ]
        self.ask("care", "filter")

    def _care(self) -> None:
        for due in self._care_due():
            if due.task.id == "level":
                self.ask("measured", None, max(0.0, self.garden.level_m))
            self.ask("care", due.task.id)

    def _care_due(self) -> tuple[CareDue, ...]:
        choices, today = self.shell.state.choices, self._today()
        winter = winter_of(choices)
        if winter.drained is not None:
            return ()
        begun = max(winter.back or self.first, self.first)
        return care_due(care_done(choices), first_day=begun, back_since=winter.back, last_day=today)

    def _tell_care(self) -> None:
        """As the service does it."""
        due = self._care_due()
        if due and (self._care_told is None or self.now - self._care_told >= AGAIN):
            self._care_told = self.now
            text = f"{self.site.name}: {due_words(due, self._today())}."
            self.deliverer.deliver(Alert("care_due", "", text, "Do it, then tell it.", False, self.now))

    def _drain(self) -> None:
        """In autumn only: in spring it is left as it is."""
        if self._today().month >= 10:
            self.garden.take(self.garden.volume_l)
            self.ask("winter", f"{self._today()}/{date(self._today().year + 1, 3, 15)}")

    def _today(self) -> date:
        return self.now.astimezone(self.site.place.timezone).date()

    # ---- Time -----------------------------------------------------------------------------------------

    def live(self) -> Year:
        zone = self.site.place.timezone
        if self.drained_until is not None:
            self.ask("winter", f"{self.first}/{self.drained_until}")
        end = local_midnight(self.last + timedelta(days=1), zone)
        while self.now < end:
            self.shell.run_to(min(end, self.now + timedelta(hours=LOOK_H)))
            self._hour()
        return self

    def _hour(self) -> None:
        if is_drained(self.shell.state.choices):
            self.garden.take(self.garden.volume_l)  # the taps stand open
        for zone, whole in self._whole.items():
            flows = whole.flows * (CLOGGED if self.troubled("clog") else 1.0)
            self.garden.zones[zone] = replace(whole, flows=flows)
        if self.troubled("taps") and self._local_hour() == 18:
            self.garden.take(40.0)
        due = [do for at, do in self._todo if at <= self.now]
        self._todo = [(at, do) for at, do in self._todo if at > self.now]
        for do in due:
            do()
        self.levels.append((self.now, self.garden.level_m))
        if self._local_hour() == 7:
            self._tell_care()
        self.deliverer.work()

    def _local_hour(self) -> int:
        return self.now.astimezone(self.site.place.timezone).hour


def by_week(year: Year) -> list[int]:
    """Messages of each whole week from the first day."""
    weeks = ((year.last - year.first).days + 1) // 7
    zone = year.site.place.timezone
    counts = Counter((s.at.astimezone(zone).date() - year.first).days // 7 for s in year.sent)
    return [counts[n] for n in range(weeks)]


def told_twice(year: Year) -> list[tuple[str, str, date]]:
    """What reached the household more than once on one local day."""
    zone = year.site.place.timezone
    seen = Counter((a.kind, a.subject, s.at.astimezone(zone).date()) for s in year.sent for a in s.alerts)
    return [key for key, times in seen.items() if times > 1]


def usual_troubles(first: date, last: date, seed: int) -> list[Trouble]:
    """Some of each kind on drawn days: a radio that drops, a sensor in a web, a network away, a filter."""
    rng = random.Random(seed)
    found = []
    for kind, often_days, hours in USUAL:
        at = datetime(first.year, first.month, first.day, tzinfo=UTC) + timedelta(
            days=rng.uniform(3, often_days)
        )
        while at.date() < last:
            ends = at + timedelta(hours=rng.uniform(*hours))
            found.append(Trouble(kind, at, ends))
            at = ends + timedelta(days=rng.expovariate(1.0 / often_days))
    return found


def main(words: Sequence[str]) -> None:
    from tests.support.message_truth import frosts_told, untrue

    first, last = (date.fromisoformat(w) for w in words[:2])
    seed = int(words[2]) if len(words) > 2 else 1
    drained_until = date(first.year, 3, 15) if first.month == 3 else None
    troubles = usual_troubles(first, last, seed)
    year = Year(first, last, seed, troubles, drained_until=drained_until).live()
    weeks, wrong = by_week(year), untrue(year)
    kinds = Counter(a.kind for s in year.sent for a in s.alerts)
    print(f"seed {seed}, {first} to {last}, troubles: {dict(Counter(t.kind for t in troubles))}")
    print(
        f"messages: {len(year.sent)} in {len(weeks)} weeks, median {median(weeks)} a week, most {max(weeks)}"
    )
    print(f"what they told: {dict(kinds)}; twice on a day: {told_twice(year)}")
    print(f"not sent: {dict(Counter(o.status for o in year.outcomes if o.status != 'told'))}")
    frosts, still, came = frosts_told(year)
    print(
        f"frost: told {frosts} times that it is forecast, {still} times it was still so when that went out, "
        f"{came} times it came"
    )
    print(f"untrue: {len(wrong)}: {dict(Counter(a.kind for a in wrong))}")
    for alert in wrong:
        print(f"  {alert.at:%Y-%m-%d %H:%M} {alert.kind} {alert.text}")
    longest = max((s.message for s in year.sent), key=lambda m: len(m.body), default=None)
    if longest is None:
        return
    print(f"longest, {len(longest.body)} letters:\n{longest.title}\n{longest.body}")


if __name__ == "__main__":
    main(sys.argv[1:])
