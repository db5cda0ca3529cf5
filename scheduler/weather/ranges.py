"""Which figures of weather can be believed at all. Outside them a value is a fault, not weather."""

from __future__ import annotations

from dataclasses import dataclass
from math import isfinite


@dataclass(frozen=True, slots=True)
class Range:
    """Closed interval in ``unit``."""

    low: float
    high: float
    unit: str

    def holds(self, value: float) -> bool:
        return isfinite(value) and self.low <= value <= self.high

    def __str__(self) -> str:
        return f"{self.low:g} to {self.high:g} {self.unit}".rstrip()


# Where people garden; the coldest and hottest stations on record lie outside it (from memory).
TEMPERATURE = Range(-40.0, 55.0, "degC")
# A day above 300 mm is known from tropical storms only; as a forecast it is far likelier a unit mix-up.
RAIN = Range(0.0, 300.0, "mm/day")
PERCENT = Range(0.0, 100.0, "%")
# Mean of a day or an hour; a hurricane starts at 33 m/s (Beaufort 12).
WIND = Range(0.0, 60.0, "m/s")
# Heights at which anemometers stand; FAO-56 Eq 47 has no value below 0.1 m.
WIND_HEIGHT = Range(0.5, 100.0, "m")
# Where people garden a day brings at most about 45 MJ m-2 above the atmosphere (FAO-56 Eq 21, worked out);
# ``possible`` holds each day against its own place.
SOLAR = Range(0.0, 45.0, "MJ/m2")
