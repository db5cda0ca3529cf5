"""What Python objects weigh: of the whole process, or of one object and all that it alone leads to.

Resident memory alone does not tell growth from the allocator's own habits; this counts what is really held.
"""

from __future__ import annotations

import ctypes
import gc
import sys
import types
from collections.abc import Iterable
from typing import Any

# Code is not data: modules, classes and functions are passed over.
CODE = (types.ModuleType, type, types.FunctionType, types.CodeType, types.FrameType)


def held_bytes(root: Any, apart_from: Iterable[Any] = ()) -> int:
    """Bytes of ``root`` and of everything reached from it, but not through ``apart_from`` or code."""
    seen = {id(thing) for thing in apart_from}
    total, todo = 0, [root]
    while todo:
        thing = todo.pop()
        if id(thing) in seen or isinstance(thing, CODE):
            continue
        seen.add(id(thing))
        total += sys.getsizeof(thing)
        todo.extend(gc.get_referents(thing))
    return total


def process_bytes() -> int:
    """Bytes of every Python object of the process, code aside."""
    seen: set[int] = set()
    total = 0
    for tracked in gc.get_objects():
        for thing in (tracked, *gc.get_referents(tracked)):
            if id(thing) not in seen and not isinstance(thing, CODE):
                seen.add(id(thing))
                total += sys.getsizeof(thing)
    return total


def give_back() -> None:
    """Let the C library return to the system what is free, so that resident memory shows what is in use."""
    trim = getattr(ctypes.CDLL(None), "malloc_trim", None)
    if trim is not None:
        trim(0)
