"""``python -m tests.simulation.print_hash SEED``: the hash of a gust's trace, for runs in other processes."""

from __future__ import annotations

import sys

from tests.simulation.many import one

if __name__ == "__main__":
    print(one(("gust", int(sys.argv[1])))[1].trace_hash)
