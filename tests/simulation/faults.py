"""The faults: what each does to the world and how it ends. The numbers F01 to F48 are those of the catalogue
in the tests' list (test_catalogue.py)."""

from __future__ import annotations

import json
import random
from collections.abc import Callable
from datetime import timedelta
from typing import TYPE_CHECKING

from firmware_stub import codec
from tests.simulation.broker import Connection
from tests.simulation.clockwork import HOUR, MINUTE, SECOND
from tests.simulation.script import Happening

if TYPE_CHECKING:
    from tests.simulation.world import World

End = Callable[[], None] | None
Fault = Callable[["World", Happening, random.Random], End]

# fault -> shortest and longest time it lasts, ms
KINDS: dict[str, tuple[int, int]] = {}
_APPLY: dict[str, Fault] = {}


def _fault(name: str, shortest_ms: int = 0, longest_ms: int = 0) -> Callable[[Fault], Fault]:
    def keep(call: Fault) -> Fault:
        KINDS[name] = (shortest_ms, longest_ms)
        _APPLY[name] = call
        return call

    return keep


def apply(world: World, happening: Happening, rng: random.Random) -> End:
    """Let it happen now; what ends it, or None when it has no end of its own."""
    return _APPLY[happening.kind](world, happening, rng)


def _side(world: World, h: Happening) -> Connection:
    return world.node.line if h.size < 0.5 else world.daemon.line


# --- messages (F01 to F12)


@_fault("loss", 10 * SECOND, 4 * HOUR)
def _loss(world: World, h: Happening, rng: random.Random) -> End:
    line = _side(world, h)
    line.state.loss = rng.uniform(0.05, 0.6)
    return lambda: setattr(line.state, "loss", 0.0)


@_fault("twice", 10 * SECOND, 4 * HOUR)
def _twice(world: World, h: Happening, rng: random.Random) -> End:
    line = _side(world, h)
    line.state.twice = rng.uniform(0.1, 0.8)
    return lambda: setattr(line.state, "twice", 0.0)


@_fault("late", 10 * SECOND, 4 * HOUR)
def _late(world: World, h: Happening, rng: random.Random) -> End:
    line = _side(world, h)
    line.state.late_ms = rng.choice((500, 5 * SECOND, 90 * SECOND, 10 * MINUTE))
    line.state.overtake = rng.random() < 0.6

    def end() -> None:
        line.state.late_ms, line.state.overtake = 0, False

    return end


@_fault("parted", 5 * SECOND, 6 * HOUR)
def _parted(world: World, h: Happening, rng: random.Random) -> End:
    line = _side(world, h)
    line.part()
    return line.join


@_fault("half_open")
def _half_open(world: World, h: Happening, rng: random.Random) -> End:
    line = _side(world, h)
    if line.up:
        line.go_silent()
    return None


@_fault("flap", 5 * SECOND, 3 * MINUTE)
def _flap(world: World, h: Happening, rng: random.Random) -> End:
    line = _side(world, h)
    end_ms = world.clock.now_ms + h.lasts_ms

    def cut() -> None:
        line.cut()
        if world.clock.now_ms < end_ms:
            world.clock.after(rng.randint(1, 5) * SECOND, cut)

    cut()
    return lambda: None


@_fault("broker_killed", 1 * SECOND, 2 * HOUR)
def _broker_killed(world: World, h: Happening, rng: random.Random) -> End:
    world.broker.go_down(forget=True)
    return world.broker.come_up


@_fault("broker_restarted", 1 * SECOND, 2 * MINUTE)
def _broker_restarted(world: World, h: Happening, rng: random.Random) -> End:
    world.broker.go_down(forget=False)
    return world.broker.come_up


@_fault("backlog", 1 * MINUTE, 6 * HOUR)
def _backlog(world: World, h: Happening, rng: random.Random) -> End:
    """A broker that keeps a session for the node against its wish, the oldest messages first (F05, F07)."""
    world.broker.backlog = world.broker.backlog or {}
    world.broker.backlog_cap = rng.choice((1, 3, 1000))

    def end() -> None:
        world.broker.backlog = None

    return end


