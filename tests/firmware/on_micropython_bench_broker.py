"""Run by MicroPython: the broker's part of the bench test with a settings file; prints its line."""

import json
import sys

import selftest

with open(sys.argv[1]) as f:
    settings = json.load(f)
selftest.Bench(None, settings).broker()
