"""Started by the board at power-up. The settings lie beside it, in settings.json."""

import json

from drivers import PinBoard
from node_loop import NodeLoop, unhex

with open("settings.json") as f:
    settings = json.load(f)
board = PinBoard(settings, unhex(settings["key"]))
try:
    NodeLoop(settings, board).run()
finally:
    board.begin()  # whatever went wrong: closed, and the watchdog starts it anew
