"""How the lines of a zone fill, and what the water's temperature does to it, in words."""

from __future__ import annotations

from scheduler.report.answers import ZoneSurveyAnswer
from scheduler.site.model import Site
from scheduler.site.showing import show_duration, show_share, show_temperature
from scheduler.survey.survey import COLD_C, WARM_C

# The water for which emitters' curves hold, degC (as ``hydraulics`` has it).
USUAL_C = 20.0


def filling_words(site: Site, z: ZoneSurveyAnswer) -> str:
    """From opening until every emitter flows, from how empty the site file takes the lines to stand."""
    empty = site.zone(z.id).emptied_share
    if z.prime_s is None:
        return "At this level the lines are not filled."
    if empty <= 0.0:
        return "Lines stay full between runs."
    stood = "dry" if empty >= 1.0 else f"{show_share(empty)} empty"
    return f"Lines that stood {stood} are filled {show_duration(z.prime_s)} after opening."


def warmth_words(site: Site, z: ZoneSurveyAnswer) -> str:
    """What colder and warmer water does; in short where it does nothing that is shown."""
    cold, warm, usual = (show_temperature(t, site.units) for t in (COLD_C, WARM_C, USUAL_C))
    at_cold, at_warm = show_share(z.flow_share_at_5c), show_share(z.flow_share_at_30c)
    if at_cold == at_warm == show_share(1.0):
        return f"Water from {cold} to {warm} flows alike."
    return f"With water of {cold} it gives {at_cold}, of {warm} {at_warm} of its flow at {usual}."