@_fault("denied", 10 * SECOND, 1 * HOUR)
def _denied(world: World, h: Happening, rng: random.Random) -> End:
    kind = rng.choice(("order", "close", "ask", "receipt", "state"))
    world.broker.denied.add(kind)
    return lambda: world.broker.denied.discard(kind)


@_fault("evicted")
def _evicted(world: World, h: Happening, rng: random.Random) -> End:
    """Somebody else logs in with the client id: the older one is thrown out (F13)."""
    _side(world, h).cut()
    return None


# --- forgers (F06, F16 to F19)


def _recorded(world: World, kind: str, rng: random.Random) -> bytes | None:
    found = [p for t, p in world.recorded if t.endswith("/" + kind)]
    return rng.choice(found) if found else None


def _to_node(world: World, kind: str, payload: bytes) -> None:
    world.broker.received(None, f"fallinghead/{world.site.node.id}/{kind}", payload)


def _now_and_later(world: World, rng: random.Random, call: Callable[[], None]) -> None:
    """At once, when a valve is likely open and the node busy, and again when it is likely at rest."""
    call()
    world.clock.after(rng.randint(2, 90) * MINUTE, call)


@_fault("replayed_order")
def _replayed_order(world: World, h: Happening, rng: random.Random) -> End:
    raw = _recorded(world, "order", rng)
    if raw is not None:
        _now_and_later(world, rng, lambda: _to_node(world, "order", raw))
    return None


@_fault("replayed_close")
def _replayed_close(world: World, h: Happening, rng: random.Random) -> End:
    raw = _recorded(world, "close", rng)
    if raw is not None:
        for n in range(rng.choice((1, 1, 30))):
            world.clock.after(n * 400, lambda: _to_node(world, "close", raw))
    return None


@_fault("replayed_state")
def _replayed_state(world: World, h: Happening, rng: random.Random) -> End:
    """To the daemon: an old state of its node, as from a recording."""
    raw = _recorded(world, "state", rng)
    if raw is not None:
        world.broker.received(None, f"fallinghead/{world.site.node.id}/state", raw)
    return None


@_fault("retained_order")
def _retained_order(world: World, h: Happening, rng: random.Random) -> End:
    raw = _recorded(world, "order", rng)
    if raw is not None:
        topic = f"fallinghead/{world.site.node.id}/order"
        world.broker.retained[topic] = raw
        world.node.line.deliver(topic, raw, retained=True)
    return None


def _an_order(world: World, rng: random.Random, **changes: object) -> dict[str, object]:
    """An order that would open, had it a signature: whoever listens knows session and sequence."""
    loop = world.node.loop
    up = loop.node.uptime_ms if loop is not None else 0
    last = loop.node.last_sequence if loop is not None else 0
    return {
        "version": 1,
        "node": world.site.node.id,
        "session": world.node.session or "00" * 8,
        "sequence": last + 1,
        "order_id": f"forged.{rng.randint(1, 1 << 30)}",
        "channel": rng.randrange(len(world.site.zones)),
        "open_ms": rng.randint(1, 3600_000),
        "start_by_uptime_ms": up + 2 * HOUR,
        "low_raw": None,
        "low_side": None,
    } | changes


@_fault("forged_order")
def _forged_order(world: World, h: Happening, rng: random.Random) -> End:
    """Everything right but the key; or of another kind; or for another node."""
    key = rng.choice((rng.randbytes(32), bytes(32), world.key[:31] + bytes((world.key[31] ^ 1,))))
    kind = rng.choice(("order", "close", "state"))

    def send() -> None:
        _to_node(world, "order", codec.seal(kind, codec.dump(_an_order(world, rng)), key))

    _now_and_later(world, rng, send)
    return None


@_fault("other_node_order")
def _other_node_order(world: World, h: Happening, rng: random.Random) -> End:
    """Signed with this node's key by mistake, yet for another node; or of a version to come."""
    changes: list[dict[str, object]] = [
        {"node": "greenhouse"},
        {"version": 2},
        {"session": "11" * 8},
        {"start_by_uptime_ms": 0},
    ]
    rng.shuffle(changes)

    def send() -> None:
        for change in changes:
            order = _an_order(world, rng, **change)
            _to_node(world, "order", codec.seal("order", codec.dump(order), world.key))

    _now_and_later(world, rng, send)
    return None


