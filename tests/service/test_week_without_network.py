"""Twelve days without a network in virtual time: the daemon's own weather, its store, plans and words."""

from __future__ import annotations

import csv
import importlib.util
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from datetime import date, datetime, timedelta
from pathlib import Path

import pytest

from scheduler.agronomy.need import available_mm
from scheduler.agronomy.past_week import STORED_YEARS
from scheduler.agronomy.weather import DayWeather, Outlook
from scheduler.control.clock import Now
from scheduler.control.effects import RecordDay, RecordPlan
from scheduler.control.events import WeatherFailed
from scheduler.planning.windows import local_midnight
from scheduler.rehearsal.garden import TrueGarden
from scheduler.rehearsal.hidden import Hidden, draw_truth
from scheduler.rehearsal.node_model import VirtualNode
from scheduler.rehearsal.shell import VirtualShell
from scheduler.report.status import status_answer, status_words
from scheduler.report.why import why_answer, why_words
from scheduler.service.forecasts import DAYS, PAST_DAYS, StoredPast
from scheduler.site.errors import WeatherUnavailable
from scheduler.site.examples import example_site
from scheduler.site.model import GardenPlace
from scheduler.store.store import Store, store_url
from scheduler.weather.cache import CachedWeather
from scheduler.weather.without_network import EnduringWeather

SITE = example_site("five-drums")
FIRST, LOST, LAST = date(2014, 7, 20), date(2014, 7, 22), date(2014, 8, 2)
DAY = timedelta(days=1)
OUT_D = (LAST - LOST).days + 1


def record() -> tuple[DayWeather, ...]:
    """Seattle 2012 to 2014, vega_datasets, from NOAA's public-domain records."""
    found = importlib.util.find_spec("vega_datasets")
    assert found is not None and found.origin is not None
    with (Path(found.origin).parent / "_data" / "seattle-weather.csv").open(encoding="utf-8") as lines:
        rows = list(csv.DictReader(lines))
    days = (date.fromisoformat(r["date"].replace("/", "-")) for r in rows)
    return tuple(
        DayWeather(d, float(r["temp_min"]), float(r["temp_max"]), float(r["precipitation"]))
        for d, r in zip(days, rows, strict=True)
    )


RECORD = record()


@dataclass
class Network:
    """The forecast service, gone from LOST on."""

    name: str = "open-meteo"

    def fetch(self, place: GardenPlace, *, today: date, past_days: int, days: int, now: datetime) -> Outlook:
        if today >= LOST:
            raise WeatherUnavailable("the network is down")
        shown = (d for d in RECORD if today - past_days * DAY <= d.day < today + days * DAY)
        return Outlook(tuple(shown), self.name, now, "By Somebody (CC BY 4.0)")


@dataclass
class GardenClock:
    garden: TrueGarden

    def now(self) -> Now:
        return Now(self.garden.clock, self.garden.now_s)


@dataclass
class Told:
    """What the weather service of the daemon said at each fetch, and why it did."""

    outlooks: list[Outlook] = field(default_factory=list)
    why: list[str] = field(default_factory=list)


class ShellWithoutNetwork(VirtualShell):
    """The controller in virtual time with the very weather that the daemon builds."""

    service: EnduringWeather
    told: Told
    store: Store

    def _forecast(self) -> Outlook:
        today, now, said = self.today(), self.garden.clock, len(self.told.why)
        outlook = self.service.fetch(self.site.place, today=today, past_days=PAST_DAYS, days=DAYS, now=now)
        self.told.outlooks.append(outlook)
        self.store.save_outlook(outlook)
        if len(self.told.why) > said:
            self._pending.append(WeatherFailed(self.told.why[-1]))
        return outlook


@dataclass
class Rehearsed:
    shell: ShellWithoutNetwork
    store: Store
    told: Told


@pytest.fixture(scope="module")
def run(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Rehearsed]:
    folder: Path = tmp_path_factory.mktemp("network")
    opens, ends = (local_midnight(d, SITE.place.timezone) for d in (FIRST, LAST + DAY))
    garden = TrueGarden(SITE, draw_truth(SITE, 1, Hidden()), RECORD, opens, ends, start_level_m=0.8)
    node = VirtualNode(SITE, garden, rest_report_s=3600.0, open_report_s=120.0)
    told = Told()
    with Store(store_url(folder / "garden.db"), SITE.id) as store:
        # Two summers in which the daemon ran: its days stand in the store.
        summers = (d for d in RECORD if d.day < FIRST and 6 <= d.day.month <= 9)
        store.write([RecordDay(d, ()) for d in summers])
        past = StoredPast(SITE, store, GardenClock(garden))
        cached = CachedWeather(Network(), folder, say=told.why.append)
        ShellWithoutNetwork.service = EnduringWeather(cached, past, say=told.why.append)
        ShellWithoutNetwork.told, ShellWithoutNetwork.store = told, store
        shell = ShellWithoutNetwork(SITE, garden, node, RECORD, 1)
        half_dry = tuple(
            replace(z, depletion_mm=0.35 * available_mm(SITE.plant(z.plant))) for z in shell.state.zones_now
        )
        shell.state = shell.state.changed({"zones_now": half_dry, "base_zones": half_dry})
        shell.run_to(ends)
        store.write([RecordPlan(p) for p in shell.log.plans])
        yield Rehearsed(shell, store, told)


