"""One motor valve with two end switches: how it travels, and what is known of it.

A motor that does not arrive in time is stopped, waits, frees itself by a short turn back, and tries once
more; then it is a fault and the motor rests, so that it does not burn. A valve that cannot be closed is
tried again a few times, later.

A closed switch may fail made, and no look at it shows that. So it is believed only after the motor was driven
closed for as long as the valve may have been opened: for its whole travel where that is not known. A valve
that cuts its own motor off at its ends takes that without harm.
"""

PAUSE_MS = 1000  # standing still before the motor is reversed
FREEING_MS = 1500  # short turn the other way, to drop grit
SEATING_MS = 300  # driven on after the switch made
GLITCH_MS = 1000  # a switch that changes for less is bounce
AGAIN_MS = 300000  # a valve that did not close is tried again after this
AGAIN_MAX = 3
FAILURES_LOCK = 2  # openings that failed in a row; then no more until a close is sent or the node restarts


class Run:
    """An order under way. Open time counts from the moment the valve starts to open."""

    def __init__(self, order_id, began_ms, granted_ms, low_raw, low_side):
        self.order_id = order_id
        self.began_ms = began_ms
        self.granted_ms = granted_ms
        self.low_raw = low_raw
        self.low_side = low_side

    def open_ms(self, uptime_ms):
        return uptime_ms - self.began_ms

    def passed(self, raw):
        """True once the water is below the order's level."""
        if self.low_raw is None:
            return False
        return raw > self.low_raw if self.low_side == "above" else raw < self.low_raw


