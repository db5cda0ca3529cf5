"""The states in which the page of a garden is looked at: each from its own store and controller."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path

from scheduler.agronomy.weather import DayWeather
from scheduler.control.effects import Alert, AlertKind, RaiseAlert, RecordDay, RecordStop, RootZoneRecord
from scheduler.control.events import WeatherArrived
from scheduler.hydraulics.network import zone_network
from scheduler.hydraulics.solve import solve
from scheduler.site.model import Roof, Site
from scheduler.survey.tests_done import Can, CatchCans, site_mark
from scheduler.weather.weather_file import packaged_weather
from tests.support.gardens import small_garden
from tests.support.lived_in import dry_summer
from tests.support.page_garden import PageGarden

State = Callable[[Path], PageGarden]


def _started(folder: Path, *, site: Site | None = None) -> PageGarden:
    page = PageGarden(folder, site=site, ahead=True)
    page.start()
    page.let_in()
    return page


def _raised(page: PageGarden, kind: AlertKind, text: str, advice: str, *, urgent: bool = False) -> None:
    alert = Alert(kind, "", f"{page.site.name}: {text}", advice, urgent, page.now())
    page.store.write([RaiseAlert(alert)])


def _lived(page: PageGarden, seconds: float, every_s: float) -> None:
    """Time passes, and the node does what it is told."""
    driver, done = page.driver, len(page.driver.orders())
    end_s = driver.mono_s + seconds
    while driver.mono_s < end_s:
        driver.wait(every_s, every_s=every_s)
        for order in driver.orders()[done:]:
            driver.node.opens(order)
            driver.wait(order.open_ms / 1000.0, every_s=120)
            driver.node.ends(order)
            driver.wait(60, every_s=30)
        done = len(driver.orders())


def _dry_roots(page: PageGarden) -> None:
    """What ``begin`` told the controller stands in the books too."""
    yesterday = page.now().date() - timedelta(days=1)
    dry = [
        RootZoneRecord(plant, yesterday, 25.0, 5.0, 5.0, "test", 0.0, 0.0, 0.0)
        for plant in (p.id for p in page.site.plants)
    ]
    weather = DayWeather(yesterday, tmin_c=13.0, tmax_c=28.0, rain_mm=0.0, wind_ms=2.5)
    page.store.write([RecordDay(weather, tuple(dry))])


def nothing_yet(folder: Path) -> PageGarden:
    page = PageGarden(folder)
    page.let_in()
    return page


def first_day(folder: Path) -> PageGarden:
    page = PageGarden(folder)
    page.driver.node.level_m = None
    page.serve()
    page.begin()
    page.let_in()
    return page


def under_way(folder: Path) -> PageGarden:
    page = _started(folder)
    order = page.driver.to_first_order()
    page.driver.node.opens(order)
    page.driver.wait(60, every_s=30)
    page.hear()
    return page


def run_over(folder: Path) -> PageGarden:
    """The run is over, and somebody is asked about care and days away."""
    page = under_way(folder)
    order = page.driver.orders()[0]
    page.driver.wait(order.open_ms / 1000.0, every_s=120)
    page.driver.node.ends(order)
    page.hear()
    return page


def level_unknown(folder: Path) -> PageGarden:
    page = _started(folder)
    page.driver.node.level_m = None
    _lived(page, 9 * 3600, 300)
    page.hear()
    return page


def node_silent(folder: Path) -> PageGarden:
    page = _started(folder)
    page.driver.wait(3 * 3600, every_s=600, speaking=False)
    page.settle()
    return page


def forecast_stale(folder: Path) -> PageGarden:
    page = _started(folder)
    _lived(page, 27 * 3600, 300)
    page.hear()
    return page


def clock_unknown(folder: Path) -> PageGarden:
    page = _started(folder)
    _raised(page, "clock_unknown", "the time of day is not known", "Give the Pi a network.")
    return page


def drained(folder: Path) -> PageGarden:
    page = _started(folder)
    page.driver.node.level_m = None
    page.tell("winter", until="2012-09-15")
    page.driver.wait(8 * 3600.0, every_s=900.0)
    page.hear()
    return page


def valve_not_shut(folder: Path) -> PageGarden:
    page = _started(folder)
    page.driver.node.positions[page.site.zones[0].valve.channel] = ("open", None)
    page.driver.wait(120, every_s=30)
    page.hear()
    return page


def stopped(folder: Path) -> PageGarden:
    page = _started(folder)
    page.store.write([RecordStop(True, "Ben", page.now())])
    return page


def service_away(folder: Path) -> PageGarden:
    page = _started(folder)
    page.lock.release()
    return page


def short(folder: Path) -> PageGarden:
    """Little water, and a plant that it does not reach."""
    site = small_garden()
    bed = site.zones[1]
    line = bed.lines[0]
    high = (line.points[0], replace(line.points[1], drop_m=-0.2))
    bank = replace(bed, lines=(replace(line, points=high),))
    page = PageGarden(folder, site=replace(site, zones=(site.zones[0], bank)), ahead=True)
    page.driver.node.level_m = 0.15
    page.serve()
    page.begin()
    _dry_roots(page)
    page.let_in()
    page.tell("away", day="2012-07-22", until="2012-08-05")
    return page


def week_on(folder: Path) -> PageGarden:
    """Five drums after a week of the dry summer of 2012, by the evening; the weather of the weeks before is
    in the books."""
    first = date(2012, 8, 3)
    with dry_summer(folder, first, date(2012, 8, 11), date(2012, 8, 25), 0.5) as lived:
        before = [d for d in packaged_weather("seattle-2012") if date(2012, 7, 1) <= d.day < first]
        lived.store.write([RecordDay(day, ()) for day in before])
        page = PageGarden(folder, site=lived.site, ahead=True)
        page.hands.ahead = lived.now - page.driver.now.wall
    page.serve()
    page.let_in()
    return page


def level_jumped(folder: Path) -> PageGarden:
    """10 cm of the level were gone at once, and nobody told of it."""
    page = _started(folder)
    page.tell("hold", day="2012-07-21")
    page.driver.wait(3600, every_s=300)
    level_m = page.driver.node.level_m
    assert level_m is not None
    page.driver.node.level_m = level_m - 0.10
    page.driver.wait(3 * 3600, every_s=300)
    page.hear()
    return page


def power_failed(folder: Path) -> PageGarden:
    """The node's power was cut a minute into a run, and is back."""
    page = _started(folder)
    order = page.driver.to_first_order()
    page.driver.node.opens(order)
    page.driver.wait(60, every_s=30)
    page.driver.node.reboots(page.driver.mono_s)
    page.driver.node.ends(order, open_ms=10_000, why="restart")
    page.driver.node.outcomes[-1] = replace(page.driver.node.outcomes[-1], open_ms_max=70_000)
    page.driver.node.last_sequence = 0
    page.hear()
    return page