def outlook_of(run: Rehearsed, day: date) -> Outlook:
    """The last outlook that was fetched on that local day."""
    found = [o for o in run.told.outlooks if o.days and _fetched_on(run, o) == day]
    return found[-1]


def _fetched_on(run: Rehearsed, outlook: Outlook) -> date:
    ahead = [d.day for d in outlook.days]
    return max(ahead) - (DAYS - 1) * DAY


def test_every_day_of_the_outage_has_its_source_and_a_widening_interval(run: Rehearsed) -> None:
    before = outlook_of(run, LOST - DAY)
    assert before.et0 == ()
    rows = []
    for n in range(OUT_D):
        day = LOST + n * DAY
        today = outlook_of(run, day).et0_on(day)
        if n == 0:
            continue  # the last forecast is some hours old: fresh yet, or half a day
        assert today is not None and today.low_mm < today.et0_mm < today.high_mm
        rows.append((day, today, (today.high_mm - today.low_mm) / today.et0_mm))
    for day, today, width in rows:
        print(f"{day}: {today.et0_mm:.1f} mm +-{50 * width:.0f} %: {today.method}")
    kinds = ["years" if "stored years" in e.method else "forecast" for _, e, _ in rows]
    turn = kinds.index("years")
    assert kinds == ["forecast"] * turn + ["years"] * (len(kinds) - turn) and turn >= 3
    widths = [w for _, _, w in rows]
    assert widths[:turn] == sorted(widths[:turn])
    # Beyond the forecast it is wider than it ever was with it.
    assert min(widths[turn:]) > widths[0]


def test_plans_go_on_every_day_and_every_zone_is_watered(run: Rehearsed) -> None:
    for n in range(OUT_D):
        plans = [p for p in run.shell.log.plans if p.day == LOST + n * DAY]
        assert plans, f"no plan on day {n + 1} without a network"
    late = [b for b in run.shell.log.bookings if b.day >= LOST + 2 * DAY and b.volume_l > 0.0]
    assert {b.zone for b in late} == {z.id for z in SITE.zones}


def test_the_balance_of_a_day_names_what_it_was_worked_out_from(run: Rehearsed) -> None:
    days = {r.weather.day: r for r in run.shell.state.days}
    zones = days[LOST + 10 * DAY].root_zones
    assert all("same week of" in z.et0_method for z in zones)
    assert days[LOST + 10 * DAY].weather.rain_mm is None  # nobody told it: unknown, not dry


def test_an_alert_says_that_no_forecast_comes_and_what_watering_goes_by(run: Rehearsed) -> None:
    found = [a for a in run.shell.log.alerts if a.kind == "forecast_stale"]
    assert all("(the network is down" in a.text for a in found)
    # After a day, and once more a week later: by then the stored years have taken over.
    assert [a.at.astimezone(SITE.place.timezone).date() - LOST for a in found] == [DAY * 0, DAY * 7]
    assert "Watering goes on with the Hargreaves" in found[0].advice
    assert "Watering goes on with the same week of 2 stored years" in found[1].advice


def test_status_and_why_name_the_source_and_its_age(run: Rehearsed) -> None:
    now = local_midnight(LAST, SITE.place.timezone) + timedelta(hours=20)
    answer = status_answer(SITE, run.store, now, running=True)
    said = " ".join(status_words(SITE, answer))
    assert "Weather: open-meteo, fetched 2" in said and "By Somebody (CC BY 4.0)" in said
    assert "No fresh forecast of today: ET0 " in said and "stored year" in said
    assert answer.et0_today_low_mm is not None and answer.et0_today_mm is not None
    assert answer.et0_today_low_mm < answer.et0_today_mm
    why = " ".join(why_words(SITE, why_answer(SITE, run.store, LAST)))
    assert "without a fresh forecast: same week of 2 stored years" in why


def test_a_garden_that_never_had_a_forecast_says_so(run: Rehearsed, tmp_path: Path) -> None:
    nothing = EnduringWeather(CachedWeather(Network(), tmp_path), lambda: RECORD)
    now = local_midnight(LAST, SITE.place.timezone)
    outlook = nothing.fetch(SITE.place, today=LAST, past_days=PAST_DAYS, days=DAYS, now=now)
    with Store(store_url(tmp_path / "other.db"), SITE.id) as store:
        store.save_outlook(outlook)
        said = " ".join(status_words(SITE, status_answer(SITE, store, now, running=True)))
    assert f"no forecast ever came; from the {STORED_YEARS}" in said
