"""Both sides make and read the same bytes. The MACs are OpenSSL's (see make_vectors.py)."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from firmware_stub import codec
from scheduler.control.orders import Order
from scheduler.link import messages, signing
from tests.support.micropython import run_micropython

PATH = Path(__file__).with_name("vectors.json")
ROWS = json.loads(PATH.read_text())


@pytest.mark.parametrize("row", ROWS, ids=lambda r: f"{r['kind']}-{len(r['key'])}-{len(r['body'])}")
def test_daemon_and_node_codec_agree_with_openssl(row: dict[str, str]) -> None:
    key, body, frame = bytes.fromhex(row["key"]), row["body"].encode(), row["frame"].encode()
    assert signing.seal(row["kind"], body, key, signing.STATE_BYTES_MAX) == frame
    assert codec.seal(row["kind"], body, key) == frame
    assert signing.open_frame(row["kind"], frame, key, signing.STATE_BYTES_MAX) == body
    assert codec.open_frame(row["kind"], frame, key, codec.STATE_BYTES_MAX) == body


def test_micropython_makes_and_reads_the_same_bytes() -> None:
    done = run_micropython(Path(__file__).parents[1] / "firmware" / "on_micropython_vectors.py", str(PATH))
    assert done.returncode == 0, done.stderr
    assert done.stdout.split()[-2:] == ["agree", str(len(ROWS))]


def test_the_daemon_writes_an_order_exactly_as_in_the_table() -> None:
    row = ROWS[0]
    order = Order("shed", "3132333435363738", 1, "beds-1", 1, 600_000, 905_000)
    assert messages.encode_order(order, bytes.fromhex(row["key"])) == row["frame"].encode()


def test_the_node_reads_every_message_the_daemon_can_write() -> None:
    for row in ROWS:
        if row["kind"] not in ("state", "log"):
            read = codec.read_message(row["kind"], row["frame"].encode(), bytes.fromhex(row["key"]), "shed")
            assert read == json.loads(row["body"])


def test_limits_stand_alike_on_both_sides() -> None:
    assert (codec.ORDER_BYTES_MAX, codec.STATE_BYTES_MAX) == (512, 1024)
    assert (signing.ORDER_BYTES_MAX, signing.STATE_BYTES_MAX) == (512, 1024)
    for name in ("OPEN_MS_MAX", "UPTIME_MS_MAX", "SEQUENCE_MAX", "RAW_MAX", "RECEIPT_IDS_MAX", "VERSION"):
        assert getattr(codec, name) == getattr(messages, name), name
    assert codec.KEY_BYTES_MIN == signing.KEY_BYTES_MIN
