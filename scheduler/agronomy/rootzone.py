"""The water held round the roots, day by day: FAO-56 (1998) ch. 8, in mm over the plant's canopy area.

*Depletion* is what is missing from field capacity: 0 when the soil is full, TAW when the plant can draw no
more. "Eq" is an equation number of FAO-56.
"""

from __future__ import annotations

from dataclasses import dataclass

# FAO-56 p. 162: p of Table 22 holds at this ETc, moves by this much per mm/day, and stays within these ends.
P_TABLE_ETC_MM = 5.0
P_PER_MM = 0.04
P_MIN, P_MAX = 0.1, 0.8
# FAO-56 p. 170: rain of less than this share of ET0 wets leaves and litter only.
SMALL_RAIN_SHARE = 0.2


@dataclass(frozen=True, slots=True)
class Balance:
    """One day of a root zone, in mm. Conserved: end = start + used - rain - water + percolated."""

    depletion_mm: float  # at the end of the day
    used_mm: float  # ETc adjusted for dry soil
    rain_mm: float  # credited
    water_mm: float  # given and reaching the roots
    percolated_mm: float  # given beyond what the soil could hold
    ks: float  # Eq 84: 1 without stress, 0 when the plant draws nothing


def total_available_mm(fc: float, wp: float, root_depth_m: float) -> float:
    """TAW (Eq 82); field capacity and wilting point in m3/m3."""
    return 1000.0 * (fc - wp) * root_depth_m


def depletion_fraction(p_table: float, etc_mm: float) -> float:
    """p, the share of TAW that is readily available, at the day's ETc (FAO-56 p. 162)."""
    return min(P_MAX, max(P_MIN, p_table + P_PER_MM * (P_TABLE_ETC_MM - etc_mm)))


def stress_coefficient(depletion_mm: float, taw_mm: float, p: float) -> float:
    """Ks (Eq 84): 1 while readily available water is left, then falling to 0 at TAW."""
    if depletion_mm <= p * taw_mm:
        return 1.0
    return max(0.0, (taw_mm - depletion_mm) / ((1.0 - p) * taw_mm))


def effective_rain_mm(rain_mm: float, et0_mm: float, room_mm: float) -> float:
    """Rain that the roots get: none of a sprinkle, and no more than the soil has room for (Eq 88)."""
    if rain_mm < SMALL_RAIN_SHARE * et0_mm:
        return 0.0
    return min(rain_mm, max(0.0, room_mm))


def day_balance(
    *,
    depletion_mm: float,
    taw_mm: float,
    p: float,
    etc_mm: float,
    et0_mm: float,
    rain_mm: float,
    water_mm: float,
    water_early: bool = False,
) -> Balance:
    """A day of Eq 85 to 88 with Ks of the morning's depletion, no runoff and no capillary rise.

    ``p`` is the depletion fraction of the day; ``water_mm`` is what of the watering reaches the roots. Rain
    is credited up to the deficit and the day's use; watering beyond that percolates. The plant uses no more
    than there is, so that the depletion stays within 0 to TAW. Depths are not negative (ValueError).

    ``water_early`` lets water beyond the morning's depletion percolate before the day's use makes room for
    it, as FAO-56 Example 38 does; Eq 88 counts over the whole day.
    """
    if min(taw_mm, etc_mm, rain_mm, water_mm) < 0.0 or taw_mm == 0.0:
        raise ValueError(
            f"TAW must be above 0 and no depth below: "
            f"TAW {taw_mm}, ETc {etc_mm}, rain {rain_mm}, water {water_mm}"
        )
    start = min(max(depletion_mm, 0.0), taw_mm)
    ks = stress_coefficient(start, taw_mm, p)
    used = ks * etc_mm
    lost_early = max(0.0, water_mm - start) if water_early else 0.0
    rain = effective_rain_mm(rain_mm, et0_mm, start + used)
    end = start + used - rain - (water_mm - lost_early)
    if end > taw_mm:
        used, end = used - (end - taw_mm), taw_mm
    percolated = max(0.0, -end)
    return Balance(max(0.0, end), used, rain, water_mm, lost_early + percolated, ks)
