"""Signed frames: 64 hex digits of HMAC-SHA256, a space, the JSON bytes.

The digits cover the kind of message, a newline and the JSON bytes exactly as sent, under the node's own key.
They are compared in constant time, and nothing is parsed before (RFC 2104; FIPS 180-4).
"""

from __future__ import annotations

import hmac

from scheduler.site.errors import LinkError

MAC_HEX = 64
# 128 bits: the least for a device's own key.
KEY_BYTES_MIN = 16
# The node takes in no more; what it says is longer (firmware_stub/codec.py holds the same two numbers).
ORDER_BYTES_MAX = 512
STATE_BYTES_MAX = 1024


class UntrustedMessageError(LinkError):
    """A message that is not what it should be; ``why`` in one word, as the node counts refusals."""

    def __init__(self, why: str, text: str) -> None:
        super().__init__(text)
        self.why = why


def _mac(kind: str, body: bytes, key: bytes) -> bytes:
    if len(key) < KEY_BYTES_MIN:
        raise LinkError(f"the node's key has {len(key)} bytes; it needs {KEY_BYTES_MIN} or more")
    return hmac.digest(key, kind.encode() + b"\n" + body, "sha256").hex().encode()


def seal(kind: str, body: bytes, key: bytes, bytes_max: int = ORDER_BYTES_MAX) -> bytes:
    """The frame of ``body``; LinkError when it would be longer than the receiver takes."""
    frame = _mac(kind, body, key) + b" " + body
    if len(frame) > bytes_max:
        raise LinkError(f"a message of kind {kind} has {len(frame)} bytes; at most {bytes_max} are taken")
    return frame


def open_frame(kind: str, raw: bytes, key: bytes, bytes_max: int = ORDER_BYTES_MAX) -> bytes:
    """The body of an authentic frame; UntrustedMessageError otherwise."""
    if not MAC_HEX + 3 <= len(raw) <= bytes_max:
        raise UntrustedMessageError("malformed", f"a {kind} of {len(raw)} bytes is too short or too long")
    body = raw[MAC_HEX + 1 :]
    if not hmac.compare_digest(raw[:MAC_HEX], _mac(kind, body, key)):
        raise UntrustedMessageError("bad_mac", f"a {kind} whose signature is not of this node's key")
    if raw[MAC_HEX] != 0x20:
        raise UntrustedMessageError("malformed", f"a {kind} without the space behind its signature")
    return body
