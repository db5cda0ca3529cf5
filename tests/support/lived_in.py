"""A garden that was lived in: the real controller in virtual time, all it records in a real store, asked by
the real commands at the hour that the garden has reached."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta
from pathlib import Path
from typing import get_args
from unittest.mock import patch

import pytest
from typer.testing import CliRunner

from scheduler.agronomy.weather import DayWeather, Outlook
from scheduler.cli import present
from scheduler.cli.main import app
from scheduler.control.effects import Effect, Record, RecordReading
from scheduler.control.events import NodeHeard, RequestMade
from scheduler.planning.windows import local_midnight
from scheduler.rehearsal.garden import TrueGarden
from scheduler.rehearsal.hidden import Hidden, draw_truth
from scheduler.rehearsal.node_model import VirtualNode
from scheduler.rehearsal.shell import VirtualShell
from scheduler.service.places import site_store_path
from scheduler.site.errors import FallingheadError
from scheduler.site.examples import example_site
from scheduler.site.model import Site
from scheduler.store.store import Store, store_url
from scheduler.weather.weather_file import packaged_weather


class _KeepingShell(VirtualShell):
    """Keeps what the daemon would; ``settle`` writes it, readings apart as the daemon does."""

    def __init__(
        self,
        store: Store,
        site: Site,
        garden: TrueGarden,
        node: VirtualNode,
        days: Sequence[DayWeather],
        seed: int,
    ) -> None:
        self.store = store
        self._records: list[Record] = []
        self._readings: list[RecordReading] = []
        self._heard: tuple[NodeHeard, datetime] | None = None
        self.sensor_dead = False
        self.rain_probability: float | None = None
        super().__init__(site, garden, node, days, seed)

    def settle(self) -> None:
        self.store.write(self._records)
        self.store.flush(self._readings, (self._heard,) if self._heard else (), {})
        self._records, self._readings = [], []

    def _record(self, effect: Effect) -> None:
        super()._record(effect)
        if isinstance(effect, RecordReading):
            self._readings.append(effect)
        elif isinstance(effect, get_args(Record)):
            self._records.append(effect)

    def _let_node_act(self) -> None:
        if self.node.next_at() <= self.garden.clock:
            heard = self.node.act()
            if heard is not None:
                heard = replace(heard, reading=None) if self.sensor_dead else heard
                self._heard = (heard, self.garden.clock)
                self.feed(heard)

    def _foreseen(self, outlook: Outlook, probability: float) -> Outlook:
        """The rain that will fall, with that probability."""
        real = {d.day: d.rain_mm for d in self._days}
        days = tuple(
            replace(d, rain_mm=real[d.day], rain_probability=probability if real[d.day] else 0.0)
            for d in outlook.days
        )
        return replace(outlook, days=days)

    def _forecast(self) -> Outlook:
        outlook = super()._forecast()
        if self.rain_probability is not None:
            outlook = self._foreseen(outlook, self.rain_probability)
        self.store.save_outlook(outlook)
        return outlook


@dataclass(slots=True)
class LivedIn:
    """``live`` to a day and hour (local), ``says`` what a command prints then."""

    site: Site
    shell: _KeepingShell
    store: Store

    @property
    def now(self) -> datetime:
        return self.shell.garden.clock

    def live(self, day: date, hour: float = 0.0) -> None:
        self.shell.run_to(local_midnight(day, self.site.place.timezone) + timedelta(hours=hour))
        self.shell.settle()

    @property
    def true_l(self) -> float:
        """Litres really above the outlet."""
        return self.shell.garden.volume_l

    def says(self, *words: str) -> str:
        """What the command prints, its lines joined; a refusal is its error's text."""
        with patch.object(present, "now", lambda: self.now):
            ran = CliRunner().invoke(app, list(words))
        if isinstance(ran.exception, FallingheadError):
            return str(ran.exception)
        if ran.exception is not None and not isinstance(ran.exception, SystemExit):
            raise ran.exception
        return ran.output

    def asks(self, *words: str) -> str:
        """A request, and what the controller answered to it."""
        said = self.says(*words, "--wait", "0")
        for request in self.store.unanswered_requests():
            self.shell.feed(RequestMade(request))
            self.shell.settle()
            answer = self.store.answer_to(request.id)
            said += answer.text if answer is not None else ""
        return said


def lived_in(
    site: Site,
    weather: Sequence[DayWeather],
    first: date,
    *,
    start_level_m: float,
    seed: int = 1,
    until: date,
) -> LivedIn:
    """A commissioned garden with hidden errors from ``first`` on; the store where the commands look for it
    (FALLINGHEAD_STATE)."""
    opens, ends = (local_midnight(d, site.place.timezone) for d in (first, until))
    path: Path = site_store_path(site.id)
    path.parent.mkdir(parents=True, exist_ok=True)
    store = Store(store_url(path), site.id)
    garden = TrueGarden(
        site, draw_truth(site, seed, Hidden()), weather, opens, ends, start_level_m=start_level_m
    )
    node = VirtualNode(site, garden, rest_report_s=1800.0, open_report_s=60.0)
    return LivedIn(site, _KeepingShell(store, site, garden, node, weather, seed), store)


@contextmanager
def dry_summer(
    folder: Path, first: date, evening: date, until: date, start_level_m: float = 0.17
) -> Iterator[LivedIn]:
    """The five drums in the dry summer of 2012, a quarter full on ``first``, lived in to eight on that
    ``evening``; its state stands in ``folder``, where the commands look for it."""
    with pytest.MonkeyPatch.context() as patched:
        patched.setenv("FALLINGHEAD_STATE", str(folder))
        patched.setenv("COLUMNS", "200")
        site, weather = example_site("five-drums"), packaged_weather("seattle-2012")
        made = lived_in(site, weather, first, until=until, start_level_m=start_level_m)
        made.live(evening, 20.0)
        yield made
        made.store.close()
