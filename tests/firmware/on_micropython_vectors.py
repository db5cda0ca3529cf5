"""Run by the MicroPython program: the table of exact bytes against the node's codec."""

import json
import sys

import codec

with open(sys.argv[1]) as f:
    rows = json.load(f)
for row in rows:
    key = bytes(int(row["key"][i : i + 2], 16) for i in range(0, len(row["key"]), 2))
    body = row["body"].encode()
    frame = row["frame"].encode()
    assert codec.seal(row["kind"], body, key) == frame, row
    assert codec.open_frame(row["kind"], frame, key, codec.STATE_BYTES_MAX) == body
    if row["kind"] not in ("state", "log"):
        assert codec.read_message(row["kind"], frame, key, "shed") == json.loads(row["body"])
print("agree", len(rows))
