"""The bench test, over the board's serial console: is everything wired, moving and heard as it should be?

Dry: no water on the valve. It opens and closes each valve, takes pings, reads the supply, counts pulses,
joins the network and greets the broker. Each line says ``ok`` or ``FAIL``, what was seen, and what to do.

    run(board, settings)    on the board, from main.py when ``t`` is typed within three seconds of the start
"""

try:
    from . import mqtt, secure, ticks
except ImportError:  # on the board the files stand side by side
    import mqtt
    import secure
    import ticks

STEP_MS = 20
ASK_MS = 3000
PAUSE_MS = 1000  # between two attempts
ROOM = 1.5  # travel_ms_max over the travel seen
GUARD_TEST_MS = 2000
LEVEL_MS_MAX = 3000
PINGS_MIN = 3  # as the node's own median wants
SPREAD_MAX = 0.03  # of the median: still water and a firm mount stay far below (a choice of ours)
PULSES_WANTED = 5
PULSES_MS_MAX = 20000
NETWORK_MS_MAX = 30000
BROKER_MS_MAX = 20000
CLOCK_MS = 3000
CLOCK_SHARE_MAX = 0.05  # timer against counter; the cap on open time may be off by no more


def asked_for():
    """True when a person at the console types t now."""
    import select
    import sys

    print("Bench test, dry: type t and Enter within 3 s.")
    poller = select.poll()
    poller.register(sys.stdin, select.POLLIN)
    return bool(poller.poll(ASK_MS)) and sys.stdin.read(1) in ("t", "T")


def run(board, settings, say=print):
    """All tests; the number that failed. Every valve is driven closed in the end, whatever happens."""
    bench = Bench(board, settings, say)
    try:
        bench.all()
    finally:
        board.begin()
        bench.rest()
    say("%d passed, %d failed." % (bench.passed, bench.failed))
    say("No test shows that a valve shuts without power: pull the plug with it half open, and look.")
    return bench.failed


