"""What Python objects weigh: of the whole process, or of one object and all that it alone leads to.

Resident memory alone does not tell growth from the allocator's own habits; this counts what is really held.
"""

from __future__ import annotations

import ctypes
import gc
import sys
import types
from collections.abc import Iterable
from pathlib import Path
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


# Ten counts in glibc's ``struct mallinfo2``; the fifth: bytes in mappings of their own, the eighth: in use
# in the heap (mallinfo(3)).
_COUNTS, _MAPPED, _IN_USE = ctypes.c_size_t * 10, 4, 7


class _MallInfo(ctypes.Structure):
    _fields_ = [("counts", _COUNTS)]


def malloc_bytes() -> int | None:
    """Bytes that C code holds (NumPy's arrays, SQLite, large Python objects); None without glibc's count."""
    count = getattr(ctypes.CDLL(None), "mallinfo2", None)
    if count is None:
        return None
    count.restype = _MallInfo
    found = count()
    return int(found.counts[_MAPPED] + found.counts[_IN_USE])


def sqlite_bytes() -> int | None:
    """What SQLite holds of that, a store in memory with it; None where it is no library of its own."""
    try:
        used = ctypes.CDLL("libsqlite3.so.0").sqlite3_memory_used
    except OSError:
        return None
    used.restype = ctypes.c_longlong
    return int(used())


def resident_bytes() -> dict[str, int]:
    """Resident bytes: of programs and libraries (``files``), and of all else (``own``)."""
    found = {"files": 0, "own": 0}
    kind = "own"
    for line in Path("/proc/self/smaps").read_text().splitlines():
        words = line.split()
        if words[0] == "Rss:":
            found[kind] += 1024 * int(words[1])
        elif not words[0].endswith(":"):  # the head line of a mapping ends with its file, if it has one
            kind = "files" if len(words) > 5 and words[5].startswith("/") else "own"
    return found
