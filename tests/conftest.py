"""What all tests share: how Hypothesis draws.

Without a profile of our own it would draw the same cases for ever wherever ``CI`` is set, and count the time
of one example, which a busy machine fails.
"""

from __future__ import annotations

from hypothesis import settings

settings.register_profile("house", deadline=None, print_blob=True, derandomize=False)
settings.load_profile("house")
