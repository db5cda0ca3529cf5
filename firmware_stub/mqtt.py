"""A small MQTT 3.1.1 client that never waits longer than it was told to.

Clean session, QoS 1, one publish in flight. Nothing blocks but poll(wait_ms); a TLS handshake goes on within
it, piece by piece (its arithmetic takes the board a second or so). Every answer the broker owes has a time
limit; when one passes, or a packet is too long or not understood, the connection is dropped and the caller
dials again. Section numbers are those of the OASIS standard MQTT 3.1.1.

    c = Client(host, port, client_id, user, password, clock)
    c.dial(topics)             begin; then poll until c.up
    c.poll(wait_ms) -> list of (topic, payload, retained)
    c.publish(topic, payload)  False while one is in flight or there is no connection
"""

import errno
import select
import socket

KEEP_ALIVE_S = 15
PING_AFTER_MS = 8000  # nothing heard for so long: ask; with the next limit a dead link is seen within 20 s
PING_ANSWER_MS = 5000
CONNECT_MS_MAX = 5000  # TCP and CONNACK, each
TLS_MS_MAX = 10000  # more for CONNACK where a handshake comes first: a small processor is slow at it
ANSWER_MS_MAX = 10000  # SUBACK, PUBACK
PACKET_BYTES_MAX = 2048
OUT_BYTES_MAX = 4096
READ_BYTES = 512
MESSAGES_MAX = 8  # handed out per poll; the rest waits in the buffer

_AGAIN = (errno.EAGAIN, errno.EINPROGRESS, 115, 11)


def _text(value):
    data = value.encode() if isinstance(value, str) else bytes(value)
    return bytes((len(data) >> 8, len(data) & 255)) + data


def _length(n):
    """Remaining length, section 2.2.3."""
    out = bytearray()
    while True:
        digit = n & 127
        n >>= 7
        out.append(digit | 128 if n else digit)
        if not n:
            return bytes(out)


def packet(first, body):
    return bytes((first,)) + _length(len(body)) + body


