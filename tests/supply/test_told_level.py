"""A level told by a person lies between outlet and brim; the refusal speaks in the garden's units."""

from __future__ import annotations

import pytest

from scheduler.supply.told_level import LEVEL_MARGIN_M, refused_level


def test_the_outlet_the_brim_and_a_tape_s_error_beyond_them_can_be() -> None:
    for level_m in (0.0, 0.79, -LEVEL_MARGIN_M, 0.79 + LEVEL_MARGIN_M):
        assert refused_level(level_m, 0.79, "metric") is None


@pytest.mark.parametrize("level_m", [None, -0.03, 0.82, 3.0])
def test_nothing_and_what_lies_beyond_cannot(level_m: float | None) -> None:
    assert refused_level(level_m, 0.79, "metric") is not None


def test_the_refusal_is_in_the_units_of_the_garden() -> None:
    said = refused_level(0.95, 0.79, "metric")
    assert (
        said
        == "Read 95.0 cm above the outlet; the level must lie between the outlet and the brim at 79.0 cm."
    )
    # 0.762 m are 30 in, 0.6096 m are 24 in (an inch is 25.4 mm).
    said = refused_level(0.762, 0.6096, "us")
    assert (
        said
        == "Read 30.0 in above the outlet; the level must lie between the outlet and the brim at 24.0 in."
    )
