"""Frames and messages on the wire, for MicroPython and CPython alike.

A frame is 64 hex digits, a space, and a compact JSON object. The digits are HMAC-SHA256, with the node's own
key, over the kind of message, a newline and the JSON bytes exactly as sent. So a message of one kind cannot
pass as another, and nothing is parsed that is not authentic.

Everything here is bounded: sizes, lengths of names, ranges of numbers.
"""

import binascii
import hashlib
import json

VERSION = 1

# Limits. 512 bytes for what the node must take in; 1024 for what it says.
ORDER_BYTES_MAX = 512
STATE_BYTES_MAX = 1024
MAC_HEX = 64
KEY_BYTES_MIN = 16  # 128 bits, the least that EN 303 645 practice asks of a device key
NAME_MAX = 40
SESSION_MAX = 32
CHANNELS_MAX = 4
OPEN_MS_MAX = 86400000  # a day
UPTIME_MS_MAX = 1 << 52  # far past any life; keeps numbers exact in every JSON reader
SEQUENCE_MAX = 1 << 31
RAW_MAX = 1 << 24
RECEIPT_IDS_MAX = 8

_BLOCK = 64  # SHA-256 block, FIPS 180-4
_NAME = "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789-_."


class FrameError(Exception):
    """``why`` is a refusal reason: bad_mac, malformed, version or other_node."""

    def __init__(self, why, order_id=None):
        super().__init__(why)
        self.why = why
        self.order_id = order_id


_pads = (None, None, None)  # of the last key: key, inner, outer


def hmac_sha256(key, data):
    """RFC 2104 over SHA-256; the interpreter of the board has no hmac of its own."""
    global _pads
    if _pads[0] != key:
        short = hashlib.sha256(key).digest() if len(key) > _BLOCK else key
        filled = short + bytes(_BLOCK - len(short))
        _pads = (key, bytes(k ^ 0x36 for k in filled), bytes(k ^ 0x5C for k in filled))
    h = hashlib.sha256(_pads[1])
    h.update(data)
    o = hashlib.sha256(_pads[2])
    o.update(h.digest())
    return o.digest()


def to_hex(data):
    return binascii.hexlify(data).decode()


def same(a, b):
    """Equal, in a time that does not tell where they differ."""
    if len(a) != len(b):
        return False
    differ = 0
    for i in range(len(a)):
        differ |= a[i] ^ b[i]
    return differ == 0


def mac_hex(kind, body, key):
    if len(key) < KEY_BYTES_MIN:
        raise ValueError("key too short")
    return binascii.hexlify(hmac_sha256(key, kind.encode() + b"\n" + body))


def seal(kind, body, key):
    """The frame of ``body`` (bytes)."""
    return mac_hex(kind, body, key) + b" " + body


def open_frame(kind, raw, key, bytes_max=ORDER_BYTES_MAX):
    """The body of an authentic frame; FrameError otherwise. Reads nothing of a body that is not authentic."""
    size = len(raw)
    if size > bytes_max or size < MAC_HEX + 3:
        raise FrameError("malformed")
    raw = bytes(raw)
    body = raw[MAC_HEX + 1 :]
    good = same(raw[:MAC_HEX], mac_hex(kind, body, key))
    if not good:
        raise FrameError("bad_mac")
    if raw[MAC_HEX] != 0x20:
        raise FrameError("malformed")
    return body


def dump(value):
    """Compact JSON bytes."""
    return json.dumps(value, separators=(",", ":")).encode()


def is_name(value, length_max=NAME_MAX):
    """A short plain id, safe in topics and logs."""
    if type(value) is not str or not 0 < len(value) <= length_max:
        return False
    return all(c in _NAME for c in value)


def is_int(value, low, high):
    return type(value) is int and low <= value <= high


def read_message(kind, raw, key, node):
    """An authentic, well-formed message of this kind for this node, as a dict; FrameError otherwise."""
    body = open_frame(kind, raw, key)
    try:
        message = json.loads(body.decode())
    except (ValueError, UnicodeError, RuntimeError, RecursionError) as e:
        raise FrameError("malformed") from e
    if type(message) is not dict:
        raise FrameError("malformed")
    order_id = message.get("order_id")
    if not is_name(order_id):
        order_id = None
    if message.get("version") != VERSION or type(message.get("version")) is not int:
        raise FrameError("version", order_id)
    if message.get("node") != node:
        raise FrameError("other_node", order_id)
    if not _WELL_FORMED[kind](message):
        raise FrameError("malformed", order_id)
    return message


def _good_order(m):
    low = m.get("low_raw")
    side = m.get("low_side")
    if (low is None) != (side is None):
        return False
    if low is not None and not (is_int(low, 0, RAW_MAX) and side in ("above", "below")):
        return False
    return (
        len(m) <= 10
        and is_name(m.get("session"), SESSION_MAX)
        and is_name(m.get("order_id"))
        and is_int(m.get("sequence"), 1, SEQUENCE_MAX)
        and is_int(m.get("channel"), 0, 255)
        and is_int(m.get("open_ms"), 1, OPEN_MS_MAX)
        and is_int(m.get("start_by_uptime_ms"), 0, UPTIME_MS_MAX)
    )


def _good_close(m):
    channel = m.get("channel")
    session = m.get("session")
    return (
        (channel is None or is_int(channel, 0, 255))
        and (session is None or is_name(session, SESSION_MAX))
        and is_int(m.get("after_sequence"), 0, SEQUENCE_MAX)
        and is_name(m.get("nonce"), SESSION_MAX)
    )


def _good_ask(m):
    return is_name(m.get("challenge"), SESSION_MAX) and type(m.get("log", False)) is bool


def _good_receipt(m):
    ids = m.get("order_ids")
    return type(ids) is list and len(ids) <= RECEIPT_IDS_MAX and all(is_name(i) for i in ids)


_WELL_FORMED = {"order": _good_order, "close": _good_close, "ask": _good_ask, "receipt": _good_receipt}
