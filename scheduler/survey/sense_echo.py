"""Does an echo's time go with the level that was read by hand, and with the mount of the site file?"""

from __future__ import annotations

import math

from scheduler.sensing.scale import ASSUMED_AIR_C, sound_speed_ms
from scheduler.site.model import Site
from scheduler.site.showing import show_temperature
from scheduler.survey.sentences import show_height
from scheduler.survey.tests_done import HandLevel

# Readings of sensor and ruler further apart than this are questioned.
SENSOR_OFF_M = 0.10
# So is an echo whose time is off by this share (a choice of this project: warmth shifts sound by a few
# hundredths), where that is more than ruler and mount are off by themselves.
ECHO_OFF_SHARE, ECHO_OFF_M = 0.15, 0.03


def echo_doubt(site: Site, mount_m: float, entry: HandLevel, off_m: float) -> str | None:
    """What to ask; None where it fits. ``mount_m``: height of the sensor above the datum. ``off_m``: how far
    the level by the echo lies above the one by hand."""
    way_m = mount_m - site.tank.outlet_height_m - entry.level_m
    if abs(off_m) <= min(SENSOR_OFF_M, max(ECHO_OFF_M, ECHO_OFF_SHARE * abs(way_m))):
        return None
    units = site.units
    if way_m > 0.0:
        air_c = ASSUMED_AIR_C if entry.air_c is None else entry.air_c
        fits = (
            f"From its mount in the site file to that water are {show_height(way_m, units)}: sound takes "
            f"about {_two_digits(2e6 * way_m / sound_speed_ms(air_c))} microseconds there and back in air of "
            f"{show_temperature(air_c, units)}, not {entry.raw:g}"
        )
    else:
        fits = f"By the site file that water stands {show_height(-way_m, units)} above the sensor's mount"
    meant, by_hand = show_height(entry.level_m + off_m, units), show_height(entry.level_m, units)
    return f"{fits}. By the echo the level is {meant}, by hand {by_hand}: which is wrong?"


def _two_digits(value: float) -> str:
    step = 10.0 ** (math.floor(math.log10(value)) - 1)
    return f"{round(value / step) * step:.0f}"
