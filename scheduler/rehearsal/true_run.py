"""One opening of a valve as it really was: its record, and what is kept while it lasts."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Any

import numpy as np

Array = np.ndarray[Any, np.dtype[np.float64]]


@dataclass(frozen=True, slots=True)
class TrueRun:
    """One opening as it really was. ``open_s`` from the start of opening to the start of closing."""

    zone: str
    opened: datetime
    open_s: float
    level_start_m: float
    level_end_m: float
    lowest_level_m: float
    drawn_l: float  # out of the tank
    litres: tuple[tuple[str, float], ...]  # plant -> litres, drain included


@dataclass(slots=True)
class ValveState:
    """Position 0 shut .. 1 open; ``target`` where the motor drives it."""

    position: float = 0.0
    target: float = 0.0
    opened_s: float = 0.0
    closing_s: float | None = None
    line_lacks_l: float = 0.0  # of the line volume, now
    fill_s: float = 0.0
    wait_s: Array | None = None  # per emitter, from the opening
    litres: Array | None = None
    drawn_l: float = 0.0
    level_start_m: float = 0.0
