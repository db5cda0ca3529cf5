"""Fifty drawn gardens, trimmed by a person with a can and a watch who follows the advice."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, replace

import numpy as np
import pytest

from scheduler.hydraulics.network import zone_network
from scheduler.hydraulics.solve import solve
from scheduler.site.model import Emitter, Line, Plant, Point, Site
from scheduler.survey.trimming import (
    EXPONENT_OPEN,
    EXPONENT_SHUT,
    WITHIN,
    TrimAdvice,
    plant_shares,
    trim_advice,
    turned_exponent,
)
from tests.support.gardens import small_garden

GARDENS = 50
ROUNDS = 3
# A can is read to 1 to 2 % (common practice, no source: volume to 1-2 %).
CAN_ERROR = 0.015
# A person turns so much further or less far than meant, as a part of the turn.
TURN_ERROR = 0.15


@dataclass
class Garden:
    """What is known (site), and what is so: each bubbler's wide-open k and its opening, 0 to 1."""

    site: Site
    level_m: float
    targets: dict[str, float]
    widest_lph: dict[str, float]
    opening: dict[str, float]
    plugged: dict[str, float]

    def law(self, emitter: str) -> tuple[float, float]:
        s = self.opening[emitter]
        exponent = EXPONENT_SHUT - (EXPONENT_SHUT - EXPONENT_OPEN) * s**0.7  # not the line the advice assumes
        return self.widest_lph[emitter] * s * self.plugged[emitter], exponent

    def flows(self) -> dict[str, float]:
        zone = self.site.zones[0]
        network = zone_network(self.site, zone)
        laws = [self.law(e) for e in network.emitter_ids]
        true = replace(
            network,
            k_m3s=np.array([k for k, _ in laws]) / 3.6e6,
            exponent=np.array([x for _, x in laws]),
            cache={},
        )
        return dict(zip(network.emitter_ids, solve(true, self.level_m).flow_lph.tolist(), strict=True))

    def shares(self) -> dict[str, float]:
        plants: dict[str, float] = {}
        flows = self.flows()
        for e in self.site.zones[0].emitters:
            plants[str(e.plant)] = plants.get(str(e.plant), 0.0) + flows[e.id]
        return plant_shares(plants, self.targets)


def drawn_garden(seed: int) -> Garden:
    draw = np.random.default_rng(seed)
    plants = int(draw.integers(3, 9))
    points, widest, opening = [], {}, {}
    at, drop = 0.0, 0.35
    for i in range(plants):
        at += float(draw.uniform(0.6, 2.0))
        drop = float(np.clip(drop + draw.normal(0.0, 0.12), -0.4, 0.8))
        for j in range(int(draw.integers(1, 3))):
            name = f"e{i}-{j}"
            widest[name] = float(draw.uniform(6.0, 14.0))
            opening[name] = float(draw.uniform(0.15, 0.9))
            known = widest[name] * opening[name] * float(draw.uniform(0.7, 1.4))
            points.append(Point(at + 0.1 * j, drop, (Emitter(name, "bubbler", f"p{i}", known, 0.8),)))
    base = small_garden()
    bore = float(draw.choice([0.0098, 0.0136, 0.0165]))
    zone = replace(base.zones[0], lines=(Line("line", None, None, bore, at + 0.5, tuple(points)),))
    site = replace(
        base,
        zones=(zone,),
        plants=tuple(Plant(f"p{i}", f"P{i}", "tomato", 0.5, 1, container_l=40.0) for i in range(plants)),
    )
    targets = {f"p{i}": float(draw.uniform(1.0, 4.0)) for i in range(plants)}
    plugged = {e: 0.35 if draw.random() < 0.04 else 1.0 for e in widest}
    return Garden(site, float(draw.uniform(0.25, 0.8)), targets, widest, opening, plugged)


def turn_as_told(garden: Garden, advice: TrimAdvice, draw: np.random.Generator) -> set[str]:
    """Turn each bubbler by the advised factor with a person's error; those found wide open."""
    found = set()
    for turn in advice.turns:
        meant = float(np.log(turn.factor))
        done = float(np.exp(meant * (1.0 + draw.normal(0.0, TURN_ERROR))))
        wanted = garden.opening[turn.emitter] * done
        if wanted >= 1.0:
            found.add(turn.emitter)
        garden.opening[turn.emitter] = min(wanted, 1.0)
    return found


def trimmed(seed: int) -> tuple[int | None, TrimAdvice, float]:
    """Rounds needed (None: not reached in ``ROUNDS``), the last advice, and the true worst share at the
    end."""
    garden, draw = drawn_garden(seed), np.random.default_rng(1000 + seed)
    wide: set[str] = set()
    done: int | None = None
    for round_number in range(ROUNDS + 1):
        worst = min(garden.shares().values())
        cans = {e: q * float(1.0 + draw.normal(0.0, CAN_ERROR)) for e, q in garden.flows().items()}
        advice = trim_advice(garden.site, "pots", garden.level_m, garden.targets, cans, wide_open=wide)
        if worst >= 1.0 - WITHIN:
            done = round_number
            break
        if round_number < ROUNDS:
            wide |= turn_as_told(garden, advice, draw)
    return done, advice, worst


