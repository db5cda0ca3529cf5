"""The store through many ways of the weather at once: roof, floors of the zones, overflow counted."""

from __future__ import annotations

import numpy as np
import pytest

from scheduler.site.model import Roof
from scheduler.supply.roof import draw_then_spill, roof_catch_l
from scheduler.supply.storage import draw_then_catch, roof_catches_l


def test_every_way_catches_what_the_yield_formula_says() -> None:
    # V = A P C (Texas Manual on Rainwater Harvesting, 2005): 80 m2 x 60 mm x 0.90 = 4320 L.
    assert roof_catches_l(Roof(80.0, 0.9, 0.0), np.array([[60.0]]))[0, 0] == pytest.approx(4320.0)
    roof = Roof(12.0, 0.85, 0.5)
    rain = np.array([[0.0, 0.3, 0.5, 7.5], [55.9, 1.0, 0.0, 2.0]])
    one_by_one = [[roof_catch_l(roof, mm) for mm in row] for row in rain.tolist()]
    assert roof_catches_l(roof, rain) == pytest.approx(np.array(one_by_one))
    assert not roof_catches_l(None, rain).any()


@pytest.mark.parametrize("rain", [[-0.1], [float("nan")]])
def test_rain_that_is_not_known_is_refused(rain: list[float]) -> None:
    with pytest.raises(ValueError, match="unknown rain is left out"):
        roof_catches_l(Roof(12.0, 0.85, 0.5), np.array(rain))


def test_rain_that_finds_the_barrels_full_is_lost_and_counted() -> None:
    day = draw_then_catch(
        np.array([190.0, 20.0]), np.array([[5.0], [5.0]]), np.array([0.0]), np.array([50.0, 50.0]), 200.0
    )
    assert day.held_l.tolist() == [200.0, 65.0] and day.overflow_l.tolist() == [35.0, 0.0]


def test_each_zone_draws_down_to_its_own_floor_in_its_turn() -> None:
    day = draw_then_catch(
        np.array([100.0]),
        np.array([[30.0, 50.0, 50.0]]),
        np.array([20.0, 60.0, 10.0]),
        np.array([0.0]),
        200.0,
    )
    assert day.given_l.tolist() == [[30.0, 10.0, 50.0]] and day.held_l.tolist() == [10.0]


def test_it_draws_as_the_cautious_rule_and_leaves_the_room_of_its_draw_to_the_rain() -> None:
    """Against yield after spillage (Fewkes and Butler 2000): Y = min(D, V), V' = min(V + Q - Y, S - Y)."""
    rng = np.random.default_rng(7)
    held, wanted, caught = (rng.uniform(0.0, 200.0, 50) for _ in range(3))
    many = draw_then_catch(held, wanted[:, None], np.array([0.0]), caught, 200.0)
    for n in range(50):
        one = draw_then_spill(held[n], caught[n], wanted[n], 200.0)
        assert many.given_l[n, 0] == pytest.approx(one.given_l)
        # The same store where nothing spills; where it does, at the most one draw more of it.
        assert 0.0 <= many.held_l[n] - one.held_l + 1e-9 <= one.given_l + 2e-9
        if one.overflow_l == 0.0:
            assert many.held_l[n] == pytest.approx(one.held_l)
    # No litre is made or lost.
    assert held + caught == pytest.approx(many.held_l + many.overflow_l + many.given_l[:, 0])