class Bench:
    def __init__(self, board, settings, say=print):
        self.board = board
        self.settings = settings
        self.say = say
        self.passed = 0
        self.failed = 0
        self.lowest_mv = None
        self.limit_ms = settings.get("travel_ms_max", 20000)

    def all(self):
        self.clock()
        self.memory()
        for channel in range(self.settings.get("channels", 1)):
            self.valve(channel)
        self.supply()
        self.level()
        for kind, do in (("rain", "tip the rain gauge"), ("flow", "let the flow meter turn")):
            self.pulses(kind, do)
        self.network()
        self.broker()

    # --- saying

    def ok(self, what, seen):
        self.passed += 1
        self.say("ok    %s: %s" % (what, seen))

    def fail(self, what, seen, do):
        self.failed += 1
        self.say("FAIL  %s: %s -> %s" % (what, seen, do))

    def none(self, what, why):
        self.say("--    %s: %s" % (what, why))

    # --- time and inputs

    def look(self):
        inputs = self.board.read()
        now_mv = inputs.supply_mv
        if now_mv is not None and (self.lowest_mv is None or now_mv < self.lowest_mv):
            self.lowest_mv = now_mv
        return inputs

    def until(self, found, ms_max):
        """The ms until ``found(inputs)``, or None when that does not come in time."""
        began = self.board.now_ms()
        while True:
            passed = self.passed_ms(began)
            if found(self.look()):
                return passed
            if passed >= ms_max:
                return None
            ticks.sleep_ms(STEP_MS)

    def passed_ms(self, began):
        return (self.board.now_ms() - began) % self.board.modulus

    def rest(self):
        """Motors off once the valves are shut, or their time is over."""
        channels = range(self.settings.get("channels", 1))
        self.until(lambda i: all(i.switches[c] and i.switches[c][1] for c in channels), self.limit_ms)
        for c in channels:
            self.board.motor(c, "off")
            self.board.guard(c, None)

    # --- the tests

    def clock(self):
        beats = getattr(self.board, "beats", None)
        if beats is None:
            self.none("clock", "this board has no timer to hold the counter against")
            return
        first, period_ms = beats()
        began = self.board.now_ms()
        while self.passed_ms(began) < CLOCK_MS:
            ticks.sleep_ms(STEP_MS)
        counted = (beats()[0] - first) * period_ms
        passed = self.passed_ms(began)
        if abs(counted - passed) <= CLOCK_SHARE_MAX * passed + period_ms:
            self.ok("clock", "timer and counter agree (%d and %d ms)" % (counted, passed))
        else:
            self.fail(
                "clock",
                "the timer counted %d ms, the counter %d" % (counted, passed),
                "no water with this board: the timer that closes the valve is wrong",
            )

    def memory(self):
        try:
            self.board.save(self.board.load() or {})
        except OSError as e:
            self.fail("memory", "it takes no writes (%r)" % e, "free some space, or flash the board anew")
            return
        self.ok("memory", "takes writes")

    def valve(self, c):
        what = "valve %d" % (c + 1)
        self.move(c, "close", 1)
        if not self.at_rest_shut(what, c):
            return
        opened = self.move(c, "open", 0, what)
        if opened is None:
            self.move(c, "close", 1)
            return
        self.ok(what, "opens in %.1f s" % (opened / 1000))
        shut = self.move(c, "close", 1, what)
        if shut is None:
            return
        self.ok(what, "shuts in %.1f s" % (shut / 1000))
        longest = max(opened, shut)
        if longest * ROOM > self.limit_ms:
            self.fail(
                what,
                "its travel of %.1f s leaves no room below travel_ms_max" % (longest / 1000),
                "set travel_ms_max to %d, or find out why it turns so slowly" % int(longest * ROOM + 500),
            )
        self.guard(what, c)

    def at_rest_shut(self, what, c):
        switch = self.look().switches[c]
        if switch is None:
            self.fail(what, "its switches cannot be read", "check the settings' pins")
        elif switch[0] and switch[1]:
            self.fail(
                what,
                "both end switches are made at once",
                "one is stuck, or its wire touches ground or the other",
            )
        elif switch[1]:
            return True
        elif switch[0]:
            self.fail(
                what,
                "told to shut, it stands open",
                "the motor's two wires are swapped, or the two switches are: swap one pair",
            )
        else:
            self.fail(
                what,
                "told to shut, it made no end switch within %.1f s" % (2 * self.limit_ms / 1000),
                "is the motor's supply on, the driver wired, the valve free, the closed switch connected?",
            )
        return False

    def move(self, c, goal, end, what=None):
        """Drive to the end switch, with one more try; the ms it took, or None and said why."""
        for attempt in (1, 2):
            self.board.guard(c, 2 * self.limit_ms)
            self.board.motor(c, goal)
            took = self.until(lambda i: i.switches[c] is not None and i.switches[c][end], self.limit_ms)
            self.board.motor(c, "off")
            if took is not None:
                if what is not None and attempt == 2:
                    self.say("      %s: it needed two attempts; look for grit" % what)
                return took
            if attempt == 1:
                ticks.sleep_ms(PAUSE_MS)
        if what is not None:
            self.stalled(what, c, goal)
        return None

    def stalled(self, what, c, goal):
        switch = self.look().switches[c]
        word = "open" if goal == "open" else "shut"
        if goal == "open" and switch is not None and switch[1]:
            self.fail(
                what,
                "told to open, the closed switch never let go",
                "the motor does not turn that way (wire, driver, fuse), or the closed switch is stuck",
            )
        else:
            self.fail(
                what,
                "told to %s, it did not arrive within %.1f s, twice" % (word, self.limit_ms / 1000),
                "it jams or is slow, or the %s switch does not make; is travel_ms_max long enough?" % word,
            )

    def guard(self, what, c):
        """The timer interrupt shuts it by itself while this program looks away."""
        self.board.guard(c, GUARD_TEST_MS)
        self.board.motor(c, "open")
        let_go = self.until(lambda i: i.switches[c] is not None and not i.switches[c][1], GUARD_TEST_MS)
        began = self.board.now_ms()
        while self.passed_ms(began) < GUARD_TEST_MS + 200:
            ticks.sleep_ms(STEP_MS)
            self.board.read()
        shut = self.until(lambda i: i.switches[c] is not None and i.switches[c][1], self.limit_ms)
        self.board.motor(c, "close")
        self.until(lambda i: i.switches[c] is not None and i.switches[c][1], self.limit_ms)
        self.board.motor(c, "off")
        self.board.guard(c, None)
        if shut is None:
            self.fail(what, "the timer did not shut it", "no water with this board; flash it anew")
        elif let_go is None:
            self.none(
                what + " timer", "the valve had not begun to open, so the timer was not seen to shut it"
            )
        else:
            self.ok(what, "the timer shuts it without the program")

    def supply(self):
        now_mv = self.look().supply_mv
        low_mv = self.settings.get("supply_low_mv")
        if now_mv is None:
            self.none("supply", "not measured (pins.supply is not set)")
        elif low_mv is not None and self.lowest_mv < low_mv:
            self.fail(
                "supply",
                "%d mV now, down to %d mV while a motor turned; supply_low_mv is %d"
                % (now_mv, self.lowest_mv, low_mv),
                "charge it, use thicker wire, or check supply_mv_per_count against a meter",
            )
        else:
            self.ok(
                "supply",
                "%d mV, down to %d mV while a motor turned; a meter says the same?"
                % (now_mv, self.lowest_mv),
            )

    def level(self):
        self.board.measure()
        seen = []
        self.until(lambda i: bool(i.pings) and not seen.extend(i.pings), LEVEL_MS_MAX)
        if not seen:
            if self.settings.get("pins", {}).get("level") is None and "pins" in self.settings:
                self.none("level", "no sensor is set")
            else:
                self.fail(
                    "level", "no ping came back", "check its supply and its two wires; is it above the water?"
                )
            return
        seen.sort()
        middle = seen[len(seen) // 2]
        text = "%d pings, middle %d, from %d to %d" % (len(seen), middle, seen[0], seen[-1])
        if len(seen) < PINGS_MIN:
            self.fail("level", text, "too few: aim it straight down, away from the wall and the inlet")
        elif seen[-1] - seen[0] > SPREAD_MAX * max(1, middle) + 2:
            self.fail(
                "level", text, "they scatter: a loose mount, a spider, a pipe or rope in its way, a wave"
            )
        else:
            self.ok("level", text + "; compare with a tape: echo time in us / 58 is the distance in cm")

    def pulses(self, kind, do):
        now = self.look().pulses
        if not now or kind not in now:
            self.none(kind, "no counter is set")
            return
        first = now[kind]
        self.say("      %s: %s now, %d pulses within %d s" % (kind, do, PULSES_WANTED, PULSES_MS_MAX // 1000))
        took = self.until(lambda i: i.pulses[kind] - first >= PULSES_WANTED, PULSES_MS_MAX)
        counted = self.look().pulses[kind] - first
        if took is None:
            self.fail(
                kind, "%d pulses came" % counted, "check the contact and its wire; it must pull to ground"
            )
        else:
            self.ok(kind, "%d pulses counted" % counted)

    def network(self):
        took = self.until(lambda _i: self.board.network_ready(), NETWORK_MS_MAX)
        if took is None:
            self.fail(
                "network",
                "not joined within 30 s",
                "check wifi in the settings, and the signal at this place",
            )
        else:
            self.ok("network", "joined in %.1f s" % (took / 1000))

    def broker(self):
        known = self.settings.get("broker")
        if not known:
            self.none("broker", "none is set")
            return
        root = "fallinghead/" + self.settings["node"] + "/"
        client = mqtt.Client(
            known["host"],
            known["port"],
            "node-" + self.settings["node"],
            known.get("username"),
            known.get("password"),
            ticks,
            secure.pinned(known),
        )
        client.dial([root + "order"])
        began = ticks.ticks_ms()
        while not client.up and not client.down and ticks.diff(ticks.ticks_ms(), began) < BROKER_MS_MAX:
            client.poll(STEP_MS)
        up, why = client.up, client.why
        client.disconnect()
        how = (
            "with TLS"
            if client.tls is not None
            else "WITHOUT TLS: its password goes over the network in the clear"
        )
        if up:
            self.ok("broker", "lets this node in, " + how)
        elif client.refused in (4, 5):  # MQTT 3.1.1, table 3.1
            self.fail(
                "broker",
                "refuses user and password",
                "give it this node's password: fallinghead node --passwords",
            )
        else:
            self.fail(
                "broker",
                str(why),
                "is it on at %s, port %d, and is ca_der_base64 its own authority?"
                % (known["host"], known["port"]),
            )
