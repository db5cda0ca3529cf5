"""Storms kept by name: each that once broke a rule, cut down to what it took, and some made by hand so that
a certain thing surely happens. They run on every change, and the planted defects are sought in them first.
"""

from __future__ import annotations

from tests.simulation.clockwork import HOUR, MINUTE, SECOND
from tests.simulation.faults import BOUNDARIES
from tests.simulation.script import GUST_MS, Happening, Settings, Storm


def _kill_at(boundary: str, when: str, nth: int, delay_ms: int) -> Happening:
    """Dies the next time that it comes to this boundary."""
    size = (BOUNDARIES.index(boundary) + 0.5) / len(BOUNDARIES)
    return Happening("killed_at", when, nth, delay_ms, 0, size)


def _water(at_ms: int, size: float = 0.9) -> Happening:
    return Happening("person_water", "at", 0, at_ms, 0, size)


def _gust(seed: int, settings: Settings, *happenings: Happening) -> Storm:
    return Storm(seed, settings, happenings, noisy_ms=GUST_MS, quiet_ms=8 * HOUR)


_ONE_DAY = Settings(days=1)
_BLIND = Settings(garden="blind", start_share=0.9, days=1)

SCENARIOS: dict[str, Storm] = {
    # Found by gust 26: written down, never sent, and its id used again by the next life: not booked.
    "killed_between_intent_and_order": _gust(
        4,
        _BLIND,
        _kill_at("after_intent", "at", 0, 19_904_876),
        _water(27_348_750, 0.9327031687974631),
        _water(30_525_000, 0.9274104729645118),
    ),
    # Found by gust 116: service and node both forget a run, and the wall clock goes back: booked as nothing.
    "forgotten_run_and_wrong_clock": _gust(
        116,
        Settings(garden="blind", start_share=0.15, days=1),
        _water(8_978_750, 0.8913434796256862),
        Happening("killed", "ordered", 1, 2929, 0, 0.6544777328992752),
        Happening("flash_lost", "ordered", 1, 3240, 0, 0.3520093328908126),
        Happening("person_stop", "ordered", 1, 5192, 0, 0.5380477023722543),
        Happening("loss", "ordered", 1, 6293, 12_541_654, 0.27385671239653997),
        Happening("power_cut", "unheard", 1, 4206, 0, 0.5854517517383059),
    ),
    # Found by storm 26: a valve stands open while its node has no power: booked to the order's time only.
    "no_power_while_open": _gust(
        1, _ONE_DAY, _water(2 * HOUR), Happening("node_power_off", "open", 1, 20 * SECOND, 2 * HOUR, 0.5)
    ),
    # The node starts anew in mid-run, and the closed switch of the open valve sticks before it is up again.
    "closed_switch_sticks_at_a_restart": _gust(
        1,
        _ONE_DAY,
        _water(2 * HOUR),
        Happening("node_reset", "open", 1, 20 * SECOND, 0, 0.5),
        Happening("switch", "open", 1, 20_200, 3 * HOUR, 0.03),
    ),
    "node_forgets_a_run": _gust(
        1, _ONE_DAY, _water(2 * HOUR), Happening("flash_lost", "open", 1, 20 * SECOND, 0, 0.5)
    ),
    "sensor_silent_for_ten_hours": _gust(
        1, _ONE_DAY, Happening("sensor_silence", "at", 0, 40 * MINUTE, 10 * HOUR, 0.5), _water(8 * HOUR)
    ),
    "node_off_for_three_hours": _gust(
        1, _ONE_DAY, Happening("node_power_off", "at", 0, 4 * HOUR, 3 * HOUR, 0.5), _water(6 * HOUR)
    ),
    "stopped_in_mid_run": _gust(
        1, _ONE_DAY, _water(2 * HOUR, 1.0), Happening("person_stop", "open", 1, 12 * SECOND, 3 * HOUR, 0.5)
    ),
    # Water asked for waits for a run under way; the card fails while that valve turns shut, so that the first
    # thing that cannot be written down is the next order.
    "card_fails_before_the_order": _gust(
        1,
        _ONE_DAY,
        _water(2 * HOUR),
        _water(2 * HOUR + 10 * SECOND),
        Happening("read_only", "at", 0, 2 * HOUR + 35 * SECOND, 30 * MINUTE, 0.5),
    ),
    "stopped_then_killed": _gust(
        1,
        _ONE_DAY,
        Happening("person_stop", "at", 0, 60 * MINUTE, 7 * HOUR, 0.5),
        Happening("killed", "at", 0, 90 * MINUTE, 0, 0.5),
        _water(3 * HOUR),
        _water(5 * HOUR),
    ),
    "disk_full_for_hours": _gust(
        1,
        _ONE_DAY,
        Happening("disk_full", "at", 0, 2 * HOUR, 3 * HOUR, 0.5),
        _water(3 * HOUR),
        Happening("read_only", "at", 0, 7 * HOUR, 2 * HOUR, 0.5),
        _water(8 * HOUR),
    ),
    "started_without_the_time": _gust(
        1,
        _ONE_DAY,
        Happening("power_cut", "at", 0, 30 * MINUTE, 0, 0.1),
        Happening("power_cut", "at", 0, 4 * HOUR, 0, 0.2),
        Happening("power_cut", "at", 0, 7 * HOUR, 0, 0.3),
    ),
    # The first planned run comes after the first midnight; the second then waits for the node, and meanwhile
    # the wall clock is set back (what the size draws) or the window ends.
    "clock_back_while_a_run_waits": Storm(
        1,
        Settings(garden="row", days=2),
        (
            Happening("clock_unsynced", "open", 1, 10 * SECOND, 5 * HOUR, 0.5),
            Happening("clock_moved", "open", 1, 170 * MINUTE, 5 * HOUR, 0.075),
            Happening("parted", "open", 1, 60 * SECOND, 3 * HOUR, 0.3),
        ),
        noisy_ms=40 * HOUR,
        quiet_ms=8 * HOUR,
    ),
    "run_waits_past_its_window": Storm(
        1,
        Settings(garden="cell", days=2),
        (Happening("parted", "open", 1, 60 * SECOND, 396 * MINUTE, 0.3),),
        noisy_ms=40 * HOUR,
        quiet_ms=8 * HOUR,
    ),
    "nearly_empty": _gust(
        1,
        Settings(start_share=0.16, days=1),
        *(_water(n * HOUR, 0.1 * n) for n in range(1, 10)),
    ),
    "replays_at_rest_and_in_a_run": _gust(
        1,
        _ONE_DAY,
        _water(1 * HOUR),
        _water(3 * HOUR),
        *(Happening("replayed_order", "at", 0, 90 * MINUTE + n * HOUR, 0, 0.1 * n) for n in range(6)),
        *(Happening("replayed_state", "at", 0, 95 * MINUTE + n * HOUR, 0, 0.1 * n) for n in range(6)),
        *(Happening("other_node_order", "at", 0, 100 * MINUTE + n * HOUR, 0, 0.1 * n) for n in range(6)),
    ),
}
# A death at each boundary between two effects, as far as the simulation knows them from the code.
KILLS: dict[str, Storm] = {
    boundary: _gust(
        7,
        _ONE_DAY,
        _kill_at(boundary, "at", 0, 2 * HOUR - SECOND),
        _water(2 * HOUR),
        _kill_at(boundary, "open", 2, 5 * SECOND),
        _water(5 * HOUR),
        Happening("person_stop", "at", 0, 7 * HOUR, 20 * MINUTE, 0.5),
        _kill_at(boundary, "at", 0, 7 * HOUR - SECOND),
    )
    for boundary in BOUNDARIES
}


CLOSES = ("before_close", "after_close")


def killed_twice(first: str, second: str) -> Storm:
    """Somebody asks for water; the service dies at one boundary after it, and at another while it recovers.
    A boundary of a close is reached after a person's stop, half-way."""
    size = (BOUNDARIES.index(first) + (BOUNDARIES.index(second) + 0.5) / len(BOUNDARIES)) / len(BOUNDARIES)
    happenings = [Happening("killed_twice", "at", 0, 2 * HOUR - SECOND, 0, size), _water(2 * HOUR)]
    if first in CLOSES:
        happenings.append(Happening("person_stop", "at", 0, 2 * HOUR + 2 * MINUTE, 20 * MINUTE, 0.5))
    settings = Settings(days=1, coarse=True, open_report_ms=3 * MINUTE)
    return Storm(7, settings, tuple(happenings), noisy_ms=4 * HOUR, quiet_ms=8 * HOUR)