def storm(folder: Path) -> PageGarden:
    """Barrels nearly full under a roof of 20 m2, and 40 mm of rain nearly sure for tomorrow."""
    site = small_garden()
    page = PageGarden(folder, site=replace(site, roof=Roof(20.0, 0.85, 0.0)), ahead=True)
    page.driver.node.level_m = 0.75
    page.serve()
    page.begin()
    outlook = page.store.last_outlook()
    assert outlook is not None
    tomorrow = page.now().date() + timedelta(days=1)
    days = tuple(
        replace(d, rain_mm=40.0, rain_probability=0.95) if d.day == tomorrow else d for d in outlook.days
    )
    page.store.save_outlook(replace(outlook, days=days))
    page.let_in()
    return page


def empty(folder: Path) -> PageGarden:
    """The water stands a hand's breadth below the reserve."""
    page = PageGarden(folder, ahead=True)
    page.driver.node.level_m = 0.02
    page.serve()
    page.begin()
    _dry_roots(page)
    _lived(page, 3600, 300)
    page.hear()
    page.let_in()
    return page


def frost(folder: Path) -> PageGarden:
    """Frost is forecast for the night after the next."""
    page = _started(folder)
    outlook = page.store.last_outlook()
    assert outlook is not None
    night = page.now().date() + timedelta(days=2)
    days = tuple(replace(d, tmin_c=-2.0) if d.day == night else d for d in outlook.days)
    cold = replace(outlook, days=days, fetched_at=page.now())
    page.store.save_outlook(cold)
    page.driver.feed(WeatherArrived(cold))
    page.driver.wait(60, every_s=30)
    page.hear()
    return page


def tested(folder: Path) -> PageGarden:
    """The cans of the bed were read this week; the bubbler of the thyme gave two fifths of its due."""
    page = _started(folder)
    zone = page.site.zone("bed")
    flows = solve(zone_network(page.site, zone), 0.6).flow_lph
    shares = {"b2": 0.4}
    cans = tuple(
        Can(emitter=e.id, volume_l=float(q) * shares.get(e.id, 1.0) / 6.0)
        for e, q in zip(zone.emitters, flows, strict=True)
    )
    at = page.now() - timedelta(days=2)
    record = CatchCans(zone="bed", at=at, who="Ines", level_m=0.6, run_s=600.0, cans=cans)
    page.store.add_test_record(record, site_mark(page.site, "bed"))
    return page


STATES: Mapping[str, State] = {
    "well": _started,
    "under-way": under_way,
    "run-over": run_over,
    "short": short,
    "level-unknown": level_unknown,
    "node-silent": node_silent,
    "forecast-stale": forecast_stale,
    "clock-unknown": clock_unknown,
    "drained": drained,
    "first-day": first_day,
    "nothing-yet": nothing_yet,
    "valve-not-shut": valve_not_shut,
    "stopped": stopped,
    "service-away": service_away,
    "week-on": week_on,
    "level-jumped": level_jumped,
    "power-failed": power_failed,
    "storm": storm,
    "empty": empty,
    "frost": frost,
    "tested": tested,
}
