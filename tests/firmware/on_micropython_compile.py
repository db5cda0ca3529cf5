"""Run by the MicroPython program: read and compile each file named; nothing of it is executed."""

import sys

for path in sys.argv[1:]:
    with open(path) as f:
        compile(f.read(), path, "exec")
print("compiled", len(sys.argv) - 1)
