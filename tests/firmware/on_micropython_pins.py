"""Run by MicroPython: drivers.py, selftest.py and the loop on simulated pins; a scenario named by argument.

Prints one line of JSON, which test_pins.py judges.
"""

import json
import sys

import machine
import selftest
import ticks
from drivers import PinBoard
from node_loop import NodeLoop, codec, unhex

board = machine.board
PINS = {"open": 16, "close": 17, "open_switch": 18, "closed_switch": 19}
SETTINGS = {
    "node": "shed",
    "key": "5a" * 32,
    "channels": 1,
    "travel_ms_max": 2000,
    "supply_low_mv": 11000,
    "supply_mv_per_count": 1,
    "pins": {"motors": [PINS], "level": {"trigger": 20, "echo": 21}, "supply": 26},
    "wifi": {"name": "garden", "password": "x"},
    # Nobody listens on port 1 (loopback): the loop dials, and goes on without.
    "broker": {"host": "127.0.0.1", "port": 1},
}


def start(at=0, **changes):
    valve = machine.Valve(SETTINGS["pins"]["motors"][0], at=at, spring=changes.pop("spring", False))
    for name in changes:
        setattr(valve, name, changes[name])
    board.valves.append(valve)
    board.counts[26] = 12600
    return valve


def bench(valve, **settings):
    given = dict(SETTINGS)
    given.pop("broker")
    given.update(settings)
    lines = []
    made = PinBoard(given, unhex(given["key"]))
    made.save = lambda _memory: None
    made.load = lambda: None
    failed = selftest.run(made, given, lines.append)
    return {
        "failed": failed,
        "lines": lines,
        "at": valve.at,
        "driven": [board.level[16], board.level.get(17, 0)],
        "shorted": board.shorted,
        "reversed_after_ms": board.reversed_after_ms,
    }


def looped(valve):
    made = PinBoard(SETTINGS, unhex(SETTINGS["key"]))
    made.save = lambda _memory: None
    made.load = lambda: None
    made.watch()
    loop = NodeLoop(SETTINGS, made)
    loop.start()
    steps(loop, 60)  # driven closed for its whole travel limit, since it remembers nothing
    loop.node.connected(made.now_ms(), b"12345678")
    return loop


def steps(loop, count):
    for _ in range(count):
        loop.step()


def order(loop, open_ms):
    body = {
        "version": 1, "node": "shed", "session": loop.node.session, "order_id": "o-1",
        "sequence": loop.node.last_sequence + 1, "channel": 0, "open_ms": open_ms,
        "start_by_uptime_ms": loop.node.uptime_ms + 1000, "low_raw": None, "low_side": None,
    }  # fmt: skip
    frame = codec.seal("order", codec.dump(body), loop.node.settings.key)
    loop._do(loop.node.handle("order", frame, False, loop.board.now_ms()))


def boots_with_the_valve_open():
    valve = start(at=400)
    PinBoard(SETTINGS, unhex(SETTINGS["key"]))
    first = [board.level[16], board.level[17]]
    ticks.sleep_ms(1000)  # nothing else runs
    return {"driven": first, "at": valve.at}


def an_order_runs():
    valve = start()
    loop = looped(valve)
    order(loop, 3000)
    began = ticks.ticks_ms()
    opened = None
    while ticks.ticks_ms() - began < 6000:
        loop.step()
        if valve.at > 0:
            opened = ticks.ticks_ms() - began
    return {"opened_until_ms": opened, "at": valve.at, "why": loop.node.outcomes[0]["why"],
            "shorted": board.shorted, "bitten": board.bitten_at}  # fmt: skip


def the_loop_hangs_in_a_run():
    valve = start()
    loop = looped(valve)
    order(loop, 3000)
    steps(loop, 20)
    open_at = valve.at
    hung = ticks.ticks_ms()
    ticks.sleep_ms(4000)  # the loop stands; timer and watchdog do not
    shut = valve.at
    ticks.sleep_ms(6000)
    bitten = None if board.bitten_at is None else board.bitten_at - hung
    return {"open_at": open_at, "at": shut, "bitten_after_ms": bitten}


def the_timer_stands():
    valve = start()
    loop = looped(valve)
    ticks.hardware[:] = [h for h in ticks.hardware if "Timer" not in repr(h) and h != loop.board._timer._tick]
    steps(loop, 400)  # 20 s of a loop that goes on
    return {"bitten": board.bitten_at is not None}


def pulses_are_counted():
    start()
    settings = dict(SETTINGS)
    settings["pins"] = dict(SETTINGS["pins"], rain=5, flow=6)
    made = PinBoard(settings, unhex(settings["key"]))
    for _tip in range(3):
        for _bounce in range(6):
            board.pulse(5)
            ticks.sleep_ms(4)
        ticks.sleep_ms(500)
    for _ in range(200):
        board.pulse(6)
    return made.read().pulses


def bench_is_content():
    return bench(start())


def bench_of_a_spring_valve():
    SETTINGS["pins"] = dict(
        SETTINGS["pins"], motors=[{"form": "spring", "open": 16, "open_switch": 18, "closed_switch": 19}]
    )
    return bench(start(spring=True))


def bench_jams():
    return bench(start(jams_at=200))


def bench_swapped():
    return bench(start(swapped=True, at=200))


def bench_switch_stuck():
    return bench(start(stuck=(True, True)))


def bench_closed_switch_stuck():
    return bench(start(stuck=(False, True)))


def bench_no_switch():
    return bench(start(stuck=(False, False)))


def pins_left_out():
    """What the board says of each: a motor's pin, a level's, a spring's close pin that it has no need of."""
    said = []
    for changes in (
        {"motors": [dict(PINS, close=None)]},
        {"motors": [PINS], "level": {"adc": None}},
        {"motors": [dict(PINS, close=None, form="spring")]},
    ):
        start()
        try:
            PinBoard(dict(SETTINGS, pins=changes), b"")
            said.append("")
        except ValueError as error:
            said.append(str(error))
    return {"said": said}


def bench_slow():
    return bench(start(travel_ms=1500))


def bench_low_supply():
    return bench(start(sags_mv=2000))


def bench_no_echo():
    board.echo_us = lambda: -1
    return bench(start())


def bench_spider():
    dice = [5800, 1200, 5800, 900, 5810, 700, 1100]
    board.echo_us = lambda: dice[ticks.ticks_ms() % 7]
    return bench(start())


def bench_no_network():
    board.join_ms = None
    return bench(start())


def bench_timer_slow():
    board.timer_slow = 2
    return bench(start())


print(json.dumps(globals()[sys.argv[1]]()))
