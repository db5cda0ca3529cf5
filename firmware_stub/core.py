"""The valve node's decisions: messages and inputs in, actions out. No pins, sockets, clocks or files.

    node = Node(settings, saved, reset_cause)
    node.boot(now_ms)                     -> actions   first of all: every valve is driven closed
    node.connected(now_ms, random_bytes)  -> actions   a session begins
    node.handle(kind, raw, retained, now_ms) -> actions
    node.tick(now_ms, inputs)             -> actions   often; at the latest after next_due_ms()
    node.disconnected()                                a running order goes on: it needs nobody

``now_ms`` is a tick counter that wraps at ``settings.tick_modulus``. Actions are tuples, to be carried out
in their order:

    ("save", dict)          to non-volatile memory; when it fails, drop every ("motor", _, "open") behind it
                            and carry out save_failed(now_ms) in the end
    ("motor", channel, "open" | "close" | "off")
    ("guard", channel, ms)  arm the timer that drives this valve closed by itself; ms None disarms
    ("measure",)            take pings; hand them to a later tick
    ("publish", bytes)      a state, to the state topic
    ("tell_log", bytes)     the node's own log, to the log topic; only after an ask that wants it

What holds whatever comes in: a valve is open no longer than its order, the longest opening of the settings
and what is left of the daily cap, and then closes; only a fresh, authentic order opens; any authentic close
closes; the network is never waited for.
"""

try:
    from . import codec, frames, memory
    from .diary import Diary
    from .valve import Run, Valve
except ImportError:  # on the board the files stand side by side
    import codec
    import frames
    import memory
    from diary import Diary
    from valve import Run, Valve

DAY_MS = 86400000
REFUSALS_KEPT = 4
SENT_OUTCOMES_MAX = 3  # in one state; the rest follow once these are receipted
CLOSES_SEEN_KEPT = 8
STATE_GAP_MS = 200  # changes closer than this share a state
REFUSAL_GAP_MS = 1000  # a storm of bad messages is answered once a second
MEASURE_WAIT_MS = 3000  # a state waits so long for the pings that belong to it
SUPPLY_DIP_MS = 1000  # a motor's inrush dips the supply for less


class Inputs:
    """What the pins say now. ``switches``: per channel (open made, closed made), or None where unreadable.

    ``pulses``: counted since the start, {"rain": n, "flow": n}, of those that are fitted; None: neither.
    """

    def __init__(self, switches, pings=None, supply_mv=None, air_c=None, pulses=None):
        self.switches = switches
        self.pings = pings
        self.supply_mv = supply_mv
        self.air_c = air_c
        self.pulses = pulses


def median(values):
    ordered = sorted(values)
    middle = len(ordered) // 2
    if len(ordered) % 2:
        return ordered[middle]
    return (ordered[middle - 1] + ordered[middle]) // 2


