"""The three clocks, passed in as one value. Nothing in this storey reads a clock of its own."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Literal

ClockTrust = Literal["synced", "stale", "unknown"]


@dataclass(frozen=True, slots=True)
class Now:
    """``wall`` is UTC; ``monotonic_s`` counts from some start and never jumps: durations use only it."""

    wall: datetime
    monotonic_s: float
    trust: ClockTrust = "synced"
