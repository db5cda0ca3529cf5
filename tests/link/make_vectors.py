"""Writes vectors.json: ``python tests/link/make_vectors.py``.

Bodies are fixed by hand; the HMAC comes from the openssl program, not from either of our codecs.
"""

from __future__ import annotations

import json
import subprocess
from pathlib import Path

KEYS = ("000102030405060708090a0b0c0d0e0f101112131415161718191a1b1c1d1e1f", "ff" * 16, "5a" * 80)
BODIES = (
    (
        "order",
        '{"version":1,"node":"shed","session":"3132333435363738","sequence":1,"order_id":"beds-1",'
        '"channel":0,"open_ms":600000,"start_by_uptime_ms":905000,"low_raw":null,"low_side":null}',
    ),
    (
        "order",
        '{"version":1,"node":"shed","session":"3132333435363738","sequence":2147483648,'
        '"order_id":"A.very_long-order.id_of_forty.characters","channel":3,"open_ms":86400000,'
        '"start_by_uptime_ms":4503599627370496,"low_raw":8123,"low_side":"above"}',
    ),
    (
        "close",
        '{"version":1,"node":"shed","channel":null,"session":null,"after_sequence":0,"nonce":"a1b2c3d4"}',
    ),
    (
        "close",
        '{"version":1,"node":"shed","channel":1,"session":"3132333435363738","after_sequence":7,"nonce":"00"}',
    ),
    ("ask", '{"version":1,"node":"shed","challenge":"0011223344556677"}'),
    ("ask", '{"version":1,"node":"shed","challenge":"0011223344556677","log":true}'),
    ("receipt", '{"version":1,"node":"shed","order_ids":["beds-1","beds-2"]}'),
    ("receipt", '{"version":1,"node":"shed","order_ids":[]}'),
    (
        "state",
        '{"version":1,"node":"shed","session":"3132333435363738","number":7,"uptime_ms":31700,'
        '"last_sequence":1,"challenge":null,"supply_mv":12100,"reset_cause":"power_on","refused_total":1,'
        '"closes":2,"closes_repeated":0,"outcomes_dropped":0,"valves":[{"channel":0,"position":"closed",'
        '"order_id":null,"open_ms":0}],"outcomes":[{"order_id":"beds-1","channel":0,"open_ms":30000,'
        '"open_ms_max":30000,"why":"time_up"}],"refusals":[{"why":"bad_mac","order_id":null}],'
        '"reading":{"pings":[8100,8123,8111],"age_ms":4100,"air_c":18.5}}',
    ),
    (
        "log",
        '{"version":1,"node":"shed","challenge":"0011223344556677","uptime_ms":91000,"refused_total":2,'
        '"entries":[[1,4000,"start: watchdog"],[0,90,"refused: bad_mac"]]}',
    ),
)


def openssl_hmac(key_hex: str, data: bytes) -> str:
    done = subprocess.run(
        ["openssl", "dgst", "-sha256", "-mac", "HMAC", "-macopt", f"hexkey:{key_hex}"],
        input=data,
        capture_output=True,
        check=True,
    )
    return done.stdout.decode().rsplit("= ", 1)[1].strip()


def main() -> None:
    rows = []
    for key in KEYS:
        for kind, body in BODIES:
            mac = openssl_hmac(key, f"{kind}\n{body}".encode())
            rows.append({"kind": kind, "key": key, "body": body, "frame": f"{mac} {body}"})
    Path(__file__).with_name("vectors.json").write_text(json.dumps(rows, indent=1) + "\n")


if __name__ == "__main__":
    main()
