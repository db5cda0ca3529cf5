"""A valve node of a practice garden: ``micropython run_practice_node.py settings.json`` (or python).

The settings: {"node": "shed", "key": "<hex>", "channels": 2,
"broker": {"host": "127.0.0.1", "port": 1883, "username": "shed", "password": "..."},
"board": {"host": "127.0.0.1", "port": 9000}, "memory": "path", "tick_ms": 5, "reset_cause": "watchdog"}
and whatever else core.Settings takes. It runs until it is ended.
"""

import json
import sys

try:
    from node_loop import NodeLoop, unhex
    from practice_board import TcpBoard
except ImportError:  # imported as a part of the package
    from firmware_stub.node_loop import NodeLoop, unhex
    from firmware_stub.practice_board import TcpBoard


def make_loop(settings):
    board = settings["board"]
    tcp = TcpBoard(
        board["host"],
        board["port"],
        settings.get("channels", 1),
        unhex(settings["key"]),
        settings.get("memory"),
        settings.get("reset_cause"),
    )
    return NodeLoop(settings, tcp)


def main(path):
    with open(path) as f:
        settings = json.load(f)
    make_loop(settings).run()


if __name__ == "__main__":
    try:
        main(sys.argv[1])
    except KeyboardInterrupt:
        pass