def proposed(advice: TrimAdvice) -> list[str]:
    """What stands in an advice, in words."""
    turns = [f"turn {t.emitter} from {t.now_lph:.2f} to {t.flow_lph:.2f} L/h" for t in advice.turns]
    others = [
        f"{h.plant} is {h.reason}: raise the stand {h.raise_m} m or add {h.add_lph} L/h at 1 m"
        for h in advice.hopeless
    ]
    return turns + others + [f"then the worst is expected at {min(advice.expected.values()):.2f}"]


@pytest.fixture(scope="module")
def rounds() -> dict[int, tuple[int | None, TrimAdvice, float]]:
    return {seed: trimmed(seed) for seed in range(GARDENS)}


def test_three_rounds_bring_the_worst_plant_to_its_share(
    rounds: dict[int, tuple[int | None, TrimAdvice, float]],
) -> None:
    counted = Counter(done for done, _, _ in rounds.values())
    failed = {
        seed: (round(worst, 2), proposed(advice))
        for seed, (done, advice, worst) in rounds.items()
        if done is None
    }
    print(f"rounds needed in seeds 0 to {GARDENS - 1}: {dict(counted)}; not reached: {failed}")
    # Seen: 49 of 50; seed 43 stands at 0.83 after three rounds, and a fourth is advised (printed).
    assert len(failed) <= 2
    for seed in failed:
        advice = rounds[seed][1]
        assert advice.turns or advice.hopeless, f"seed {seed} is left without a proposal"


def bubblers(*laws: tuple[float, float], drops: tuple[float, ...] = ()) -> Site:
    base = small_garden()
    points = tuple(
        Point(2.0 + i, drops[i] if drops else 0.3, (Emitter(f"e{i}", "bubbler", f"p{i}", k, x),))
        for i, (k, x) in enumerate(laws)
    )
    zone = replace(base.zones[0], lines=(Line("line", None, None, 0.0165, 9.0, points),))
    plants = tuple(Plant(f"p{i}", f"P{i}", "tomato", 0.5, 1, container_l=40.0) for i in range(len(laws)))
    return replace(base, zones=(zone,), plants=plants)


def test_a_plant_above_the_water_is_not_trimmed_but_raised() -> None:
    site = bubblers((4.0, 0.8), (4.0, 0.8), (4.0, 0.8), drops=(0.3, 0.3, -0.6))
    advice = trim_advice(site, "pots", 0.5, dict.fromkeys(("p0", "p1", "p2"), 1.0))
    (cannot,) = advice.hopeless
    assert (cannot.plant, cannot.reason) == ("p2", "too high")
    assert cannot.add_lph is None
    assert all(turn.emitter != "e2" for turn in advice.turns)


def test_a_bubbler_found_wide_open_gets_company() -> None:
    site = bubblers((9.0, 0.61), (9.0, 0.61), (1.0, 0.61))
    wants = dict.fromkeys(("p0", "p1", "p2"), 1.0)
    advice = trim_advice(site, "pots", 0.5, wants, wide_open={"e2"})
    (cannot,) = advice.hopeless
    assert (cannot.plant, cannot.reason) == ("p2", "wide open")
    assert cannot.add_lph is not None and cannot.add_lph == pytest.approx(8.0, rel=0.5)


def test_those_to_be_closed_come_first_and_the_readings_are_those_of_the_moment() -> None:
    site = bubblers((2.0, 0.8), (8.0, 0.8), (4.0, 0.8))
    advice = trim_advice(site, "pots", 0.5, dict.fromkeys(("p0", "p1", "p2"), 1.0))
    assert [turn.opens for turn in advice.turns] == sorted(turn.opens for turn in advice.turns)
    assert not advice.turns[0].opens and advice.turns[0].emitter == "e1"
    assert advice.turns[-1].reading_lph == pytest.approx(advice.turns[-1].flow_lph)
    assert advice.turns[0].reading_lph > 0.0
    assert min(advice.expected.values()) > 0.97


def test_shutting_a_bubbler_raises_its_exponent_towards_the_published_end() -> None:
    # 0.61 wide open to 1.04 nearly shut: test of adjustable emitters at low head (the source is in the
    # module).
    assert turned_exponent(0.61, 0.5) == pytest.approx((0.61 + 1.04) / 2)
    assert turned_exponent(1.0, 0.01) == pytest.approx(1.04, abs=0.01)
    assert turned_exponent(0.5, 0.5) == 0.5


def test_a_measured_flow_below_nothing_is_refused() -> None:
    with pytest.raises(ValueError, match="below nothing"):
        trim_advice(bubblers((2.0, 0.8)), "pots", 0.5, {"p0": 1.0}, {"e0": -1.0})
