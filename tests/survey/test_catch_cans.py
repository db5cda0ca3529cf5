"""Catch cans name the emitters that are amiss, and how even the plants are served."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import UTC, datetime

import numpy as np
import pytest

from scheduler.hydraulics.network import zone_network
from scheduler.hydraulics.solve import solve
from scheduler.site.examples import example_site
from scheduler.site.model import Plant, Point, Site
from scheduler.survey.catch_cans import catch_cans
from scheduler.survey.tests_done import Can, CatchCans
from scheduler.survey.trimming import trim_advice
from scheduler.survey.wants import midsummer_wants
from tests.support.gardens import small_garden

AT = datetime(2012, 5, 20, tzinfo=UTC)


def row_garden(count: int = 12) -> Site:
    """One row of equal plants with one bubbler each, on one level line."""
    site = small_garden()
    zone = site.zones[0]
    bubbler = zone.emitters[0]
    plants = tuple(replace(site.plants[0], id=f"t{i}", name=f"Tomato {i}") for i in range(count))
    points = tuple(
        Point(0.5 + 0.5 * i, 0.5, (replace(bubbler, id=f"e{i}", plant=f"t{i}"),)) for i in range(count)
    )
    line = replace(zone.lines[0], points=points)
    return replace(site, zones=(replace(zone, lines=(line,)), site.zones[1]), plants=plants + site.plants)


def flows_of(site: Site, level_m: float, factors: dict[str, float]) -> dict[str, float]:
    network = zone_network(site, site.zones[0], coefficient_factor=factors)
    return dict(zip(network.emitter_ids, solve(network, level_m).flow_lph.tolist(), strict=True))


def record(flows: dict[str, float | None], **more: object) -> CatchCans:
    run_s = 600.0
    cans = tuple(Can(emitter=e, volume_l=None if f is None else f * run_s / 3600.0) for e, f in flows.items())
    fields: dict[str, object] = {"level_m": 0.7, "level_end_m": 0.7, "run_s": run_s, **more}
    return CatchCans.model_validate({"zone": "pots", "at": AT, "who": "Ida", "cans": cans, **fields})


def test_du_eu_and_us_of_eight_cans() -> None:
    # Worked by hand: 60 70 80 90 100 110 120 130 sum to 760, mean 95. Low quarter: two values, mean 65;
    # DU = 65/95. EU = 60/95. Squares of the differences sum to 4200, s = sqrt(4200/7) = 24.495;
    # Us = 1 - s/95.
    site = row_garden(8)
    flows: dict[str, float | None] = {f"e{i}": 60.0 + 10.0 * i for i in range(8)}
    even = catch_cans(site, record(flows)).by_emitter
    assert even is not None
    assert even.du.value == pytest.approx(65 / 95)
    assert even.eu == pytest.approx(60 / 95)
    assert even.us == pytest.approx(1.0 - 24.4949 / 95.0, abs=1e-5)
    assert even.grade == "fair"  # DU 68-75 %: ASABE EP458 from memory


def test_the_sum_counts_at_a_plant_with_two_bubblers() -> None:
    # Worked by hand: 10 and 30 L/h at one plant are 40 L/h; one plant is as even as can be.
    result = catch_cans(small_garden(), record({"p1": 10.0, "p2": 30.0}))
    assert result.plants == {"tomato": pytest.approx(40.0)}
    assert result.by_plant is not None and result.by_plant.du.value == 1.0
    assert result.by_emitter is not None and result.by_emitter.du.value == pytest.approx(0.5)


def test_litres_wanted_set_the_class() -> None:
    # A plant that wants twice as much and gets twice as much is served evenly.
    site = small_garden()
    wants = midsummer_wants(site)
    bed = {"b1": 2.0 * wants["sage"], "b2": 2.0 * wants["thyme"]}
    result = catch_cans(site, record(bed).model_copy(update={"zone": "bed"}))
    assert result.by_want is not None and result.by_want.du.value == pytest.approx(1.0)
    assert result.grade == "excellent"


@pytest.mark.parametrize("count", [6, 12])
def test_two_clogged_emitters_are_named_and_no_other(count: int) -> None:
    site = row_garden(count)
    rng = np.random.default_rng(3)
    named = falsely = 0
    trials = 30
    for _ in range(trials):
        made = {f"e{i}": float(rng.normal(0.85, 0.85 * 0.05)) for i in range(count)}
        made["e1"] *= 0.55
        made["e4"] *= 0.65
        flows = {e: f * (1.0 + rng.normal(0.0, 0.015)) for e, f in flows_of(site, 0.7, made).items()}
        amiss = {e.emitter for e in catch_cans(site, record(dict(flows))).amiss}
        named += {"e1", "e4"} <= amiss
        falsely += bool(amiss - {"e1", "e4"})
    assert named >= trials - 1
    assert falsely <= 2


def test_that_no_emitter_is_off_is_told_with_a_round_bound_that_holds() -> None:
    site = row_garden(12)
    rng = np.random.default_rng(5)
    bounds = set()
    for scatter in (0.02, 0.06, 0.1, 0.13):
        made = {f"e{i}": float(rng.normal(1.0, scatter)) for i in range(12)}
        result = catch_cans(site, record(dict(flows_of(site, 0.7, made))))
        if found := re.search(r"No emitter is off by ([\d.]+) % or more", result.verdict):
            assert float(found[1]) % 5.0 == 0.0
            assert 0.0 <= float(found[1]) / 100.0 - result.off_share < 0.05
            bounds.add(found[1])
    assert len(bounds) > 1


def test_a_dead_and_a_too_open_emitter_are_told_apart() -> None:
    site = row_garden()
    flows = flows_of(site, 0.7, {"e2": 0.0, "e5": 1.8})
    result = catch_cans(site, record(dict(flows)))
    assert {e.emitter: e.finding for e in result.amiss} == {"e2": "dead", "e5": "too open"}
    assert "e2 (Tomato 2) is dead" in result.verdict and "e5 (Tomato 5) is too open" in result.verdict


def test_a_zone_that_gives_less_all_over_has_no_clogged_emitter() -> None:
    site = row_garden()
    result = catch_cans(site, record(dict(flows_of(site, 0.7, {f"e{i}": 0.6 for i in range(12)}))))
    assert result.amiss == ()
    assert result.factor.value == pytest.approx(0.6, abs=0.02)
    assert result.factor.low < 0.6 < result.factor.high


def test_too_few_cans_name_no_clogged_emitter() -> None:
    result = catch_cans(small_garden(), record({"p1": 10.0, "p2": 4.0}))
    assert result.amiss == ()


def test_a_can_that_was_spilt_is_unknown_not_nothing() -> None:
    site = row_garden()
    flows: dict[str, float | None] = dict(flows_of(site, 0.7, {}))
    whole = catch_cans(site, record(flows))
    flows["e4"] = None
    result = catch_cans(site, record(flows))
    assert result.plants["t4"] is None
    assert result.total_lph.value == pytest.approx(whole.total_lph.value, rel=0.01)
    assert result.by_plant is not None and result.by_plant.count == 11
    assert "No can: e4." in result.verdict


def test_a_can_with_its_own_time_counts_by_it() -> None:
    site = small_garden()
    cans = (Can(emitter="p1", volume_l=2.0), Can(emitter="p2", volume_l=1.0, run_s=300.0))
    result = catch_cans(site, record({}, cans=cans))
    assert result.flows_lph == {"p1": pytest.approx(12.0), "p2": pytest.approx(12.0)}


def test_water_drawn_and_not_caught_is_a_leak_in_the_lines() -> None:
    site = row_garden()
    flows = flows_of(site, 0.7, {})
    caught = sum(flows.values()) / 6.0
    tight = catch_cans(site, record(dict(flows), drawn_l=1.01 * caught))
    leaky = catch_cans(site, record(dict(flows), drawn_l=1.15 * caught))
    assert tight.lost_l is not None and tight.lost_l.low < 0.0 and "leak" not in tight.verdict
    assert leaky.lost_l is not None and leaky.lost_l.low > 0.0 and "leak in the lines" in leaky.verdict


def test_the_level_falls_while_the_cans_fill() -> None:
    site = row_garden()
    result = catch_cans(site, record(dict(flows_of(site, 0.7, {})), level_end_m=0.5))
    assert 0.55 < result.level_m < 0.65


def test_nothing_caught_has_no_evenness() -> None:
    result = catch_cans(row_garden(4), record({f"e{i}": 0.0 for i in range(4)}))
    assert result.by_emitter is None and result.grade is None
    assert all(e.finding == "dead" for e in result.emitters)


def test_the_flows_go_into_a_trimming_round() -> None:
    site = row_garden(6)
    result = catch_cans(site, record(dict(flows_of(site, 0.7, {"e2": 0.6}))))
    targets = {p.id: 1.0 for p in site.plants if isinstance(p, Plant) and p.id.startswith("t")}
    advice = trim_advice(site, "pots", result.level_m, targets, result.flows_lph)
    assert advice.turns and advice.turns[0].emitter in result.flows_lph


def test_an_example_as_drawn_has_nothing_amiss() -> None:
    site = example_site("five-drums")
    zone = site.zones[0]
    flows = dict(
        zip(
            (e.id for e in zone.emitters), solve(zone_network(site, zone), 0.6).flow_lph.tolist(), strict=True
        )
    )
    done = record(dict(flows), level_m=0.6, level_end_m=0.6).model_copy(update={"zone": zone.id})
    result = catch_cans(site, done)
    assert result.amiss == () and result.factor.value == pytest.approx(1.0, abs=0.02)


def test_no_can_measured_is_unknown_and_all_dry_is_no_water() -> None:
    site = row_garden()
    ids = [e.id for e in site.zones[0].emitters]
    unmeasured = catch_cans(site, record(dict.fromkeys(ids)))
    assert unmeasured.verdict == "No can was measured; nothing can be judged."
    assert unmeasured.flows_lph == {} and not unmeasured.caught
    dry = catch_cans(site, record(dict.fromkeys(ids, 0.0)))
    assert dry.verdict.startswith("Every can that stood stayed dry") and not dry.caught
    assert dry.flows_lph == dict.fromkeys(ids, 0.0)
