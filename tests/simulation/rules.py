"""The rules that hold in every state and under every fault, checked from what is true of the garden and from
the rows of the store by plain SQL. Nothing of the controller is used here."""

from __future__ import annotations

import json
from collections import defaultdict
from collections.abc import Callable
from dataclasses import dataclass
from datetime import timedelta
from typing import TYPE_CHECKING, Any

from tests.simulation import sites
from tests.simulation.clockwork import HOUR, MINUTE, SECOND

if TYPE_CHECKING:
    from tests.simulation.world import World

# A command of the loop comes within a step, of the timer within a beat; beyond both nothing may be late.
COMMAND_SLACK_MS = 400
# The node's short turn back to free a jammed valve (firmware_stub/valve.py says 1.5 s).
FREEING_MS = 1500
# A valve whose motor or switch misbehaved is not judged for so long after it was mended.
MENDED_MS = 3 * MINUTE
# How far the level is not known: sensor noise, ripple, travel of the valve.
RESERVE_SLACK_M = 0.015
# A crystal is off by 2 % at the most in this simulation (half the 5 % of fault F35, which has its own test).
RATE_SLACK = 0.03
BOOKED_SLACK_MS = 1500
STOP_WITHIN_MS = 30 * SECOND
STATE_BYTES_MAX = 1024
# A start reads the draws of the last days, of a storm's many runs; afterwards twenty are kept.
DRAWS_MAX = 100
# A stop that is durable is acted on within a look of the daemon, or before all else at its start.
STOP_SEEN_MS = 3 * SECOND
# An order goes only to a node heard within two heartbeats, and some seconds for how late that may be seen.
FRESH_BEATS = 2
# A node unheard for three heartbeats is not known to be shut; the controller looks every ten minutes.
SILENT_BEATS = 3
SILENT_SLACK_MS = 15 * MINUTE
# A level is unknown after six hours without a reading (trade notes), and the controller looks now and then.
UNKNOWN_AFTER_MS = 7 * HOUR
# A state may be late on its way; a session that ended longer ago is over.
OLD_STATE_MS = 12 * MINUTE


@dataclass
class Opening:
    """One true opening of a valve on one order."""

    order_id: str
    channel: int
    began_ms: int
    granted_ms: int
    level_m: float
    honest: bool
    ended_ms: int | None = None
    unpowered: bool = False
    faulty: bool = False  # the valve misbehaved meanwhile: told as not proven shut, and not bookable

    @property
    def due_ms(self) -> int:
        """By then it is driven closed, whatever its crystal does."""
        return self.began_ms + int(self.granted_ms * (1 + RATE_SLACK)) + COMMAND_SLACK_MS

    def open_ms(self, now_ms: int) -> int:
        return (self.ended_ms if self.ended_ms is not None else now_ms) - self.began_ms


@dataclass(frozen=True)
class Broken:
    at_ms: int
    rule: str
    text: str