class Valve:
    """``position`` is what is known; ``drive`` what the motor was last told."""

    def __init__(self, channel, travel_ms_max, cuts_itself_off=True):
        self.channel = channel
        self.travel_ms_max = travel_ms_max
        self.cuts_itself_off = cuts_itself_off
        self.position = "unknown"
        self.drive = "off"
        self.run = None
        self.gave_up = False  # set for the node: the opening failed
        self.weak = False  # set by the node: current was low since it was last shut; slow to close
        self.failures = 0
        self._goal = None  # "open", "close" or None at rest
        self._phase = None  # "travel", "pause", "free"
        self._since = 0
        self._tries = 0
        self._again_left = AGAIN_MAX
        self._at_once = True  # a closed switch that changes by itself is followed without a rest before
        self._odd_since = None
        self._held = True  # the closed switch was not seen open since the valve was last proven shut
        self._open_began = 0
        self._made_since = None  # while it is driven closed: since when its closed switch is made
        self._out_ms = None  # for how long it was driven open at most, since then; None: not known

    def told(self, uptime_ms):
        return {
            "channel": self.channel,
            "position": self.position,
            "order_id": self.run.order_id if self.run else None,
            "open_ms": self.run.open_ms(uptime_ms) if self.run else 0,
        }

    def shut(self):
        return self.position == "closed" and self._goal is None

    def known_shut(self):
        """Proven shut and not opened since: what the node remembers over a restart."""
        return self._out_ms == 0 and self.run is None

    def was_known_shut(self):
        """Before the restart. A closed switch that is made now is what was left."""
        self._out_ms = 0

    def lose_count(self):
        """The clock failed: however long it was driven open, it cannot be further than its whole travel."""
        if not self.shut():
            self._out_ms = self.travel_ms_max

    def moving(self):
        return self._goal is not None

    def locked(self):
        return self.position == "fault" or self.failures >= FAILURES_LOCK

    def due_at(self, uptime_ms):
        """The uptime at which something falls due by itself, or None."""
        due = []
        if self.run:
            due.append(self.run.began_ms + self.run.granted_ms)
        if self._goal is not None:
            due.append(self._since + self._phase_ms())
            if self._since + self._seat_ms() > uptime_ms:
                due.append(self._since + self._seat_ms())
            if self._made_since is not None and self._made_since + SEATING_MS > uptime_ms:
                due.append(self._made_since + SEATING_MS)
        if self.position == "fault" and self._again_left > 0 and self._goal is None:
            due.append(self._since + AGAIN_MS)
        if self.position == "fault" and self._odd_since is not None and self._since + AGAIN_MS > uptime_ms:
            due.append(self._since + AGAIN_MS)
        if self._odd_since is not None and self._odd_since + GLITCH_MS > uptime_ms:
            due.append(self._odd_since + GLITCH_MS)
        return min(due) if due else None

    def _phase_ms(self):
        if self._phase == "pause":
            return PAUSE_MS
        if self._phase == "free":
            return FREEING_MS
        return self.travel_ms_max

    def _seat_ms(self):
        """For how long it is driven closed before its closed switch is believed."""
        if self._out_ms is None:
            if self.cuts_itself_off or self._held:
                return self.travel_ms_max
            # A bare motor would stall on, so its switch is believed once it was seen to change.
            return SEATING_MS + (FREEING_MS if self._tries else 0)
        times = 2 if self._held or self.weak else 1  # it never let go: no sign of how fast the motor turned
        return min(self.travel_ms_max, SEATING_MS + times * self._out_ms)

    def _motor(self, drive, actions):
        if drive != self.drive:
            self.drive = drive
            actions.append(("motor", self.channel, drive))

    def _begin(self, goal, uptime_ms, actions):
        if self._goal == "open" and goal == "close":
            self._out_ms = uptime_ms - self._open_began
        self._goal = goal
        self._phase = "travel"
        self._since = uptime_ms
        self._odd_since = self._made_since = None
        self.position = "opening" if goal == "open" else "closing"
        self._motor(goal, actions)

    def open(self, uptime_ms, actions):
        self._tries = 0
        self._at_once = True
        self._open_began = uptime_ms
        self._begin("open", uptime_ms, actions)

    def close(self, uptime_ms, actions):
        """Drive closed, from wherever it is. A valve that is shut, or closing, is left to it."""
        if self.shut() or self._goal == "close":
            return
        self._tries = 0
        self._again_left = AGAIN_MAX
        self._begin("close", uptime_ms, actions)

    def step(self, uptime_ms, switch, actions):
        """``switch``: (open made, closed made), or None: not readable now."""
        if switch is not None and not switch[1]:
            self._held = False
            if self._goal == "close" and self._out_ms == 0:
                self._out_ms = None  # not where it was left
        if switch is not None and switch[0] and switch[1]:
            self._both(uptime_ms, actions)
        elif self._goal is None:
            self._rest(uptime_ms, switch, actions)
        else:
            self._travel(uptime_ms, switch, actions)

    def _both(self, uptime_ms, actions):
        """Both switches made cannot be: one is stuck. Close by time, trust neither."""
        if self._odd_since is None:
            self._odd_since = uptime_ms
        if uptime_ms - self._odd_since < GLITCH_MS:
            if self._goal is not None and uptime_ms - self._since >= self.travel_ms_max:
                self._motor("off", actions)
            return
        if self._goal == "open" or self.position == "open":
            self.gave_up = True
            self.failures += 1
            self._tries = 0
            odd = self._odd_since
            self._begin("close", uptime_ms, actions)
            self._odd_since = odd
        elif self._goal is None and self.position != "fault":
            self.position = "fault"
            self._since = uptime_ms
            self._again_left = 0
        elif self._goal == "close" and uptime_ms - self._since >= self.travel_ms_max:
            self._fault(uptime_ms, actions)
            self._again_left = 0

    def _fault(self, uptime_ms, actions):
        self._goal = None
        self._phase = None
        self._since = uptime_ms
        self.position = "fault"
        self._motor("off", actions)

    def _rest(self, uptime_ms, switch, actions):
        if self.position == "fault":
            self._rest_in_fault(uptime_ms, switch, actions)
            return
        if self.position == "unknown":
            if switch is not None:
                self._odd_since = None
                self.close(uptime_ms, actions)
            return
        shut = None if switch is None else switch[1]
        odd = shut is True if self.position == "open" else shut is not True
        if not odd:
            self._odd_since = None
        elif self._odd_since is None:
            self._odd_since = uptime_ms
        elif uptime_ms - self._odd_since >= GLITCH_MS:
            self._strayed(uptime_ms, switch, actions)

    def _rest_in_fault(self, uptime_ms, switch, actions):
        """The motor rests. A closed switch that makes now is believed when a drive ends at it."""
        if switch is None or not switch[1]:
            self._odd_since = None
        elif self._odd_since is None:
            self._odd_since = uptime_ms
        if self._again_left > 0 and uptime_ms - self._since >= AGAIN_MS:
            left = self._again_left - 1
            self.close(uptime_ms, actions)
            self._again_left = left
        elif self._odd_since is None or uptime_ms - self._odd_since < GLITCH_MS:
            return
        elif self._may_follow(uptime_ms):
            self._tries = 1  # one travel, no more
            self._begin("close", uptime_ms, actions)

    def _may_follow(self, uptime_ms):
        """A closed switch that comes and goes has the motor driven at once only the first time since an
        order; later the motor rests before, so that it does not burn."""
        follows = self._at_once or uptime_ms - self._since >= AGAIN_MS
        self._at_once = False
        return follows

    def _strayed(self, uptime_ms, switch, actions):
        """It is not where it was left."""
        if self.position == "open":
            self.gave_up = True
            self.failures += 1
            self._tries = 0
            self._begin("close", uptime_ms, actions)
        elif switch is None:
            self.position = "unknown"
        else:
            self._out_ms = None  # how far it was turned open nobody knows
            if self._may_follow(uptime_ms):
                self._tries = 0
                self._begin("close", uptime_ms, actions)
            else:
                self._fault(uptime_ms, actions)

    def _travel(self, uptime_ms, switch, actions):
        self._odd_since = None
        if self._phase == "travel" and switch is not None:
            if self._goal == "open" and switch[0]:
                self._arrived("open", uptime_ms, actions)
                return
            if self._goal == "close" and self._seated(uptime_ms, switch[1]):
                self._arrived("closed", uptime_ms, actions)
                return
        if uptime_ms - self._since < self._phase_ms():
            return
        self._since = uptime_ms
        self._made_since = None
        if self._phase == "travel":
            if self._tries >= 1:
                self._failed(uptime_ms, actions)
                return
            self._tries += 1
            self._phase = "pause"
            self._motor("off", actions)
        elif self._phase == "pause":
            self._phase = "free"
            if self._goal == "close" and self._out_ms is not None:
                self._out_ms += FREEING_MS
            self._motor("close" if self._goal == "open" else "open", actions)
        else:
            self._phase = "travel"
            self._motor(self._goal, actions)

    def _seated(self, uptime_ms, made):
        """Driven on for SEATING_MS behind the switch, which may come late where the motor turns slower closed
        than open, and which may bounce; at the end of the travel time a switch that is made is enough."""
        if not made:
            self._made_since = None
            return False
        if self._made_since is None:
            self._made_since = uptime_ms
        driven_ms = uptime_ms - self._since
        seated = uptime_ms - self._made_since >= SEATING_MS or driven_ms >= self.travel_ms_max
        return seated and driven_ms >= self._seat_ms()

    def _arrived(self, position, uptime_ms, actions):
        self._goal = None
        self._phase = None
        self.position = position
        self._motor("off", actions)
        if position == "open":
            self.failures = 0
            self._out_ms = uptime_ms - self._open_began
        else:
            self._out_ms = 0
            self._held = True
            self.weak = False
            self._again_left = AGAIN_MAX

    def _failed(self, uptime_ms, actions):
        if self._goal == "open":
            self.failures += 1
            self.gave_up = True
            self._tries = 0
            self._begin("close", uptime_ms, actions)
        else:
            self._fault(uptime_ms, actions)
