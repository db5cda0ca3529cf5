"""What is remembered of the level between readings."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from scheduler.sensing.trend import Trend
from scheduler.site.copying import changed

# A sensor's zero against the outlet, one sd: what a ruler check leaves (ruler 2-3 mm) and a month adds.
ZERO_SD_M = 0.004
# Memory of the trend before the next run, hours: long against the noise, short against a drift.
TREND_FADE_H = 12.0
# Of so many readings it is remembered whether they could be used.
JUDGED_READINGS = 24
NO_TREND = Trend()
NO_FADING_TREND = Trend(fade_h=TREND_FADE_H)
# Memory of the level just before a run, hours. Carried over 12 h, a leak known to half would move it by more
# than the noise of four hours of readings does (measured in rehearsals here: 0.5 L of 10 L).
NEAR_FADE_H = 4.0
NO_NEAR_TREND = Trend(fade_h=NEAR_FADE_H)


@dataclass(frozen=True, slots=True)
class LevelPoint:
    at: datetime
    level_m: float
    air_c: float | None
    by_hand: bool = False  # a person's measure: the sensor is not to be corrected by comparing with it


@dataclass(frozen=True)
class LevelTrack:
    """What the belief remembers: a few accepted readings, and sums since the valve last moved.

    No slots: each reading copies it some three times, and ``changed`` copies a ``__dict__``.
    """

    recent: tuple[LevelPoint, ...] = ()
    pending: tuple[LevelPoint, ...] = ()
    drawing_lph: float = 0.0
    moved_at: datetime | None = None
    settled_at: datetime | None = None  # readings from here on are at rest; None: not known to be
    after: Trend = NO_TREND
    trend: Trend = NO_FADING_TREND  # tells the leak
    near: Trend = NO_NEAR_TREND  # tells the level before a run
    disturbed: bool = False  # something other than the valve moved the level since it last moved
    unseen_m: float = 0.0  # modelled fall of the last run that no reading at rest has confirmed yet
    offset_m: float = 0.0  # from a person's check
    offset_sd_m: float = ZERO_SD_M
    last_at: datetime | None = None  # last reading, accepted or not
    same_raw: float | None = None
    same_count: int = 0
    same_fall_m: float = 0.0  # what drawing should have lowered the level since the raw value last changed
    faults: tuple[str, ...] = ()
    refused: tuple[bool, ...] = ()  # of the last readings, which could not be used
    poured_at: datetime | None = None  # when a person last told of water taken or topped up
    jumped: tuple[datetime, float] | None = None  # when a jump nobody explained was believed; its size, m

    def changed(self, **fields: object) -> LevelTrack:
        """A copy with these fields."""
        return changed(self, fields)
