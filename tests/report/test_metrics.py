"""The figures for a collecting program: the format as a general library reads it, unknown as absent."""

from __future__ import annotations

import math
from collections.abc import Mapping
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from prometheus_client.parser import text_string_to_metric_families
from typer.testing import CliRunner

from scheduler.cli import present
from scheduler.cli.main import app
from scheduler.control.effects import Booking, RecordBooking, RecordStop
from scheduler.report.metrics import FAMILIES, PREFIX, metrics_text
from scheduler.report.round_gardens import round_gardens
from tests.support.many_gardens import OneOfMany, one_of_many

NOW = datetime(2012, 8, 1, 15, 0, tzinfo=UTC)
SEEN = NOW - timedelta(minutes=20)
Labels = frozenset[tuple[str, str]]


def read(text: str) -> dict[tuple[str, Labels], float]:
    """Every sample by its name without our prefix and its labels, as Prometheus' own client library reads
    them; it raises for what is not of the format."""
    found = {}
    for family in text_string_to_metric_families(text):
        assert family.documentation
        for sample in family.samples:
            key = (sample.name.removeprefix(PREFIX), frozenset(sample.labels.items()))
            assert key not in found, f"{key} twice"
            found[key] = sample.value
    return found


def figures(folder: Path, now: datetime = NOW) -> dict[tuple[str, Labels], float]:
    return read(metrics_text(round_gardens([str(folder)]), now))


def key(name: str, garden: OneOfMany, more: Mapping[str, str] | None = None) -> tuple[str, Labels]:
    return name, frozenset({"garden": garden.site.id, **(more or {})}.items())


def booking(garden: OneOfMany, at: datetime, litres: float, number: int) -> RecordBooking:
    zone = garden.site.zones[0].id
    day = at.astimezone(garden.site.place.timezone).date()
    return RecordBooking(
        Booking(f"order-{number}", zone, day, at, 600.0, None, (), litres, litres - 1.0, litres + 1.0)
    )


def test_the_water_is_told_in_litres_and_metres(tmp_path: Path) -> None:
    garden = one_of_many(tmp_path, 1, SEEN)
    found = figures(tmp_path)
    assert found[key("level_metres", garden)] == 0.5
    assert found[key("level_low_metres", garden)] == 0.49
    # Five upright drums of 57.15 cm, half a metre of water above the outlet: pi/4 d^2 h each.
    stored_l = 5 * math.pi / 4 * 0.5715**2 * 0.5 * 1000
    assert found[key("stored_litres", garden)] == pytest.approx(stored_l, rel=1e-3)
    assert found[key("usable_litres", garden)] == pytest.approx(stored_l - 100.0, rel=1e-3)
    assert found[key("level_age_seconds", garden)] == 1200.0
    assert found[key("node_heard_age_seconds", garden, {"node": garden.site.node.id})] == 1200.0
    assert found[key("node_supply_volts", garden, {"node": garden.site.node.id})] == 12.6
    assert found[key("forecast_age_seconds", garden, {"source": "test"})] == 1200.0


def test_what_is_not_known_has_no_figure_and_is_never_nothing(tmp_path: Path) -> None:
    garden = one_of_many(tmp_path, 1, SEEN)
    names = {name for name, _ in figures(tmp_path, NOW + timedelta(days=2))}
    # A level of two days ago says nothing of now, nor does what the node said then.
    for name in ("level_metres", "stored_litres", "usable_litres", "level_age_seconds", "left_days"):
        assert name not in names
    for name in ("valve_shut", "node_supply_volts"):
        assert name not in names
    assert "node_heard_age_seconds" in names
    empty = one_of_many(tmp_path / "other", 2, None)
    found = figures(tmp_path / "other")
    assert found[key("readable", empty)] == 1.0
    assert key("heard_age_seconds", empty) not in found
    assert garden.site.id != empty.site.id


def test_litres_runs_and_minutes_count_up_from_new_year(tmp_path: Path) -> None:
    garden = one_of_many(tmp_path, 1, SEEN)
    zone = {"zone": garden.site.zones[0].id}
    with garden.store() as store:
        # New Year's Eve, 20:00 local, is New Year in UTC already: it belongs to the old year.
        store.write([booking(garden, datetime(2012, 1, 1, 4, 0, tzinfo=UTC), 100.0, 1)])
        store.write([booking(garden, datetime(2012, 3, 1, 20, 0, tzinfo=UTC), 20.0, 2)])
        store.write([booking(garden, datetime(2012, 7, 1, 20, 0, tzinfo=UTC), 30.5, 3)])
    found = figures(tmp_path)
    assert found[key("given_litres_total", garden, zone)] == 50.5
    assert found[key("runs_total", garden, zone)] == 2.0
    assert found[key("open_seconds_total", garden, zone)] == 1200.0
    other = {"zone": garden.site.zones[1].id}
    assert found[key("given_litres_total", garden, other)] == 0.0


