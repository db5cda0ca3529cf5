"""Run by MicroPython: what TLS connections to a broker take, in its heap and outside of it.

Argument: a file with the broker's settings as JSON. Prints bytes of heap: the authority and the context, and
one more connection; and of resident memory outside it: one more connection, mean of the last six of eight.
"""

import gc
import json
import socket
import sys

import secure

CONNECTIONS = 8


def heap():
    gc.collect()
    return gc.mem_alloc()


def resident():
    with open("/proc/self/status") as status:
        for line in status:
            if line.startswith("RssAnon"):
                return 1024 * int(line.split()[1])
    return 0


def connect(broker, n):
    """An MQTT 3.1.1 CONNECT, with a client's name of its own."""
    words = (f"memory-{n}", broker["username"], broker["password"])
    body = b"\x00\x04MQTT\x04\xc2\x00\x3c" + b"".join(bytes((0, len(w))) + w.encode() for w in words)
    return bytes((0x10, len(body))) + body


def spoken(wrap, broker, n):
    """A connection whose handshake is done and over which something was said and answered."""
    plain = socket.socket()
    plain.connect(socket.getaddrinfo(broker["host"], broker["port"])[0][-1])
    safe = wrap(plain)
    safe.write(connect(broker, n))
    assert safe.read(4) == b"\x20\x02\x00\x00"
    return plain, safe


def main(broker):
    before = heap()
    wrap = secure.pinned(broker)
    context = heap() - before
    held = [spoken(wrap, broker, n) for n in range(2)]
    at_heap, at_resident = heap(), resident()
    held += [spoken(wrap, broker, n) for n in range(2, CONNECTIONS)]
    more = CONNECTIONS - 2
    print(
        "context", context, "heap", (heap() - at_heap) // more, "outside", (resident() - at_resident) // more
    )
    for plain, safe in held:
        safe.close()
        plain.close()


with open(sys.argv[1]) as settings:
    main(json.load(settings))
