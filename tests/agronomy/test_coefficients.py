"""Crop coefficients by stage and plant factors."""

from __future__ import annotations

from datetime import date, timedelta
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from scheduler.agronomy.coefficients import plant_coefficient, stage_coefficient
from scheduler.site.catalogue import KINDS
from scheduler.site.model import Plant

PLANTED = date(2022, 5, 1)


def plant(kind: str = "tomato", **more: object) -> Plant:
    values: dict[str, object] = {"planted": PLANTED, "soil": "loam", **more}
    return Plant("p", "A plant", kind, canopy_m2=0.5, rank=1, **values)  # type: ignore[arg-type]


@pytest.mark.parametrize(("day", "printed"), [(20, 0.15), (40, 0.77), (70, 1.19), (95, 0.56)])
def test_dry_beans_follow_the_stages_of_example_28(day: int, printed: float):
    # FAO-56 Example 28 (Eq 66): stages 25, 25, 30, 20 days, Kc 0.15, 1.19, 0.35. Read from memory; the stage
    # lengths agree with Table 11, beans dry, Idaho.
    assert round(stage_coefficient(day, (25, 25, 30, 20), 0.15, 1.19, 0.35), 2) == printed


@given(st.integers(-10, 400))
def test_kc_never_leaves_the_range_of_its_three_values(day: int):
    assert 0.35 <= stage_coefficient(day, (25, 25, 30, 20), 0.4, 1.15, 0.35) <= 1.15


def test_kc_moves_in_small_steps_over_the_whole_season():
    days = [stage_coefficient(d, (35, 40, 50, 30), 0.6, 1.15, 0.8) for d in range(200)]
    # The steepest stage rises by 0.55 in 40 days and falls by 0.35 in 30.
    assert max(abs(b - a) for a, b in pairwise(days)) <= 0.55 / 40 + 1e-12


def test_a_tomato_starts_peaks_and_ends_at_the_values_of_table_12():
    stages = KINDS["tomato"].stages_d
    assert stages is not None
    middle = PLANTED + timedelta(days=stages[0] + stages[1] + 5)
    assert plant_coefficient(plant(), PLANTED) == 0.6
    assert plant_coefficient(plant(), middle) == 1.15
    assert plant_coefficient(plant(), PLANTED + timedelta(days=sum(stages) + 20)) == 0.80


def test_a_crop_of_unknown_age_is_taken_at_its_thirstiest():
    assert plant_coefficient(plant(planted=None), PLANTED) == 1.15


def test_a_crop_without_stage_lengths_is_taken_at_mid_season():
    assert plant_coefficient(plant("grape"), PLANTED + timedelta(days=2)) == 0.85


def test_an_ornamental_keeps_its_plant_factor_all_season():
    assert plant_coefficient(plant("lavender"), PLANTED) == KINDS["lavender"].plant_factor == 0.3


def test_the_owners_factor_wins_over_the_catalogue():
    assert plant_coefficient(plant(plant_factor=0.42), PLANTED) == 0.42
    assert plant_coefficient(plant("lavender", plant_factor=0.42), PLANTED) == 0.42


def test_a_plant_uses_nothing_before_its_plant_date():
    assert plant_coefficient(plant(plant_factor=0.42), PLANTED - timedelta(days=1)) == 0.0


def test_an_unknown_kind_is_named():
    with pytest.raises(ValueError, match="'moonflower', which is not in the catalogue"):
        plant_coefficient(plant("moonflower"), PLANTED)


def test_every_kind_of_the_catalogue_has_a_coefficient():
    for key in KINDS:
        assert 0.0 < plant_coefficient(plant(key), PLANTED) <= 1.2
