"""Every phase and every sight: a legal phase or the named error, and nothing else."""

from __future__ import annotations

import itertools
from typing import get_args

import pytest

from scheduler.control.state import Phase
from scheduler.control.transitions import TRANSITIONS, IllegalTransition, Sight, next_phase

PAIRS = list(itertools.product(get_args(Phase), get_args(Sight)))


@pytest.mark.parametrize(("phase", "sight"), PAIRS)
def test_every_phase_and_sight_gives_a_legal_phase_or_the_named_error(phase: Phase, sight: Sight) -> None:
    if (phase, sight) in TRANSITIONS:
        assert next_phase(phase, sight) in get_args(Phase)
    else:
        with pytest.raises(IllegalTransition, match=sight):
            next_phase(phase, sight)


def test_the_table_names_only_phases_and_sights_that_exist() -> None:
    assert {p for p, _ in TRANSITIONS} <= set(get_args(Phase))
    assert {s for _, s in TRANSITIONS} <= set(get_args(Sight))


@pytest.mark.parametrize("phase", get_args(Phase))
def test_what_a_node_can_say_is_legal_in_every_phase(phase: Phase) -> None:
    for sight in ("all_shut", "our_run", "stray", "fault"):
        next_phase(phase, sight)


@pytest.mark.parametrize("phase", get_args(Phase))
def test_only_a_shut_valve_or_a_booked_order_leads_to_rest(phase: Phase) -> None:
    leading = {s for (p, s), after in TRANSITIONS.items() if p == phase and p != after == "at_rest"}
    assert leading <= {"all_shut", "order_over"}


@pytest.mark.parametrize("phase", sorted(set(get_args(Phase)) - {"at_rest"}))
def test_no_order_goes_out_unless_every_valve_is_proven_shut(phase: Phase) -> None:
    with pytest.raises(IllegalTransition):
        next_phase(phase, "order_sent")
