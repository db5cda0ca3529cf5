"""What is worked out of a value of the garden, kept by the value's identity.

``functools.lru_cache`` hashes its arguments at each call; to hash a tank or a site takes longer than what is
asked of it.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import TypeVar

_Thing = TypeVar("_Thing")
_Found = TypeVar("_Found")

# Gardens one process deals with at a time; a forgotten one is worked out again.
KEPT_MOST = 8


def kept(work: Callable[[_Thing], _Found]) -> Callable[[_Thing], _Found]:
    """``work`` done once for each of the last ``KEPT_MOST`` things. An equal thing is another one."""
    # The thing is held beside what was found, so that its id stays its own.
    known: dict[int, tuple[_Thing, _Found]] = {}

    def find(thing: _Thing) -> _Found:
        entry = known.get(id(thing))
        if entry is None:
            entry = (thing, work(thing))
            while len(known) >= KEPT_MOST:
                known.pop(next(iter(known), 0), None)
            known[id(thing)] = entry
        return entry[1]

    return find
