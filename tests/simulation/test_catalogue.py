"""Every fault of the catalogue (F01 to F48): what in the simulation stands for it, or where else it is met,
or why it is not."""

from __future__ import annotations

from pathlib import Path

from tests.simulation.faults import KINDS

TESTS = Path(__file__).parents[1]

# Of a row: kinds of the simulation, then files under tests/, then what is missing, in words.
CATALOGUE: dict[str, tuple[tuple[str, ...], tuple[str, ...], str]] = {
    "F01 message lost": (("loss",), (), ""),
    "F02 duplicated": (("twice",), (), ""),
    "F03 reordered": (("late",), (), ""),
    "F04 delayed": (("late", "replayed_order"), (), "two days' delay only as a replay"),
    "F05 stale order in a kept session": (("backlog",), (), ""),
    "F06 retained order": (("retained_order",), ("firmware/test_mqtt_client.py",), ""),
    "F07 overflow keeps the oldest": (("backlog",), (), ""),
    "F08 broker killed": (("broker_killed",), ("end_to_end/test_faults_end_to_end.py",), ""),
    "F09 broker restarts with sessions": (("broker_restarted", "backlog"), (), ""),
    "F10 broker's disk lost": (("broker_killed",), (), ""),
    "F11 half-open": (("half_open", "parted"), ("firmware/test_mqtt_client.py",), ""),
    "F12 flapping": (("flap",), (), ""),
    "F13 client id taken over": (("evicted",), ("control/test_links.py",), ""),
    "F14 denied yet acknowledged": (("denied",), ("control/test_refusals.py",), ""),
    "F15 split and merged bytes": ((), ("firmware/test_mqtt_client.py",), ""),
    "F16 malformed or too long": (("garbage",), ("firmware/test_node_core.py",), ""),
    "F17 forged": (
        ("forged_order", "other_node_order", "mutated_order"),
        ("end_to_end/test_intruders_end_to_end.py",),
        "",
    ),
    "F18 recorded session": (("replayed_order", "replayed_state"), (), ""),
    "F19 storm of closes": (("replayed_close",), (), ""),
    "F20 killed at each boundary": (("killed_at", "killed"), ("end_to_end/test_kills_at_boundaries.py",), ""),
    "F21 killed in recovery": (("killed_twice",), ("end_to_end/test_recoveries_end_to_end.py",), ""),
    "F22 frozen": (("frozen",), ("end_to_end/test_recoveries_end_to_end.py",), ""),
    "F23 two daemons": ((), ("service/test_daemon_process.py",), ""),
    "F24 start limit": ((), ("end_to_end/test_deployed_unit.py",), "a crash loop under systemd is not run"),
    "F25 disk full": (("disk_full",), ("end_to_end/test_faults_end_to_end.py",), ""),
    "F26 error of the nth call": ((), ("store/test_store.py",), "no shim below SQLite"),
    "F27 torn write": ((), ("store/test_store_opening.py",), "no model of a card below SQLite"),
    "F28 sync lies": (("old_backup",), (), "as the loss of the last hours"),
    "F29 read-only card": (("read_only",), (), ""),
    "F30 damaged or wiped store": ((), ("store/test_store_opening.py",), ""),
    "F31 old backup": (("old_backup",), ("end_to_end/test_recoveries_end_to_end.py",), ""),
    "F32 wall clock jumps": (("clock_moved",), (), ""),
    "F33 boot without the time": (("power_cut", "clock_unsynced"), (), ""),
    "F34 clock change, zones": ((), ("planning/test_windows.py",), "and the seasons of the simulation"),
    "F35 tick wrap and drift": ((), ("firmware/test_valve_stopwatch.py",), "2 % here"),
    "F36 node restarts in a run": (("node_reset", "node_power_off"), (), ""),
    "F37 brown-out": (("brown_out",), (), "stored energy is not modelled"),
    "F38 hang": (("hang",), ("firmware/test_mqtt_client.py",), ""),
    "F39 end switches": (("switch",), ("firmware/test_valve_stopwatch.py",), ""),
    "F40 slow, jammed, leaking valve": (("slow_valve", "jammed", "leaking_valve"), (), ""),
    "F41 shorted driver": ((), (), "software cannot mend it; the fitting guide says so"),
    "F42 level sensor": (
        ("sensor_silence", "sensor_stuck", "sensor_noise", "sensor_spikes", "sensor_spider", "sensor_offset",
         "sensor_drift"),
        ("sensing/test_level_belief.py",),
        "",
    ),
    "F43 emptied, hose off": (("emptied", "hose_off"), (), ""),
    "F44 forecast": (
        ("weather_hangs", "weather_fails", "weather_frozen", "weather_nulls", "weather_gaps",
         "weather_deluge"),
        ("weather/test_awkward_answers.py",),
        "",
    ),
    "F45 names and certificates": ((), ("weather/test_open_meteo.py",), "no expired certificate is served"),
    "F46 page": ((), ("web/test_rights.py",), ""),
    "F47 leaks, starved processor": ((), (), "queues are bounded by a rule; no soak of a process"),
    "F48 mixed versions": (("other_node_order",), ("link/test_vectors.py",), "of the version field only"),
}  # fmt: skip


def test_every_row_of_the_catalogue_is_met_or_says_why_not() -> None:
    assert [int(row[1:3]) for row in CATALOGUE] == list(range(1, 49))
    for row, (kinds, files, missing) in CATALOGUE.items():
        assert kinds or files or missing, row
        assert set(kinds) <= set(KINDS), row
        assert not [f for f in files if not (TESTS / f).is_file()], row


def test_every_fault_of_the_simulation_has_its_row() -> None:
    """Some are of no row: a node whose memory fails, its supply; and people are no faults."""
    in_rows = {kind for kinds, _, _ in CATALOGUE.values() for kind in kinds}
    of_our_own = {"flash_fails", "flash_lost", "low_supply", "person_stop", "person_tells", "person_water"}
    assert in_rows | of_our_own == set(KINDS)