@_fault("mutated_order")
def _mutated_order(world: World, h: Happening, rng: random.Random) -> End:
    raw = _recorded(world, "order", rng)
    if raw is None:
        return None
    for _ in range(5):
        changed = bytearray(raw)
        how = rng.randrange(4)
        if how == 0:
            changed[rng.randrange(len(changed))] ^= 1 << rng.randrange(8)
        elif how == 1:
            del changed[rng.randrange(len(changed)) :]
        elif how == 2:
            changed = bytearray(raw[:65] + codec.dump(_an_order(world, rng)))
        else:
            changed += b" "
        _to_node(world, "order", bytes(changed))
    return None


@_fault("garbage")
def _garbage(world: World, h: Happening, rng: random.Random) -> End:
    for kind in ("order", "close", "ask", "receipt"):
        _to_node(world, kind, rng.randbytes(rng.choice((0, 1, 64, 200, 600, 3000))))
    world.broker.received(None, f"fallinghead/{world.site.node.id}/state", rng.randbytes(700))
    return None


# --- the node (F35 to F38)


@_fault("node_reset")
def _node_reset(world: World, h: Happening, rng: random.Random) -> End:
    world.node.reset(rng.choice(("watchdog", "soft", "hard")))
    return None


@_fault("node_power_off", 5 * SECOND, 3 * HOUR)
def _node_power_off(world: World, h: Happening, rng: random.Random) -> End:
    world.node.power_off()
    boots = world.node.boots
    silent_ms = round(2 * world.site.node.heartbeat_s * 1000) + 55 * MINUTE
    world.rules.expect_alert(
        {"node_silent", "valve_not_shut"},
        silent_ms,
        lambda: not world.node.powered and world.node.boots == boots,
    )
    return lambda: None if world.node.powered else world.node.power_on()


@_fault("brown_out")
def _brown_out(world: World, h: Happening, rng: random.Random) -> End:
    """Resets in a row while a motor turns."""
    for n in range(rng.randint(1, 3)):
        world.clock.after(n * rng.randint(4, 9) * SECOND, lambda: world.node.reset("brown_out"))
    return None


@_fault("low_supply", 2 * SECOND, 2 * HOUR)
def _low_supply(world: World, h: Happening, rng: random.Random) -> End:
    world.node.supply_mv = rng.randint(9000, 10900)
    world.node.step_in(50)
    lives = (world.node.line.life, world.daemon.line.life)
    since_ms = world.clock.now_ms

    def still() -> bool:
        same = (world.node.line.life, world.daemon.line.life) == lives
        clean = world.node.line.state.loss == 0.0 and world.daemon.line.state.loss == 0.0
        low = (world.node.supply_mv or 0) < 11000 and world.node.supply_well_ms < since_ms
        return low and same and clean and not world.broker.denied

    heard_ms = round(2 * world.site.node.heartbeat_s * 1000)
    world.rules.expect_alert({"supply_low", "node_silent"}, heard_ms + 55 * MINUTE, still)

    def end() -> None:
        world.node.supply_mv = 12600
        world.node.supply_well_ms = world.clock.now_ms

    return end


@_fault("hang", 500, 15 * SECOND)
def _hang(world: World, h: Happening, rng: random.Random) -> End:
    world.node.hang(h.lasts_ms)
    return None


@_fault("flash_fails", 10 * SECOND, 3 * HOUR)
def _flash_fails(world: World, h: Happening, rng: random.Random) -> End:
    world.node.flash_fails = True
    return lambda: setattr(world.node, "flash_fails", False)


@_fault("flash_lost")
def _flash_lost(world: World, h: Happening, rng: random.Random) -> End:
    """It restarts and its memory is damaged: what it was doing, it does not know any more."""
    if world.node.powered:
        world.node.reset("watchdog")
        world.node.flash = None
    return None


# --- valves (F39, F40) and water