def test_alerts_stops_and_stress_are_told(tmp_path: Path) -> None:
    garden = one_of_many(tmp_path, 1, SEEN)
    garden.alert("valve_not_shut", SEEN, urgent=True)
    garden.alert("run_short", SEEN, "pots")
    garden.roots(SEEN, {garden.site.plants[0].id: 12.5}, stress=0.25)
    with garden.store() as store:
        store.write([RecordStop(True, "Ann", SEEN)])
    found = figures(tmp_path)
    assert found[key("alert", garden, {"kind": "run_short", "subject": "pots"})] == 1.0
    assert found[key("alert", garden, {"kind": "valve_not_shut", "subject": ""})] == 1.0
    assert (found[key("alerts", garden)], found[key("alerts_urgent", garden)]) == (2.0, 1.0)
    assert found[key("watering_stopped", garden)] == 1.0
    plant = {"plant": garden.site.plants[0].id}
    assert found[key("plant_depletion_millimetres", garden, plant)] == 12.5
    assert found[key("plant_stress", garden, plant)] == 0.25


def test_no_name_of_a_person_no_place_and_no_address_is_told(tmp_path: Path) -> None:
    garden = one_of_many(tmp_path, 1, SEEN)
    with garden.store() as store:
        store.write([RecordStop(True, "Ann", SEEN)])
    text = metrics_text(round_gardens([str(tmp_path)]), NOW)
    site = garden.site
    assert site.people, "a garden that tells somebody"
    for secret in ("Ann", site.broker.host, f"{site.place.latitude_deg}", *(p.name for p in site.people)):
        assert secret not in text
    labels = {name for _, pairs in read(text) for name, _ in pairs}
    assert labels <= {"garden", "zone", "plant", "node", "kind", "subject", "case", "source"}


def test_a_garden_that_cannot_be_read_leaves_the_others_theirs(tmp_path: Path) -> None:
    good, bad, broken = (one_of_many(tmp_path, n, SEEN) for n in (1, 2, 3))
    bad.path.write_bytes(b"not a store at all" * 100)
    broken.file.write_text("id = ", encoding="utf-8")
    found = figures(tmp_path)
    assert [found[key("readable", g)] for g in (good, bad, broken)] == [1.0, 0.0, 0.0]
    assert key("level_metres", good) in found and key("level_metres", bad) not in found


def test_two_gardens_of_one_id_stay_apart(tmp_path: Path) -> None:
    one_of_many(tmp_path / "a", 1, SEEN)
    one_of_many(tmp_path / "b", 1, SEEN)
    text = metrics_text(round_gardens([str(tmp_path / "a"), str(tmp_path / "b")]), NOW)
    gardens = {dict(labels)["garden"] for _, labels in read(text)}
    assert len(gardens) == 2


def test_signs_that_the_format_needs_for_itself_are_escaped() -> None:
    """Of the exposition format: backslash, double quote and line feed in the value of a label."""
    from scheduler.report.metrics import Sample, _family

    odd = 'a "b" \\ c\nd'
    (family,) = text_string_to_metric_families(_family("alerts", [Sample("alerts", 2, {"garden": odd})]))
    assert family.samples[0].labels == {"garden": odd}


def test_every_figure_that_has_a_unit_bears_it_in_its_name() -> None:
    """Prometheus' naming practice: the unit last, in plural, before _total of a counter."""
    units = ("seconds", "metres", "litres", "days", "volts", "millimetres")
    plain = {"readable", "service_running", "runs_total", "valve_shut", "alert", "alerts", "alerts_urgent"}
    plain |= {"watering_stopped", "drained", "requests_waiting", "node_refused_orders_total", "plant_stress"}
    for name, (kind, _) in FAMILIES.items():
        assert name in plain or name.removesuffix("_total").endswith(units), name
        assert (kind == "counter") == name.endswith("_total"), name


def test_the_command_prints_them_and_their_meaning(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(present, "now", lambda: NOW)
    garden = one_of_many(tmp_path, 1, SEEN)
    ran = CliRunner().invoke(app, ["metrics", str(garden.file)])
    assert read(ran.output)[key("level_metres", garden)] == 0.5
    monkeypatch.setenv("FALLINGHEAD_SITE", str(garden.file))
    assert CliRunner().invoke(app, ["metrics"]).output == ran.output
    listed = CliRunner().invoke(app, ["metrics", "--names"]).output
    assert all(PREFIX + name in listed for name in FAMILIES)
