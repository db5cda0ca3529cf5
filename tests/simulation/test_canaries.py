"""Planted defects: the rules find each one. A canary that survives fails the suite."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from tests.simulation.canaries import CANARIES, Canary, planted
from tests.simulation.many import DRAWS
from tests.simulation.scenarios import KILLS, SCENARIOS
from tests.simulation.script import Storm
from tests.simulation.storm import run_storm

pytestmark = pytest.mark.slow

# Within so many gusts, counted from 0, and the named storms each must be found.
SEEDS = 24
# Where one was found before: tried first, to save time.
FOUND_BEFORE: dict[str, str] = {
    "an_unknown_clock_counts_as_known": "clock_back_while_a_run_waits",
    "windows_are_not_kept": "run_waits_past_its_window",
    "alarms_chatter": "node_off_for_three_hours",
    "node_counts_half_the_time": "killed_between_intent_and_order",
    "node_opens_for_as_long_as_it_may": "killed_between_intent_and_order",
    "valve_does_not_turn_at_the_end_of_its_time": "killed_between_intent_and_order",
    "closed_switch_is_believed_at_once": "closed_switch_sticks_at_a_restart",
    "boot_leaves_the_valves_as_they_are": "forgotten_run_and_wrong_clock",
    "node_takes_any_signature": "9",
    "node_takes_orders_of_any_session": "replays_at_rest_and_in_a_run",
    "node_takes_orders_that_are_too_late": "replays_at_rest_and_in_a_run",
    "node_takes_orders_again": "replays_at_rest_and_in_a_run",
    "node_takes_orders_for_another_node": "replays_at_rest_and_in_a_run",
    "link_believes_old_states": "replays_at_rest_and_in_a_run",
    "node_opens_the_first_valve_for_all": "killed_between_intent_and_order",
    "order_ids_are_used_again_after_a_start": "killed_between_intent_and_order",
    "least_is_booked_instead_of_most": "no_power_while_open",
    "a_lost_end_is_booked_as_nothing": "forgotten_run_and_wrong_clock",
    "receipts_are_never_sent": "killed_between_intent_and_order",
    "bookings_are_not_written": "killed_between_intent_and_order",
    "orders_go_out_before_they_are_written": "killed_between_intent_and_order",
    "a_store_that_fails_counts_as_written": "card_fails_before_the_order",
    "the_reserve_is_not_kept": "nearly_empty",
    "a_silent_node_counts_as_heard": "node_off_for_three_hours",
    "an_old_level_stays_known": "sensor_silent_for_ten_hours",
    "a_silent_node_is_not_told": "no_power_while_open",
    "a_stop_sends_no_close": "stopped_in_mid_run",
    "a_stop_does_not_hold": "killed_between_intent_and_order",
    "a_stop_does_not_survive_a_restart": "stopped_then_killed",
    "answers_are_forgotten": "killed_between_intent_and_order",
    "requests_of_an_earlier_life_are_passed_over": "killed_between_intent_and_order",
    "orders_are_sized_by_chance": "killed_between_intent_and_order",
}


@pytest.mark.parametrize("canary", CANARIES, ids=lambda c: c.name)
def test_a_planted_defect_is_found(canary: Canary) -> None:
    for name, storm in _storms(FOUND_BEFORE.get(canary.name)):
        with planted(canary):
            outcome = run_storm(storm)
        if outcome.failed:
            print(canary.name, name, sorted(outcome.rules_broken))
            return
    raise AssertionError(f"{canary.name} survived every named storm and {SEEDS} gusts")


def _storms(first: str | None) -> Iterator[tuple[str, Storm]]:
    """All of them, the likeliest first."""
    named = SCENARIOS | KILLS
    if first is not None:
        yield first, named[first] if first in named else DRAWS["gust"](int(first))
    yield from named.items()
    for seed in range(SEEDS):
        yield str(seed), DRAWS["gust"](seed)


def test_there_is_a_canary_for_every_rule_of_the_design() -> None:
    assert {c.rule for c in CANARIES} == set(range(1, 10))
    assert len(CANARIES) >= 25
    assert set(FOUND_BEFORE) <= {c.name for c in CANARIES}