class Node:
    def __init__(self, settings, saved=None, reset_cause="power_on"):
        self.settings = settings
        self.reset_cause = reset_cause
        self.uptime_ms = 0
        self._last_tick = None
        self.session = None
        self.last_sequence = 0
        self._number = 0
        self._challenge = None
        self.valves = [
            Valve(c, settings.travel_ms_max, settings.cuts_itself_off) for c in range(settings.channels)
        ]
        self.outcomes = []
        self.outcomes_dropped = 0
        self.used = []
        self._refusals = []
        self.refused_total = 0
        self.closes = 0
        self.closes_repeated = 0
        self._closes_seen = []
        self._day_began_ms = 0
        self.day_open_ms = [0] * settings.channels
        self._supply_mv = None
        self._supply_low_since = None
        self._pings = None  # of the last reading
        self._pings_at = 0
        self._air_c = None
        self._pulses = None
        self._pings_told = True
        self._looking = False  # the pings to come are for the node alone
        self._measuring_since = None
        self._saved_at = 0
        self._want = None  # when a state is wanted: the uptime from which it may be sent
        self._state_at = 0
        self._clock_failed = False
        self.may_publish = True  # the shell's word whether a state can go out now
        self.diary = Diary(saved.get("log") if isinstance(saved, dict) else None)
        memory.restore(self, saved)
        self.diary.note(0, "start: " + reset_cause)

    def _save(self, actions):
        self._saved_at = self.uptime_ms
        actions.append(("save", memory.kept(self)))

    def save_failed(self, now_ms):
        """The memory does not take writes: nothing may stay open that a restart would not know of."""
        self._advance(now_ms)
        self.diary.note(self.uptime_ms, "memory takes no writes")
        actions = []
        for v in self.valves:
            if v.run:
                self._end_run(v, "fault", actions, save=False)
        return actions

    # --- time

    def _advance(self, now_ms):
        """Add what passed to the uptime. The counter may wrap; it may not stand for half its range."""
        if self._last_tick is not None:
            modulus = self.settings.tick_modulus
            passed = (now_ms - self._last_tick) % modulus
            if passed < modulus // 2:
                self.uptime_ms += passed
            else:
                self._clock_failed = True  # back, or too far: whatever is open closes
        self._last_tick = now_ms
        if self.uptime_ms - self._day_began_ms >= DAY_MS:
            self._day_began_ms = self.uptime_ms
            self.day_open_ms = [0] * self.settings.channels

    def next_due_ms(self):
        """After how many ms at the latest something happens by itself."""
        up = self.uptime_ms
        due = self._report_ms()
        if self._measuring_since is None:
            due += self._state_at - up
        if self._want is not None:
            due = min(due, self._want - up)
        if self._measuring_since is not None:
            due = min(due, self._measuring_since + MEASURE_WAIT_MS - up)
        if self._supply_low_since is not None and self._supply_low_since + SUPPLY_DIP_MS > up:
            due = min(due, self._supply_low_since + SUPPLY_DIP_MS - up)
        for v in self.valves:
            own = v.due_at(up)
            if own is not None:
                due = min(due, own - up)
            if v.run:
                due = min(due, self._saved_at + memory.SAVE_EVERY_MS - up)
        return max(0, due)

    def _report_ms(self):
        for v in self.valves:
            if v.moving() or v.run:
                return self.settings.open_report_ms
        return self.settings.heartbeat_ms

    # --- the link

    def boot(self, now_ms):
        self._advance(now_ms)
        actions = []
        for v in self.valves:
            v.close(self.uptime_ms, actions)
        self._save(actions)
        actions.append(("measure",))
        self._measuring_since = self.uptime_ms
        return actions

    def connected(self, now_ms, random_bytes):
        """A new connection: a new session; orders of the one before are void."""
        self._advance(now_ms)
        self.session = codec.to_hex(random_bytes)
        self.last_sequence = 0
        self._number = 0
        self._challenge = None
        self._wish(0)
        return []

    def disconnected(self):
        self.session = None

    def _wish(self, wait_ms):
        at = self.uptime_ms + wait_ms
        if self._want is None or at < self._want:
            self._want = at

    def handle(self, kind, raw, retained, now_ms):
        """A message as it came. Never raises; what is refused is counted and told."""
        self._advance(now_ms)
        actions = []
        if kind == "close":
            self._handle_close(raw, actions)
        elif retained:
            self._refuse("retained", None)
        else:
            try:
                message = codec.read_message(kind, raw, self.settings.key, self.settings.node)
            except codec.FrameError as e:
                self._refuse(e.why, e.order_id)
                return actions
            except KeyError:
                self._refuse("malformed", None)
                return actions
            if kind == "order":
                self._handle_order(message, actions)
            elif kind == "ask":
                if message.get("log") is True:
                    actions.append(("tell_log", self.log_frame(message["challenge"])))
                else:
                    self._challenge = message["challenge"]
                    self._ask_reading(actions)
            else:
                self._handle_receipt(message, actions)
        return actions

    def _refuse(self, why, order_id):
        self.refused_total += 1
        self.diary.note(self.uptime_ms, "refused: " + why)
        self._refusals.append([why, order_id])
        if len(self._refusals) > REFUSALS_KEPT:
            self._refusals.pop(0)
        self._wish(REFUSAL_GAP_MS if why in ("bad_mac", "malformed", "retained") else 0)

    def _handle_receipt(self, message, actions):
        ids = message["order_ids"]
        kept = [o for o in self.outcomes if o["order_id"] not in ids]
        if len(kept) != len(self.outcomes):
            self.outcomes = kept
            self._save(actions)
            if kept:
                self._wish(STATE_GAP_MS)

    def _handle_close(self, raw, actions):
        """Closing is safe: an old or a retained close is obeyed too, and counted."""
        channel = None
        try:
            message = codec.read_message("close", raw, self.settings.key, self.settings.node)
            channel = message["channel"]
            if message["session"] is not None and message["session"] == self.session:
                self.last_sequence = max(self.last_sequence, message["after_sequence"])
            self._count_close(message["nonce"])
        except codec.FrameError as e:
            if e.why not in ("version", "malformed") or not self._authentic("close", raw):
                self._refuse(e.why, None)
                return
            self._count_close(None)  # of another version, yet ours: close all
        for v in self.valves:
            if channel is None or channel == v.channel or channel >= len(self.valves):
                v.failures = 0
                self._end_run(v, "asked", actions)
        self._wish(0)

    def _authentic(self, kind, raw):
        try:
            codec.open_frame(kind, raw, self.settings.key)
        except codec.FrameError:
            return False
        return True

    def _count_close(self, nonce):
        self.closes += 1
        if nonce is None:
            return
        if nonce in self._closes_seen:
            self.closes_repeated += 1
            return
        self._closes_seen.append(nonce)
        if len(self._closes_seen) > CLOSES_SEEN_KEPT:
            self._closes_seen.pop(0)

    def _handle_order(self, m, actions):
        why = self._why_not(m)
        if why:
            self._refuse(why, m["order_id"])
            return
        v = self.valves[m["channel"]]
        granted = min(m["open_ms"], self.settings.longest_open_ms, self._cap_left(v.channel))
        self.used.append(m["order_id"])
        if len(self.used) > memory.USED_KEPT:
            self.used.pop(0)
        v.run = Run(m["order_id"], self.uptime_ms, granted, m.get("low_raw"), m.get("low_side"))
        self._save(actions)
        v.open(self.uptime_ms, actions)
        actions.append(("guard", v.channel, granted))
        self._look_at_level(v.run, actions)
        self._wish(0)

    def _why_not(self, m):
        """The reason to refuse, or None. Once an order is of this session and new, its sequence is spent."""
        if m["order_id"] in self.used:
            return "used_order"
        if self.session is None or m["session"] != self.session:
            return "old_session"
        if m["sequence"] <= self.last_sequence:
            return "old_sequence"
        self.last_sequence = m["sequence"]
        if self.uptime_ms > m["start_by_uptime_ms"]:
            return "too_late"
        if m["channel"] >= len(self.valves):
            return "no_such_valve"
        v = self.valves[m["channel"]]
        if v.locked():
            return "fault"
        others = sum(1 for o in self.valves if o is not v and not o.shut())
        if not v.shut() or others >= self.settings.open_at_once_max:
            return "busy"
        if self._supply_low_since is not None:
            return "low_supply"
        if self._cap_left(v.channel) <= 0:
            return "daily_cap"
        return None

    def _cap_left(self, channel):
        return self.settings.daily_open_ms_max - self.day_open_ms[channel]

    # --- runs

    def _end_run(self, v, why, actions, save=True, certain=True):
        """Drive closed; the run, if any, ends. ``certain`` False: the clock cannot tell how long it was."""
        run = v.run
        v.run = None
        v.close(self.uptime_ms, actions)
        if run is None:
            return
        actions.append(("guard", v.channel, None))
        open_ms = run.open_ms(self.uptime_ms)
        self.day_open_ms[v.channel] += open_ms
        most = open_ms if certain else max(open_ms, run.granted_ms)
        self.add_outcome(run.order_id, v.channel, open_ms, most, why)
        if save:
            self._save(actions)
        self._wish(0)

    def add_outcome(self, order_id, channel, open_ms, open_ms_max, why):
        self.outcomes.append(
            {
                "order_id": order_id,
                "channel": channel,
                "open_ms": open_ms,
                "open_ms_max": open_ms_max,
                "why": why,
            }
        )
        if len(self.outcomes) > memory.OUTCOMES_KEPT:
            # The oldest wait longest for their receipt: keep them, and say how many went.
            self.outcomes.pop(memory.OUTCOMES_KEPT // 2)
            self.outcomes_dropped += 1

    def tick(self, now_ms, inputs):
        self._advance(now_ms)
        actions = []
        self._take_supply(inputs)
        if self._clock_failed:
            self._clock_failed = False
            self.diary.note(self.uptime_ms, "clock went back or stood")
            for v in self.valves:
                self._end_run(v, "fault", actions, save=False, certain=False)
                v.lose_count()
            self._save(actions)  # how far each is open was lost first: no start may take it for shut
        for v in self.valves:
            self._tick_valve(v, inputs.switches[v.channel], actions)
        if inputs.pings:
            self._take_pings(inputs, actions)
        self._tick_reports(actions)
        return actions

    def _take_supply(self, inputs):
        self._supply_mv = inputs.supply_mv
        self._pulses = inputs.pulses
        low = self.settings.supply_low_mv
        if low is None or inputs.supply_mv is None or inputs.supply_mv >= low:
            self._supply_low_since = None
        elif self._supply_low_since is None:
            self._supply_low_since = self.uptime_ms

    def _tick_valve(self, v, switch, actions):
        before = v.position
        knew_shut = v.known_shut()
        run = v.run
        low = self._supply_low_since is not None and self.uptime_ms - self._supply_low_since >= SUPPLY_DIP_MS
        v.weak = v.weak or (low and not v.shut())
        if run:
            if run.open_ms(self.uptime_ms) >= run.granted_ms:
                self._end_run(v, "time_up", actions)
            elif low:
                self.diary.note(self.uptime_ms, "low supply: %d mV" % (self._supply_mv or 0))
                self._end_run(v, "low_supply", actions)
            elif self.uptime_ms - self._saved_at >= memory.SAVE_EVERY_MS:
                self._save(actions)
                self._look_at_level(run, actions)
        v.step(self.uptime_ms, switch, actions)
        if v.gave_up:
            self.diary.note(self.uptime_ms, "valve %d did not open or stay open" % (v.channel + 1))
        if v.gave_up and v.run:
            self._end_run(v, "fault", actions)
        v.gave_up = False
        if v.position != before:
            if v.position == "fault":
                self.diary.note(self.uptime_ms, "valve %d is not shut: fault" % (v.channel + 1))
                self._save(actions)
            self._wish(0)
        if v.known_shut() != knew_shut:
            self._save(actions)

    def _take_pings(self, inputs, actions):
        pings = [p for p in inputs.pings if codec.is_int(p, 0, codec.RAW_MAX)][:9]
        low = []
        if len(pings) >= 3:  # fewer say nothing about their median
            m = median(pings)
            low = [v for v in self.valves if v.run and v.run.passed(m)]
        looked, self._looking = self._looking, False
        if not looked or self._measuring_since is not None or low:  # a look is told only where it ends a run
            self._pings = pings
            self._pings_at = self.uptime_ms
            self._air_c = inputs.air_c
            self._pings_told = False
        if self._measuring_since is not None:
            self._measuring_since = None
            self._wish(0)
        for v in low:
            self._end_run(v, "low_level", actions)

    def _look_at_level(self, run, actions):
        """Of a run that ends at a level: when it begins, for its order may go by an old reading, and each
        minute, however seldom the node reports."""
        if run.low_raw is not None and self._measuring_since is None:
            self._looking = True
            actions.append(("measure",))

    def _ask_reading(self, actions):
        if self._measuring_since is None:
            self._measuring_since = self.uptime_ms
            actions.append(("measure",))

    def _tick_reports(self, actions):
        up = self.uptime_ms
        idle = self._measuring_since is None and self._want is None
        if idle and up - self._state_at >= self._report_ms():
            self._ask_reading(actions)
        if self._measuring_since is not None and up - self._measuring_since >= MEASURE_WAIT_MS:
            self._measuring_since = None
            self._wish(0)
        if self._want is None or up < self._want:
            return
        if self.session is not None and not self.may_publish:
            return
        if self.session is None:
            self._want = None
            self._state_at = up  # measured on, in time; told once somebody listens
            return
        if up - self._state_at < STATE_GAP_MS and self._number:
            self._want = self._state_at + STATE_GAP_MS
            return
        self._want = None
        self._state_at = up
        actions.append(("publish", self.state()))

    # --- the state

    def state(self):
        """The signed state frame. Outcomes stay until receipted; refusals and pings are told once."""
        self._number += 1
        body = {
            "version": codec.VERSION,
            "node": self.settings.node,
            "session": self.session,
            "number": self._number,
            "uptime_ms": self.uptime_ms,
            "last_sequence": self.last_sequence,
            "challenge": self._challenge,
            "supply_mv": self._supply_mv,
            "reset_cause": self.reset_cause,
            "refused_total": self.refused_total,
            "closes": self.closes,
            "closes_repeated": self.closes_repeated,
            "outcomes_dropped": self.outcomes_dropped,
            "valves": [v.told(self.uptime_ms) for v in self.valves],
            "outcomes": self.outcomes[:SENT_OUTCOMES_MAX],
            "refusals": [{"why": w, "order_id": i} for w, i in self._refusals],
            "reading": self._reading(),
        }
        if self._pulses:
            body["pulses"] = self._pulses
        frame = frames.state(body, self.settings.key)
        self._refusals = []
        self._pings_told = True
        return frame

    def log_frame(self, challenge):
        """The signed log."""
        body = {
            "version": codec.VERSION,
            "node": self.settings.node,
            "challenge": challenge,
            "uptime_ms": self.uptime_ms,
            "refused_total": self.refused_total,
            "entries": self.diary.memory(),
        }
        return frames.log(body, self.settings.key)

    def _reading(self):
        if self._pings_told or not self._pings:
            return None
        return {"pings": self._pings, "age_ms": self.uptime_ms - self._pings_at, "air_c": self._air_c}