class Client:
    def __init__(self, host, port, client_id, user=None, password=None, clock=None, tls=None):
        """``clock``: object with ticks_ms() and diff(later, earlier). ``tls``: wraps a connected socket."""
        self.host = host
        self.port = port
        self.client_id = client_id
        self.user = user
        self.password = password
        self.clock = clock
        self.tls = tls
        self.up = False
        self.refused = None  # CONNACK return code, section 3.2.2.3
        self.why = None  # why the connection ended
        self._socket = None
        self._poller = None
        self._stage = "down"
        self._in = bytearray()
        self._out = bytearray()
        self._since = 0
        self._heard = 0
        self._spoke = 0
        self._ping_at = None
        self._flight = None  # (packet id, since)
        self._next_id = 1
        self._topics = ()
        self._messages = []

    @property
    def down(self):
        return self._stage == "down"

    @property
    def in_flight(self):
        return self._flight is not None

    # --- connecting

    def dial(self, topics):
        self.drop(None)
        self._topics = topics
        self._since = self._heard = self._spoke = self.clock.ticks_ms()
        try:
            address = socket.getaddrinfo(self.host, self.port)[0][-1]
            self._socket = socket.socket()
            self._socket.setblocking(False)
            self._stage = "tcp"
            try:
                self._socket.connect(address)
            except OSError as e:
                if e.errno not in _AGAIN:
                    raise
            self._poller = select.poll()
            self._poller.register(self._socket, select.POLLOUT)
        except OSError as e:
            self.drop("dial: %r" % e)

    def drop(self, why):
        """End the connection, as the caller or a fault wants it."""
        if why is not None:
            self.why = why
        self.up = False
        self._stage = "down"
        self._ping_at = None
        self._flight = None
        self._in = bytearray()
        self._out = bytearray()
        self._messages = []
        self._poller = None
        if self._socket is not None:
            try:
                self._socket.close()
            except OSError:
                pass
            self._socket = None

    def disconnect(self):
        """A farewell, if there is room for it, then the end."""
        if self.up:
            self._send(packet(0xE0, b""))
        self.drop("asked")

    def _connect_packet(self):
        flags = 0x02  # clean session
        tail = _text(self.client_id)
        if self.user is not None:
            flags |= 0x80
            tail += _text(self.user)
            if self.password is not None:
                flags |= 0x40
                tail += _text(self.password)
        head = _text("MQTT") + bytes((4, flags, 0, KEEP_ALIVE_S))
        return packet(0x10, head + tail)

    # --- the one place that waits

    def poll(self, wait_ms):
        """Wait at most so long for the network; returns the messages that are complete."""
        if self._stage == "down":
            return []
        try:
            self._step(wait_ms)
        except OSError as e:
            self.drop("socket: %r" % e)
        except ValueError as e:  # a packet, or a certificate, that is not what it should be
            greeting = self.tls is not None and self._stage in ("tcp", "connack")
            self.drop(("tls: " if greeting else "packet: ") + " ".join(str(e).split()))
        found = self._messages
        self._messages = []
        return found

    def _step(self, wait_ms):
        want = select.POLLIN
        if self._out or self._stage == "tcp":
            want |= select.POLLOUT
        self._poller.modify(self._socket, want)
        if self._complete() or self._poller.poll(wait_ms):
            if self._stage == "tcp":
                self._tcp_done()
            elif self._out:
                self._flush()
            if self._stage not in ("tcp", "down"):
                self._read()
        if self._stage != "down":
            self._supervise()

    def _tcp_done(self):
        if self.tls is not None:
            self._poller = None
            self._socket = self.tls(self._socket)
            self._poller = select.poll()
            self._poller.register(self._socket, select.POLLIN)
        self._stage = "connack"
        self._since = self.clock.ticks_ms()
        self._send(self._connect_packet())

    def _supervise(self):
        now = self.clock.ticks_ms()
        diff = self.clock.diff
        if self._stage in ("tcp", "connack") and diff(now, self._since) > self._connect_ms_max():
            self.drop("no answer to connect")
        elif self._stage == "suback" and diff(now, self._since) > ANSWER_MS_MAX:
            self.drop("no answer to subscribe")
        elif self._flight is not None and diff(now, self._flight[1]) > ANSWER_MS_MAX:
            self.drop("no answer to publish")
        elif self._ping_at is not None:
            if diff(now, self._ping_at) > PING_ANSWER_MS:
                self.drop("no answer to ping")
        elif self.up and (diff(now, self._heard) > PING_AFTER_MS or diff(now, self._spoke) > PING_AFTER_MS):
            self._ping_at = now
            self._send(packet(0xC0, b""))

    def _connect_ms_max(self):
        return CONNECT_MS_MAX + (TLS_MS_MAX if self.tls is not None and self._stage == "connack" else 0)

    # --- out

    def publish(self, topic, payload):
        """QoS 1, not retained. False: not now."""
        if not self.up or self._flight is not None:
            return False
        self._flight = (self._next_id, self.clock.ticks_ms())
        body = _text(topic) + bytes((self._next_id >> 8, self._next_id & 255)) + payload
        self._next_id = self._next_id % 65535 + 1
        return self._send(packet(0x32, body))

    def _subscribe(self):
        body = bytes((self._next_id >> 8, self._next_id & 255))
        self._next_id = self._next_id % 65535 + 1
        for t in self._topics:
            body += _text(t) + b"\x01"
        self._stage = "suback"
        self._since = self.clock.ticks_ms()
        self._send(packet(0x82, body))

    def _send(self, data):
        if len(self._out) + len(data) > OUT_BYTES_MAX:
            self.drop("the broker takes nothing")
            return False
        self._out += data
        try:
            self._flush()
        except OSError as e:
            self.drop("socket: %r" % e)
            return False
        return True

    def _flush(self):
        try:
            sent = _write(self._socket, self._out)
        except OSError as e:
            if e.errno not in _AGAIN:
                raise
            return
        if sent:
            self._out = self._out[sent:]
            self._spoke = self.clock.ticks_ms()

    # --- in

    def _read(self):
        if len(self._in) < PACKET_BYTES_MAX:
            try:
                data = _recv(self._socket, READ_BYTES)
            except OSError as e:
                if e.errno not in _AGAIN:
                    raise
                data = None
            if data == b"":
                self.drop("the broker hung up")
                return
            if data:
                self._in += data
                self._heard = self.clock.ticks_ms()
        while len(self._messages) < MESSAGES_MAX and self._stage != "down":
            span = self._span()
            if span is None or len(self._in) < span[0] + span[1]:
                return
            head, size = span
            body = bytes(self._in[head : head + size])
            first = self._in[0]
            self._in = self._in[head + size :]
            self._take(first, body)

    def _complete(self):
        """A whole packet waits already."""
        span = self._span()
        return span is not None and len(self._in) >= span[0] + span[1]

    def _span(self):
        """(bytes of the fixed header, bytes after it), or None while it is not all there."""
        size = 0
        for i in range(1, 5):
            if len(self._in) <= i:
                return None
            digit = self._in[i]
            size |= (digit & 127) << (7 * (i - 1))
            if not digit & 128:
                if size > PACKET_BYTES_MAX - 5:
                    raise ValueError("too long: %d" % size)
                return i + 1, size
        raise ValueError("length of more than four bytes")

    def _take(self, first, body):
        kind = first >> 4
        if kind == 3 and self._stage in ("suback", "up"):
            self._take_publish(first, body)
        elif kind == 2 and self._stage == "connack" and len(body) == 2:
            if body[1] != 0:
                self.refused = body[1]
                self.drop("refused, code %d" % body[1])
            else:
                self.refused = None
                self._subscribe()
        elif kind == 9 and self._stage == "suback" and len(body) == 2 + len(self._topics):
            if 0x80 in body[2:]:
                self.drop("subscription refused")
            else:
                self._stage = "up"
                self.up = True
        elif kind == 4 and self._stage == "up" and len(body) == 2:
            if self._flight is not None and self._flight[0] == body[0] << 8 | body[1]:
                self._flight = None
        elif kind == 13 and self._stage == "up" and not body:
            self._ping_at = None
        else:
            raise ValueError("kind %d now, %d bytes" % (kind, len(body)))

    def _take_publish(self, first, body):
        qos = first >> 1 & 3
        size = body[0] << 8 | body[1] if len(body) >= 2 else 0
        at = 2 + size + (2 if qos else 0)
        if qos > 1 or size == 0 or len(body) < at:
            raise ValueError("publish")
        try:
            topic = body[2 : 2 + size].decode()
        except UnicodeError as e:
            raise ValueError("topic") from e
        self._messages.append((topic, body[at:], bool(first & 1)))
        if qos:
            self._send(packet(0x40, body[at - 2 : at]))


def _recv(s, n):
    """None: nothing now. A TLS socket of the board has read() alone."""
    if hasattr(s, "recv"):
        return s.recv(n)
    return s.read(n)


def _write(s, data):
    if hasattr(s, "send"):
        return s.send(data)
    return s.write(data)
