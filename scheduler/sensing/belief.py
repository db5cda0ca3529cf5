"""What the readings let us believe about the water level."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Literal

Quality = Literal["good", "doubtful", "unknown"]


@dataclass(frozen=True, slots=True)
class LevelReading:
    """One report of the level sensor as it came: raw pings in the sensor's own unit, never altered."""

    at: datetime  # UTC
    pings: tuple[int, ...]
    air_c: float | None = None  # air temperature at the sensor, for echo sensors


@dataclass(frozen=True, slots=True)
class LevelBelief:
    """The believed water surface above the outlet. Unknown is unknown: then every number is None.

    ``low_m``..``high_m`` holds the true level 95 times in 100.
    """

    quality: Quality
    at: datetime | None = None
    level_m: float | None = None
    low_m: float | None = None
    high_m: float | None = None
    why: tuple[str, ...] = ()  # what was found wrong with the readings, in words

    @property
    def known(self) -> bool:
        return self.level_m is not None


UNKNOWN_LEVEL = LevelBelief(quality="unknown", why=("no reading yet",))
