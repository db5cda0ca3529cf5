"""What all tests share: how Hypothesis draws, and one thread for linear algebra, as the command has it.

Without a profile of our own it would draw the same cases for ever wherever ``CI`` is set, and count the time
of one example, which a busy machine fails.
"""

from __future__ import annotations

import os

from hypothesis import settings

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # before any test imports numpy
settings.register_profile("house", deadline=None, print_blob=True, derandomize=False)
settings.load_profile("house")
