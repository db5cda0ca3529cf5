"""The node's codec at the edges of every number and name: what is just good, what is just too much.

The edges are those that the protocol document tells (`scheduler/link/asyncapi.py`), written out here, so that
a changed constant shows too.
"""

from __future__ import annotations

import hashlib
import hmac
from typing import Any

import pytest

from firmware_stub import codec

KEY = bytes(range(32))
OTHER_KEY = bytes(range(1, 33))
NAME_40, NAME_32 = "n" * 40, "s" * 32

BODIES: dict[str, dict[str, Any]] = {
    "order": {
        "version": 1, "node": "shed", "session": "s", "sequence": 1, "order_id": "o", "channel": 0,
        "open_ms": 1, "start_by_uptime_ms": 0, "low_raw": None, "low_side": None,
    },
    "close": {
        "version": 1, "node": "shed", "channel": None, "session": None, "after_sequence": 0, "nonce": "n",
    },
    "ask": {"version": 1, "node": "shed", "challenge": "c"},
    "receipt": {"version": 1, "node": "shed", "order_ids": []},
}  # fmt: skip


def read(kind: str, changes: dict[str, Any] | None = None, *, without: str = "") -> str:
    """ "good", or why it was refused."""
    body = {k: v for k, v in (BODIES[kind] | (changes or {})).items() if k != without}
    try:
        message = codec.read_message(kind, codec.seal(kind, codec.dump(body), KEY), KEY, "shed")
    except codec.FrameError as error:
        return str(error.why)
    assert message == body
    return "good"


@pytest.mark.parametrize(
    ("kind", "changes"),
    [
        ("order", {}),
        ("order", {"session": NAME_32, "order_id": NAME_40, "sequence": 2**31, "channel": 255}),
        ("order", {"open_ms": 24 * 3600 * 1000, "start_by_uptime_ms": 2**52}),
        ("order", {"low_raw": 0, "low_side": "above"}),
        ("order", {"low_raw": 2**24, "low_side": "below"}),
        ("order", {"order_id": "AZaz09-_."}),
        ("close", {}),
        ("close", {"channel": 0, "session": NAME_32, "after_sequence": 2**31, "nonce": NAME_32}),
        ("close", {"channel": 255, "session": "s"}),
        ("ask", {"challenge": NAME_32}),
        ("ask", {"log": True}),
        ("ask", {"log": False}),
        ("receipt", {"order_ids": [NAME_40] * 8}),
    ],
)
def test_what_is_just_good_is_read(kind: str, changes: dict[str, Any]) -> None:
    assert read(kind, changes) == "good"


@pytest.mark.parametrize(
    ("kind", "changes"),
    [
        ("order", {"session": NAME_32 + "s"}),
        ("order", {"session": ""}),
        ("order", {"order_id": NAME_40 + "n"}),
        ("order", {"order_id": ""}),
        ("order", {"order_id": "a/b"}),
        ("order", {"order_id": "ü"}),
        ("order", {"order_id": 5}),
        ("order", {"sequence": 0}),
        ("order", {"sequence": 2**31 + 1}),
        ("order", {"sequence": "1"}),
        ("order", {"channel": -1}),
        ("order", {"channel": 256}),
        ("order", {"channel": True}),
        ("order", {"open_ms": 0}),
        ("order", {"open_ms": 24 * 3600 * 1000 + 1}),
        ("order", {"start_by_uptime_ms": -1}),
        ("order", {"start_by_uptime_ms": 2**52 + 1}),
        ("order", {"low_raw": 5}),
        ("order", {"low_side": "above"}),
        ("order", {"low_raw": -1, "low_side": "above"}),
        ("order", {"low_raw": 2**24 + 1, "low_side": "above"}),
        ("order", {"low_raw": 5, "low_side": "beside"}),
        ("order", {"low_raw": "5", "low_side": "above"}),
        ("order", {"more": 1}),
        ("close", {"channel": -1}),
        ("close", {"channel": 256}),
        ("close", {"channel": "0"}),
        ("close", {"session": ""}),
        ("close", {"session": NAME_32 + "s"}),
        ("close", {"session": 5}),
        ("close", {"after_sequence": -1}),
        ("close", {"after_sequence": 2**31 + 1}),
        ("close", {"nonce": ""}),
        ("close", {"nonce": NAME_32 + "n"}),
        ("ask", {"challenge": NAME_32 + "c"}),
        ("ask", {"challenge": ""}),
        ("ask", {"log": 1}),
        ("receipt", {"order_ids": ["o"] * 9}),
        ("receipt", {"order_ids": ["a b"]}),
        ("receipt", {"order_ids": ["o", 5]}),
        ("receipt", {"order_ids": "o"}),
        ("receipt", {"order_ids": {"o": 1}}),
    ],
)
def test_what_is_just_too_much_or_too_little_is_malformed(kind: str, changes: dict[str, Any]) -> None:
    assert read(kind, changes) == "malformed"