def _valve(world: World, h: Happening) -> int:
    """The one that is open, if any: there it matters."""
    wet = [n for n, v in enumerate(world.plumbing.valves) if v.wet]
    return wet[0] if wet and h.size < 0.8 else int(h.size * 997) % len(world.plumbing.valves)


@_fault("jammed", 5 * SECOND, 3 * HOUR)
def _jammed(world: World, h: Happening, rng: random.Random) -> End:
    n = _valve(world, h)
    valve = world.plumbing.valves[n]
    world.plumbing.settle(world.clock.now_ms)
    valve.jammed = True
    world.rules.note_faulty(n)

    def end() -> None:
        world.plumbing.settle(world.clock.now_ms)
        world.rules.note_faulty(n)
        valve.jammed = False
        world.node.step_in(50)

    return end


@_fault("slow_valve", 1 * MINUTE, 6 * HOUR)
def _slow_valve(world: World, h: Happening, rng: random.Random) -> End:
    n = _valve(world, h)
    valve = world.plumbing.valves[n]
    world.plumbing.settle(world.clock.now_ms)
    valve.slow = rng.uniform(1.1, 5.0)
    world.rules.note_faulty(n)

    def end() -> None:
        world.plumbing.settle(world.clock.now_ms)
        world.rules.note_faulty(n)
        valve.slow = 1.0
        world.node.step_in(50)

    return end


@_fault("switch", 2 * SECOND, 3 * HOUR)
def _switch(world: World, h: Happening, rng: random.Random) -> End:
    n = _valve(world, h)
    valve = world.plumbing.valves[n]
    which = rng.choice(("open_switch", "closed_switch"))
    setattr(valve, which, rng.random() < 0.5)
    world.rules.note_faulty(n)
    world.node.step_in(50)

    def end() -> None:
        valve.open_switch = valve.closed_switch = None
        world.rules.note_faulty(n)
        world.node.step_in(50)

    return end


@_fault("leaking_valve", 1 * HOUR, 12 * HOUR)
def _leaking_valve(world: World, h: Happening, rng: random.Random) -> End:
    valve = world.plumbing.valves[_valve(world, h)]
    world.plumbing.settle(world.clock.now_ms)
    world.level_moved_ms = world.clock.now_ms
    valve.leak_lph = rng.uniform(0.5, 4.0)

    def end() -> None:
        world.plumbing.settle(world.clock.now_ms)
        valve.leak_lph = 0.0
        world.level_moved_ms = world.clock.now_ms

    return end


@_fault("hose_off", 10 * MINUTE, 6 * HOUR)
def _hose_off(world: World, h: Happening, rng: random.Random) -> End:
    world.plumbing.settle(world.clock.now_ms)
    world.plumbing.hose_off = True
    world.level_moved_ms = world.clock.now_ms

    def end() -> None:
        world.plumbing.settle(world.clock.now_ms)
        world.plumbing.hose_off = False
        world.level_moved_ms = world.clock.now_ms

    return end


@_fault("emptied")
def _emptied(world: World, h: Happening, rng: random.Random) -> End:
    world.pour(-rng.uniform(10.0, 200.0))
    return None


# --- the level sensor (F42)


def _sensor_fault(name: str, shortest_ms: int, longest_ms: int) -> None:
    @_fault(f"sensor_{name}", shortest_ms, longest_ms)
    def begin(world: World, h: Happening, rng: random.Random) -> End:
        size = {"offset": rng.uniform(-0.3, 0.3), "drift": rng.uniform(-0.002, 0.002)}.get(name, 0.0)
        world.plumbing.sensor.begin(name, size)
        since_ms = world.clock.now_ms
        if name == "silence" and world.site.sensor is not None:
            world.rules.expect_alert(
                {"level_unknown", "node_silent"},
                LEVEL_TOLD_MS,
                lambda: world.node.pinged_ms <= since_ms and world.measured_ms < since_ms,
            )
        world.level_moved_ms = world.clock.now_ms

        def end() -> None:
            world.plumbing.sensor.mend()
            world.level_moved_ms = world.clock.now_ms

        return end