class Rules:
    """Watches a world. ``broken`` in the order in which it was seen."""

    def __init__(self, world: World) -> None:
        self.world = world
        self.broken: list[Broken] = []
        self.openings: list[Opening] = []
        self.authentic: set[bytes] = set()
        self.sent: dict[str, int] = {}  # order id -> when the daemon first sent it
        self._frame: tuple[int, bytes, bool] | None = None
        self._sessions: set[str] = set()
        self._session: str | None = None
        self._sequence = 0
        self._opened_ids: set[str] = set()
        self._heard: dict[str, int] = {}
        self._over: dict[str, int] = {}
        self._faulty_ms: dict[int, int] = {}
        self._hindered_ms: dict[int, int] = {}
        self.refused_frames = 0
        self.checked: defaultdict[str, int] = defaultdict(int)
        node, daemon = world.node, world.daemon
        node.on_drive.append(self._drive)
        node.on_frame.append(self._take_frame)
        node.on_session.append(self._new_session)
        node.on_boot.append(self._boot)
        daemon.on_publish.append(self._publish)
        daemon.on_start.append(self._started)
        daemon.on_step.append(self._step)
        daemon.on_event.append(self._event)
        world.broker.taps.append(self._tap)

    def fail(self, rule: str, text: str) -> None:
        self.broken.append(Broken(self.world.clock.now_ms, rule, text))
        self.world.clock.note("rule", f"{rule} {text}")

    def must(self, rule: str, holds: bool, text: str | Callable[[], str]) -> None:
        self.checked[rule] += 1
        if not holds:
            self.fail(rule, text if isinstance(text, str) else text())

    # --- the node's side

    def _tap(self, line: Any, topic: str, payload: bytes) -> None:
        if line is self.world.daemon.line and topic.endswith("/order"):
            self.authentic.add(payload)
        if line is self.world.node.line:
            self.must("bounded", len(payload) <= STATE_BYTES_MAX, "a state is too long")

    def _new_session(self, session: str) -> None:
        if self._session is not None:
            self._over[self._session] = self.world.clock.now_ms
        self._session, self._sequence = session, 0

    def _take_frame(self, kind: str, payload: bytes, retained: bool) -> None:
        if kind == "order":
            self._frame = (self.world.clock.now_ms, payload, retained)
        else:
            self._frame = None
            if kind == "close":
                self._voided(payload)

    def _voided(self, payload: bytes) -> None:
        """A close voids the orders it was sent after, whichever arrives first."""
        if payload not in self.world.authentic_closes:
            return
        told = _body(payload)
        if told is not None and told.get("session") == self._session:
            self._sequence = max(self._sequence, int(told["after_sequence"]))

    def faulty(self, channel: int) -> bool:
        """Whether a valve misbehaves, or did until lately."""
        valve = self.world.plumbing.valves[channel]
        now_ms = self.world.clock.now_ms
        if valve.faulty:
            self._faulty_ms[channel] = now_ms
        since = self._faulty_ms.get(channel)
        return since is not None and now_ms - since < MENDED_MS

    def note_faulty(self, channel: int) -> None:
        self._faulty_ms[channel] = self.world.clock.now_ms
        if self.world.plumbing.valves[channel].hindered:
            self._hindered_ms[channel] = self.world.clock.now_ms

    def hindered(self, channel: int) -> bool:
        """Whether its motor turns badly, or did until lately, whatever its switches say."""
        since = self._hindered_ms.get(channel)
        lately = since is not None and self.world.clock.now_ms - since < MENDED_MS
        return lately or self.world.plumbing.valves[channel].hindered

    def _drive(self, channel: int, drive: str, before: str, why: str) -> None:
        now_ms = self.world.clock.now_ms
        held = self._open_now(channel)
        if drive == "open":
            frame, self._frame = self._frame, None
            if frame is not None and frame[0] == now_ms and why == "core":
                self._opened(channel, frame[1], frame[2])
            elif self.faulty(channel) and self._tries_again(channel):
                pass
            elif self.faulty(channel):
                self.world.clock.after(
                    round(FREEING_MS / 0.95) + COMMAND_SLACK_MS, lambda: self._freed(channel)
                )
            else:
                self.fail("opens_only_on_order", f"valve {channel} is driven open with no order ({why})")
        elif drive == "close":
            if held is not None:
                self._closed(held)
            travel_ms = self.world.plumbing.valves[channel].travel_ms
            self.world.clock.after(travel_ms + 2 * SECOND, lambda: self._shut(channel, now_ms))
        elif held is not None and why == "power":
            held.unpowered = True
        if drive == "off" and before == "close" and why == "core":
            self.must(
                "ends_shut",
                not self.world.plumbing.valves[channel].wet or self.hindered(channel),
                f"valve {channel} is left open by a closed switch that was believed",
            )

    def _tries_again(self, channel: int) -> bool:
        """A valve that stuck on its way open was turned back a little and goes on, in its order's time."""
        last = next((o for o in reversed(self.openings) if o.channel == channel), None)
        if last is None:
            return False
        if self.world.clock.now_ms >= last.began_ms + last.granted_ms * (1 - RATE_SLACK):
            return False  # its time is over: turned back to close it
        last.ended_ms, last.faulty = None, True
        return True

    def _open_now(self, channel: int) -> Opening | None:
        return next((o for o in self.openings[-4:] if o.channel == channel and o.ended_ms is None), None)

    def _opened(self, channel: int, raw: bytes, retained: bool) -> None:
        self.must("opens_only_on_order", raw in self.authentic, "an order opened that the daemon never sent")
        self.must("opens_only_on_order", not retained, "a retained order opened")
        told = _body(raw)
        if told is None:
            self.fail("opens_only_on_order", "an unreadable order opened")
            return
        uptime_ms = self.world.node.uptime_true_ms()
        self.must("no_old_order", told["session"] == self._session, "an order of another session opened")
        self.must("no_old_order", told["sequence"] > self._sequence, "an order with an old sequence opened")
        self.must(
            "no_old_order",
            uptime_ms <= told["start_by_uptime_ms"] + COMMAND_SLACK_MS,
            "an expired order opened",
        )
        self._sequence = max(self._sequence, told["sequence"])
        order_id = told["order_id"]
        self.must("one_effect", order_id not in self._opened_ids, f"order {order_id} opened twice")
        self._opened_ids.add(order_id)
        self.must("right_valve", told["channel"] == channel, f"order for {told['channel']} opened {channel}")
        others = [
            n
            for n, v in enumerate(self.world.plumbing.valves)
            if n != channel and v.wet and not self.faulty(n)
        ]
        self.must("one_at_a_time", not others, f"valve {channel} opens while {others} are open")
        longest_ms = int(self.world.node.settings["longest_open_ms"])
        granted_ms = min(told["open_ms"], longest_ms)
        opening = Opening(
            order_id,
            channel,
            self.world.clock.now_ms,
            granted_ms,
            self.world.plumbing.level_m,
            self.world.plumbing.sensor.honest,
        )
        self.openings.append(opening)
        self.world.clock.at(opening.due_ms, lambda: self._bounded(opening))
        self.world.opened(opening)

    def _bounded(self, opening: Opening) -> None:
        # While the chip starts anew nothing can close; the rule of the boot says that it then does.
        excused = opening.unpowered or not self.world.node.powered or self.world.node.loop is None
        self.must(
            "bounded_opening",
            opening.ended_ms is not None or excused,
            lambda: f"order {opening.order_id} is still open after {opening.granted_ms} ms",
        )

    def _closed(self, opening: Opening) -> None:
        opening.ended_ms = self.world.clock.now_ms
        opening.faulty = opening.faulty or self.faulty(opening.channel)
        plumbing = self.world.plumbing
        honest = opening.honest and plumbing.sensor.honest and self.world.level_moved_ms < opening.began_ms
        if plumbing.site.sensor is not None and honest and not opening.unpowered:
            self.must(
                "reserve",
                plumbing.level_m >= min(opening.level_m, plumbing.reserve_m) - RESERVE_SLACK_M,
                lambda: f"the level is {plumbing.level_m:.3f} m, the reserve {plumbing.reserve_m:.3f} m",
            )

    def _shut(self, channel: int, since_ms: int) -> None:
        """After its travel a valve driven closed is shut, unless it misbehaves or was opened again."""
        valve = self.world.plumbing.valves[channel]
        self.world.plumbing.settle(self.world.clock.now_ms)
        excused = (
            self.faulty(channel)
            or not self.world.node.powered
            or self.world.node.loop is None  # it restarts just now
            or any(o.channel == channel and o.began_ms > since_ms for o in self.openings[-4:])
            or self.world.booted_ms > since_ms
        )
        self.must("ends_shut", not valve.wet or excused, f"valve {channel} is not shut after its travel")

    def _freed(self, channel: int) -> None:
        valve = self.world.plumbing.valves[channel]
        excused = self._open_now(channel) is not None
        self.must(
            "opens_only_on_order", valve.drive != "open" or excused, f"valve {channel} is left driven open"
        )

    def _boot(self) -> None:
        for channel, valve in enumerate(self.world.plumbing.valves):
            self.must(
                "boot_closes",
                valve.drive == "close" or not valve.wet,
                f"valve {channel} is not closed at boot",
            )

    # --- the daemon's side

    def _publish(self, _how: str, effect: Any) -> None:
        name = type(effect).__name__
        if name == "SendOrder":
            self._order_goes_out(effect.order)

    def _order_goes_out(self, order: Any) -> None:
        world = self.world
        raw = world.store.raw
        row = raw.execute("SELECT asked_by FROM intents WHERE order_id = ?", (order.order_id,)).fetchone()
        durable = row is not None and not raw.in_transaction
        self.must("intent_first", durable, f"order {order.order_id} goes out before its intent is durable")
        sent_ms = self.sent.get(order.order_id)
        again = sent_ms is not None and sent_ms > world.store_lost_ms
        self.must("one_effect", not again, f"order {order.order_id} is sent twice")
        self.sent[order.order_id] = world.clock.now_ms
        stop = raw.execute("SELECT stopped FROM stops ORDER BY id DESC LIMIT 1").fetchone()
        self.must("stop_holds", stop is None or not stop[0], f"order {order.order_id} is sent after a stop")
        asked_ms = world.stopped_ms
        thawed = world.clock.now_ms - world.daemon.thawed_ms < STOP_SEEN_MS
        seen = asked_ms is not None and world.clock.now_ms - asked_ms > STOP_SEEN_MS and not thawed
        self.must("stop_holds", not seen, "an order is sent although a person's stop stands")
        if row is not None and row[0] is None:
            self._by_the_clock()
        heard_ms = world.clock.now_ms - world.state_passed_ms
        beat_ms = round(world.site.node.heartbeat_s * SECOND)
        self.must(
            "never_blind",
            heard_ms < FRESH_BEATS * beat_ms + MINUTE,
            "an order to a node that was silent for two of its heartbeats",
        )

    def _by_the_clock(self) -> None:
        now = self.world.daemon.machine.now()
        self.must(
            "no_unknown_clock", now.trust != "unknown", "a run by the clock while the time is not known"
        )
        local = now.wall.astimezone(sites.PLACE.timezone)
        inside = any(w.start <= local.time() < w.end for w in self.world.site.windows)
        self.must("in_window", inside, f"a planned run at {local:%H:%M}")

    def _started(self) -> None:
        (said,) = self.world.store.raw.execute("PRAGMA quick_check").fetchone()
        self.must("store_whole", said == "ok", f"the store after a start: {said}")

    def _step(self) -> None:
        shell = self.world.daemon.shell
        if shell is None:
            return
        state = shell.state
        sizes = (
            len(state.intents) <= 1
            and len(state.waiting) <= 60
            and len(state.booked) <= 500
            and len(state.refused_mono_s) <= 50
            and len(state.draws) <= DRAWS_MAX
            and len(state.alarms) <= 60
            and shell._keeping.waiting <= 2000
        )
        self.must("bounded", sizes, "something in the controller grows without bound")
        self.must("no_defect", shell.faults == 0, lambda: f"a step raised: {self.world.errors()[-1:]}")
        silent_ms = self.world.clock.now_ms - self.world.state_passed_ms
        if silent_ms > SILENT_BEATS * self.world.site.node.heartbeat_s * SECOND + SILENT_SLACK_MS:
            self.must("unheard_is_not_shut", state.phase != "at_rest", "a silent node counts as shut")

        if self.world.site.sensor is not None:
            known_ms = max(self.world.node.pinged_ms, self.world.measured_ms)
            old = (
                self.world.clock.now_ms - known_ms > UNKNOWN_AFTER_MS and known_ms > self.world.alarms_lost_ms
            )
            self.must("unknown_is_unknown", not (old and state.belief.known), "an old level counts as known")

    def _event(self, event: Any) -> None:
        """States of the node come in their order and of its present session."""
        if type(event).__name__ != "NodeHeard":
            return
        before = self._heard.get(event.session)
        self.must(
            "no_old_state", before is None or event.uptime_ms > before, "a state from before is believed"
        )
        self._heard[event.session] = event.uptime_ms
        over_ms = self._over.get(event.session)
        # A process that was stopped finds old states in its sockets when it goes on.
        thawed = self.world.clock.now_ms - self.world.daemon.thawed_ms < STOP_SEEN_MS
        late = over_ms is not None and self.world.clock.now_ms - over_ms > OLD_STATE_MS and not thawed
        self.must("no_old_state", not late, "a state of a session long over is believed")

    # --- people

    def stop_asked(self) -> None:
        asked_ms = self.world.clock.now_ms
        self.world.clock.after(STOP_WITHIN_MS, lambda: self._stopped(asked_ms))

    def _stopped(self, asked_ms: int) -> None:
        if self.world.troubled_since(asked_ms) or self.world.resumed_ms >= asked_ms:
            return
        wet = [n for n, v in enumerate(self.world.plumbing.valves) if v.wet and not self.faulty(n)]
        self.must("stop_wins", not wet, f"valves {wet} are open {STOP_WITHIN_MS // 1000} s after a stop")

    def expect_alert(self, kinds: set[str], in_ms: int, still: Callable[[], bool]) -> None:
        """What lasts is told in time, by a daemon that ran all the while; told before counts."""
        daemon, since_ms, life = self.world.daemon, self.world.clock.now_ms, self.world.daemon.lives

        def look() -> None:
            ran = (
                daemon.running and daemon.lives == life and not daemon.frozen and daemon.thawed_ms < since_ms
            )
            if ran and self.world.alarms_lost_ms < since_ms and still():
                told = any(alert.kind in kinds for _, alert in daemon.alerts)
                self.must("told_in_time", told, f"none of {sorted(kinds)} was told in {in_ms // MINUTE} min")

        self.world.clock.after(in_ms, look)

    # --- at the end

    def at_the_end(self) -> None:
        """After a quiet day: all is shut, booked, answered and told."""
        self._settled()
        self._books()
        self._answers()
        self._alerts()

    def _settled(self) -> None:
        world, shell = self.world, self.world.daemon.shell
        if shell is None:
            self.fail("recovers", "the daemon does not run after a quiet day")
            return
        state = shell.state
        well = state.phase in ("at_rest", "ordered", "running")
        self.must("recovers", well, lambda: f"after a quiet day the controller is {state.phase}")
        old = [
            h
            for h in state.intents
            if self.sent.get(h.intent.order.order_id, 0) < world.clock.now_ms - 3 * HOUR
        ]
        self.must("recovers", not old, "an order is not booked after three hours of quiet")
        today = world.daemon.machine.now().wall.astimezone(sites.PLACE.timezone).date()
        planned = state.plan is not None and state.plan.day == today
        self.must("recovers", planned, "no plan for today after a quiet day")
        loop = world.node.loop
        kept = loop.node.outcomes if loop is not None else []
        running = {h.intent.order.order_id for h in state.intents}
        left = [o for o in kept if o["order_id"] not in running]
        self.must("recovers", len(left) <= 1, f"the node still waits for receipts of {len(left)} runs")
        self.must("recovers", world.probe_ran, "water asked for in the quiet did not come")

    def _books(self) -> None:
        world = self.world
        rows = world.store.raw.execute("SELECT order_id, open_s, count(*) FROM bookings GROUP BY order_id")
        booked = {order_id: (open_s, count) for order_id, open_s, count in rows}
        for opening in self.openings:
            began, order_id = opening.began_ms, opening.order_id
            if began < world.store_lost_ms or began > world.clock.now_ms - 3 * HOUR:
                continue
            found = booked.get(order_id)
            if found is None:
                self.fail("booked_once", f"order {order_id} gave water and is not booked")
                continue
            true_ms = opening.open_ms(world.clock.now_ms)
            most_ms = found[0] * 1000 * (1 + RATE_SLACK) + BOOKED_SLACK_MS
            self.must(
                "booked_enough",
                true_ms <= most_ms or opening.faulty or (opening.unpowered and began < world.alarms_lost_ms),
                lambda o=order_id, t=true_ms, f=found: f"order {o}: open {t} ms, booked {f[0]:.1f} s",
            )
        for order_id, (_, count) in booked.items():
            self.must("booked_once", count == 1, f"order {order_id} is booked {count} times")

    def _answers(self) -> None:
        raw = self.world.store.raw
        rows = raw.execute(
            "SELECT r.id, r.kind FROM requests r LEFT JOIN answers a ON a.request_id = r.id"
            " WHERE a.request_id IS NULL"
        ).fetchall()
        self.must("nothing_lost", not rows, f"requests without an answer: {rows}")
        missing = [
            n for n in self.world.asked if n not in {r[0] for r in raw.execute("SELECT id FROM requests")}
        ]
        self.must("nothing_lost", not missing, f"requests gone from the store: {missing}")

    def _alerts(self) -> None:
        """Nobody is told the same twice within an hour, nor twice on a day what is not urgent."""
        secret = self.world.key.hex()
        last: dict[tuple[str, str], Any] = {}
        for at_ms, alert in self.world.daemon.alerts:
            self.must("no_secret", secret not in alert.text + alert.advice, "the key stands in an alert")
            key = (alert.kind, alert.subject)
            before = last.get(key)
            if before is not None and before[0] > self.world.alarms_lost_ms:
                gap = alert.at - before[1].at
                least = timedelta(hours=1) if alert.urgent else timedelta(hours=0)
                days = {a.at.astimezone(sites.PLACE.timezone).date() for a in (alert, before[1])}
                chatters = gap < least or (not alert.urgent and len(days) == 1)
                self.must("one_alert", not chatters, lambda k=key, g=gap: f"{k} told again after {g}")
            last[key] = (at_ms, alert)


def _body(raw: bytes) -> dict[str, Any] | None:
    try:
        return dict(json.loads(raw[65:]))
    except ValueError:
        return None