@pytest.mark.parametrize(
    ("kind", "name"),
    [
        ("order", "session"), ("order", "order_id"), ("order", "sequence"), ("order", "channel"),
        ("order", "open_ms"), ("order", "start_by_uptime_ms"), ("close", "after_sequence"),
        ("close", "nonce"), ("ask", "challenge"), ("receipt", "order_ids"),
    ],
)  # fmt: skip
def test_nothing_needed_may_be_left_out(kind: str, name: str) -> None:
    assert read(kind, without=name) == "malformed"


@pytest.mark.parametrize("kind", sorted(BODIES))
@pytest.mark.parametrize(
    ("changes", "why"),
    [
        ({"version": 2}, "version"),
        ({"version": True}, "version"),
        ({"version": 1.0}, "version"),
        ({"node": "shed2"}, "other_node"),
        ({"node": None}, "other_node"),
        ({"version": 2, "node": "shed2"}, "version"),
    ],
)
def test_another_version_or_node_is_told_from_what_is_malformed(
    kind: str, changes: dict[str, Any], why: str
) -> None:
    assert read(kind, changes) == why


@pytest.mark.parametrize("text", [b"[]", b"5", b"null", b'"order"', b"{", b"\xff\xfe", b"{}}", b"[" * 400])
def test_an_authentic_body_that_is_no_object_is_malformed(text: bytes) -> None:
    with pytest.raises(codec.FrameError, match=r"^malformed$") as error:
        codec.read_message("order", codec.seal("order", text, KEY), KEY, "shed")
    assert (error.value.why, error.value.order_id) == ("malformed", None)


def test_a_refused_order_is_named_where_its_name_can_be_read() -> None:
    for changes, named in (
        ({"sequence": 0}, "o"), ({"version": 2}, "o"), ({"node": "shed2"}, "o"),
        ({"order_id": "a b"}, None), ({"order_id": NAME_40 + "n"}, None),
    ):  # fmt: skip
        frame = codec.seal("order", codec.dump(BODIES["order"] | changes), KEY)
        with pytest.raises(codec.FrameError) as error:
            codec.read_message("order", frame, KEY, "shed")
        assert error.value.order_id == named


def test_the_longest_frame_is_as_long_as_its_limit() -> None:
    for limit in (512, 1024):
        longest = codec.seal("order", b"x" * (limit - 65), KEY)
        assert len(longest) == limit and len(codec.open_frame("order", longest, KEY, limit)) == limit - 65
        with pytest.raises(codec.FrameError, match=r"^malformed$"):
            codec.open_frame("order", codec.seal("order", b"x" * (limit - 64), KEY), KEY, limit)


@pytest.mark.parametrize("key_bytes", [16, 32, 63, 64, 65, 200])
def test_the_digits_are_those_of_the_library_for_keys_of_any_length(key_bytes: int) -> None:
    """Python's own hmac (OpenSSL) is the referee; keys by turns, for the codec remembers the last one."""
    for key in (bytes(key_bytes), bytes(range(key_bytes)), bytes(key_bytes), bytes(range(key_bytes))):
        digits = hmac.new(key, b"order\n{}", hashlib.sha256).hexdigest().encode()
        assert codec.mac_hex("order", b"{}", key) == digits


def test_a_key_shorter_than_128_bits_signs_nothing() -> None:
    with pytest.raises(ValueError, match=r"^key too short$"):
        codec.mac_hex("order", b"{}", bytes(15))


@pytest.mark.parametrize("place", [0, 1, 31, 62, 63])
def test_one_wrong_digit_anywhere_is_enough(place: int) -> None:
    frame = bytearray(codec.seal("order", b"{}", KEY))
    frame[place] ^= 1
    with pytest.raises(codec.FrameError, match=r"^bad_mac$"):
        codec.open_frame("order", bytes(frame), KEY)


def test_the_digits_alone_or_another_separator_are_no_frame() -> None:
    good = codec.seal("order", b"{}", KEY)
    assert codec.open_frame("order", bytearray(good), KEY) == b"{}"
    for bad in (good[:64], good[:64] + b"\t" + good[65:], b""):
        with pytest.raises(codec.FrameError, match=r"^malformed$"):
            codec.open_frame("order", bad, KEY)


def test_a_frame_is_of_one_kind_and_one_key_only() -> None:
    frame = codec.seal("ask", b"{}", KEY)
    assert codec.open_frame("ask", frame, KEY) == b"{}"
    for kind, key in (("order", KEY), ("ask", OTHER_KEY)):
        with pytest.raises(codec.FrameError, match=r"^bad_mac$"):
            codec.open_frame(kind, frame, key)


def test_same_means_same_length_and_every_byte() -> None:
    assert codec.same(b"abc", b"abc") and codec.same(b"", b"")
    for other in (b"ab", b"abcd", b"Abc", b"aBc", b"abC"):
        assert not codec.same(b"abc", other) and not codec.same(other, b"abc")


def test_a_number_is_whole_and_within_its_range_ends_included() -> None:
    assert codec.is_int(3, 3, 5) and codec.is_int(5, 3, 5)
    assert not any(codec.is_int(v, 3, 5) for v in (2, 6, 4.0, True, "4", None))


def test_json_is_written_without_a_blank() -> None:
    assert codec.dump({"a": [1, None, True], "b": "c"}) == b'{"a":[1,null,true],"b":"c"}'