# Six hours until a level is unknown, and a look of the controller; the last reading may be late on its way.
LEVEL_TOLD_MS = 6 * HOUR + 45 * MINUTE

for _name in ("silence", "stuck", "noise", "spikes", "spider", "offset", "drift"):
    _sensor_fault(_name, 2 * MINUTE, 12 * HOUR)


# --- the daemon, its machine, its store (F20 to F33)


@_fault("killed")
def _killed(world: World, h: Happening, rng: random.Random) -> End:
    world.daemon.die("killed")
    return None


BOUNDARIES = (
    "before_step", "after_step", "before_record", "after_record", "before_intent", "after_intent",
    "before_booking", "after_booking", "before_order", "after_order", "before_close", "after_close",
    "before_receipt", "after_receipt", "before_flush", "after_flush", "after_request",
)  # fmt: skip


def boundary_of(size: float) -> str:
    return BOUNDARIES[int(size * len(BOUNDARIES))]


@_fault("killed_at")
def _killed_at(world: World, h: Happening, rng: random.Random) -> End:
    """At the next time that a boundary is reached."""
    world.daemon.boundaries.armed, world.daemon.boundaries.left = boundary_of(h.size), 1
    return None


@_fault("killed_twice")
def _killed_twice(world: World, h: Happening, rng: random.Random) -> End:
    """At a boundary, and again at one during the recovery (F21)."""
    world.daemon.boundaries.armed, world.daemon.boundaries.left = boundary_of(h.size), 1
    world.daemon.kill_next_life = boundary_of(h.size * len(BOUNDARIES) % 1.0)
    return None


@_fault("frozen", 2 * SECOND, 1 * HOUR)
def _frozen(world: World, h: Happening, rng: random.Random) -> End:
    world.daemon.freeze()
    return world.daemon.thaw


@_fault("power_cut")
def _power_cut(world: World, h: Happening, rng: random.Random) -> End:
    off_ms = rng.choice((5 * SECOND, 2 * MINUTE, 3 * HOUR))
    back = timedelta(milliseconds=off_ms) + timedelta(seconds=rng.choice((0, 30, 3600, 42 * 365 * 86400)))
    synced_after = rng.choice((2 * SECOND, 5 * MINUTE, 4 * HOUR, None))
    world.daemon.power_cut(off_ms, clock_back=back, synced_after_ms=synced_after)
    world.alarms_lost_ms = world.clock.now_ms
    return None


@_fault("disk_full", 5 * SECOND, 3 * HOUR)
def _disk_full(world: World, h: Happening, rng: random.Random) -> End:
    """SQLite's own limit of pages: real errors from real writes."""
    raw = world.store.raw
    (pages,) = raw.execute("PRAGMA page_count").fetchone()
    raw.execute(f"PRAGMA max_page_count={pages}")
    _expect_store_alert(world)
    return _store_mended(world, "PRAGMA max_page_count=1073741823")


@_fault("read_only", 5 * SECOND, 3 * HOUR)
def _read_only(world: World, h: Happening, rng: random.Random) -> End:
    world.store.raw.execute("PRAGMA query_only=ON")
    _expect_store_alert(world)
    return _store_mended(world, "PRAGMA query_only=OFF")


def _expect_store_alert(world: World) -> None:
    """A read-only card is seen at the next write: within a flush of the gathered readings."""

    def still() -> bool:
        (read_only,) = world.store.raw.execute("PRAGMA query_only").fetchone()
        return bool(read_only) and world.daemon.boundaries.seen.get("before_flush", 0) > flushed

    flushed = world.daemon.boundaries.seen.get("before_flush", 0)
    world.rules.expect_alert({"store_failed"}, 65 * MINUTE, still)


def _store_mended(world: World, pragma: str) -> End:
    """What was told meanwhile may be unknown to a later life: it could not be written down."""

    def end() -> None:
        world.store.raw.execute(pragma)
        world.alarms_lost_ms = world.clock.now_ms

    return end


@_fault("old_backup")
def _old_backup(world: World, h: Happening, rng: random.Random) -> End:
    """The card died; somebody put an older copy of the store in place (F28, F31)."""
    hours = rng.choice((0, 7, 26))
    world.daemon.die("card", restart=False)
    world.roll_back(world.clock.now_ms - hours * HOUR)
    world.clock.after(rng.choice((5 * SECOND, 10 * MINUTE)), world.daemon.start)
    return None


