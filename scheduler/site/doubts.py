"""What a site file may well mean, but what looks like a slip of the pen: told, never refused."""

from __future__ import annotations

from datetime import datetime

from scheduler.site.errors import UsageError
from scheduler.site.model import Plant, Site
from scheduler.site.showing import show_area, show_flow, show_length, show_volume

# A pot of fewer litres for each m2 of leaves holds about 1 mm of water over them, which goes within hours of
# a summer day (ours; pots of vegetables have some 20 L or more).
LEAST_POT_L_PER_M2 = 5.0
# An emitter that gives more at 1 m of head is doubted ...
MOST_EMITTER_LPH = 60.0
# ... where the ground that its plant shades would get more than this in an hour (both ours).
MOST_RATE_MM_H = 100.0
# A clock further than this from the sun's time of a place is doubted (ours; the widest that the time zone
# database has is some 3 h, in the west of China).
MOST_CLOCK_OFF_H = 4.0


def size_doubts(site: Site) -> list[str]:
    """Sentences about sizes that do not fit together, with the values read; empty where none is odd."""
    return [*(_pot_words(site, p) for p in site.plants if _small_pot(p)), *_flow_doubts(site)]


def place_doubts(site: Site) -> list[str]:
    """That a place does not lie where its time zone is: most often E for W, or a lost minus."""
    place = site.place
    zone = place.timezone
    if "/" not in str(zone) or str(zone).startswith("Etc/"):
        return []  # a clock of no region
    offsets = (datetime(2026, month, 15, tzinfo=zone).utcoffset() for month in (1, 7))
    hours = [o.total_seconds() / 3600.0 for o in offsets if o is not None]
    # A day's difference is none: the line where the date changes bends around islands.
    off = min(abs((place.longitude_deg / 15.0 - h + 12.0) % 24.0 - 12.0) for h in hours)
    if off <= MOST_CLOCK_OFF_H:
        return []
    side = "E" if place.longitude_deg >= 0.0 else "W"
    return [
        f"Read longitude {abs(place.longitude_deg):g} {side} with the time zone {zone}, whose clocks are "
        f"{off:.0f} h off the sun's time there: is the side, E or W, right? The forecast is fetched for that "
        "place."
    ]


def paper_words(site: Site) -> list[str]:
    """That a garden is on paper, and what its file lacks to water one; empty: it lacks nothing."""
    if not site.on_paper:
        return []
    lacks = " and no ".join(site.on_paper)
    return [
        f"This is a garden on paper: its file has no {lacks}. Looking at it, planning and rehearsing do "
        "without; the service that waters a garden does not."
    ]


def check_not_on_paper(site: Site) -> None:
    """UsageError: its file lacks what the service, or a valve node's key, needs."""
    if site.on_paper:
        raise UsageError(
            f"{site.name} is a garden on paper: add {' and '.join(site.on_paper)} to its file first; "
            "'fallinghead example five-drums' shows how"
        )


def _small_pot(plant: Plant) -> bool:
    return plant.container_l is not None and plant.container_l < LEAST_POT_L_PER_M2 * plant.canopy_m2


def _pot_words(site: Site, plant: Plant) -> str:
    assert plant.container_l is not None
    return (
        f"{plant.name}: read a canopy of {show_area(plant.canopy_m2, site.units)} over a pot of "
        f"{show_volume(plant.container_l, site.units)}, which would be dry within hours: are both right?"
    )


def _flow_doubts(site: Site) -> list[str]:
    most: dict[str, float] = {}
    for emitter in (e for zone in site.zones for e in zone.emitters if e.plant is not None):
        plant = site.plant(str(emitter.plant))
        lph = emitter.coefficient_lph
        if lph > MOST_EMITTER_LPH and lph > MOST_RATE_MM_H * plant.canopy_m2:
            most[plant.name] = max(lph, most.get(plant.name, 0.0))
    if not most:
        return []
    shown = ", ".join(f"{name} ({show_flow(lph, site.units)})" for name, lph in most.items())
    limit, head = show_flow(MOST_EMITTER_LPH, site.units), show_length(1.0, site.units)
    return [
        f"Read emitters that give more than {limit} at {head} of head, for {shown}: are their flow, its unit "
        "and its head right?"
    ]
