"""Started by the board at power-up. The settings lie beside it, in settings.json."""

import json

import selftest
from drivers import PinBoard
from node_loop import NodeLoop, unhex

with open("settings.json") as f:
    settings = json.load(f)
board = PinBoard(settings, unhex(settings["key"]))  # every valve is driven closed
try:
    if board.reset_cause != "watchdog" and selftest.asked_for():
        selftest.run(board, settings)
    board.watch()
    NodeLoop(settings, board).run()
finally:
    board.begin()  # whatever went wrong: closed, and the watchdog starts it anew