@_fault("clock_moved", 1 * MINUTE, 12 * HOUR)
def _clock_moved(world: World, h: Happening, rng: random.Random) -> End:
    """Somebody sets the wall clock; later it is set right."""
    by = timedelta(seconds=rng.choice((-1, 1)) * rng.choice((5, 100, 3600, 5 * 3600, 86400, 40 * 86400)))
    machine = world.daemon.machine
    boot = machine.boot
    world.daemon.move_wall(by)
    world.alarms_lost_ms = world.clock.now_ms

    def end() -> None:
        world.alarms_lost_ms = world.clock.now_ms
        if machine.boot == boot:
            world.daemon.move_wall(-by)

    return end


@_fault("clock_unsynced", 1 * MINUTE, 12 * HOUR)
def _clock_unsynced(world: World, h: Happening, rng: random.Random) -> End:
    machine = world.daemon.machine
    was, machine.synced = machine.synced, False
    boot = machine.boot

    def end() -> None:
        # One that was started anew, or never knew the time since its start, finds it in its own way.
        if was and machine.boot == boot:
            machine.synced = True

    return end


# --- the forecast (F44, F45)


def _weather_fault(name: str) -> None:
    @_fault(f"weather_{name}", 1 * HOUR, 30 * HOUR)
    def begin(world: World, h: Happening, rng: random.Random) -> End:
        world.skies.fault = name
        return lambda: setattr(world.skies, "fault", None)


for _name in ("hangs", "fails", "frozen", "nulls", "gaps", "deluge"):
    _weather_fault(_name)


# --- people


@_fault("person_water")
def _person_water(world: World, h: Happening, rng: random.Random) -> End:
    zone = rng.choice(world.site.zones).id
    world.ask("water", zone, rng.choice((1.0, 4.0, 10.0, 30.0)), who=rng.choice(("Ada", "Ben")))
    return None


@_fault("person_stop")
def _person_stop(world: World, h: Happening, rng: random.Random) -> End:
    world.ask("stop", None, None)
    if h.lasts_ms:  # as a scenario says
        world.clock.after(h.lasts_ms, lambda: world.ask("resume", None, None))
        return None
    for again in range(rng.choice((1, 1, 2))):
        world.clock.after(
            rng.choice((1 * SECOND, 5 * MINUTE, 2 * HOUR)) * (again + 1),
            lambda: world.ask("resume", None, None),
        )
    return None


@_fault("person_tells")
def _person_tells(world: World, h: Happening, rng: random.Random) -> End:
    litres = round(rng.uniform(1.0, 20.0))
    kind = rng.choice(("took", "topped_up", "gave", "measured", "rained", "hold", "water"))
    world.plumbing.settle(world.clock.now_ms)
    if kind == "took":
        world.pour(-litres)
        world.ask("took", None, litres)
    elif kind == "topped_up":
        world.pour(litres)
        world.ask("topped_up", None, litres)
    elif kind == "gave":
        world.ask("gave", rng.choice(world.site.plants).id, litres)
    elif kind == "measured":
        world.ask("measured", None, round(max(0.0, world.plumbing.level_m + rng.gauss(0.0, 0.003)), 3))
    elif kind == "rained":
        day = world.daemon.machine.wall().date() - timedelta(days=rng.randint(0, 2))
        world.ask("rained", day.isoformat(), rng.choice((0.0, 3.0, 12.0)))
    elif kind == "hold":
        world.ask("hold", rng.choice((None, world.site.zones[0].id)), rng.choice((0.0, 1.0, 12.0)))
    else:
        world.ask("water", rng.choice(("nowhere", world.site.plants[0].id)), rng.choice((-1.0, 0.0, 500.0)))
    return None


def describe(payload: bytes) -> str:
    """An order's body in words, for a trace read by people."""
    try:
        return json.dumps(json.loads(payload[65:]))
    except ValueError:
        return f"{len(payload)} bytes"
