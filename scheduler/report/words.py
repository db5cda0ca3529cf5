"""A garden told in a few sentences, the way its owner would check it."""

from __future__ import annotations

import math

from scheduler.planning.garden import garden_model
from scheduler.report.survey import stops_words
from scheduler.site.model import Site
from scheduler.site.showing import show_length, show_volume
from scheduler.supply.stage import stage_storage


def site_words(site: Site) -> list[str]:
    """What a site file says, in words and figures that a person can compare with the garden."""
    stage = stage_storage(site.tank)
    units = site.units
    full_l = stage.volume_l(stage.brim_level_m)
    barrels = f"{len(site.tank.barrels)} barrel{'s' if len(site.tank.barrels) > 1 else ''}"
    model = garden_model(site)
    never = [
        ident
        for made in model.zones.values()
        for ident, head, start in zip(
            made.curve.emitter_ids,
            made.curve.heads_m(stage.brim_level_m),
            made.curve.law.start_head_m,
            strict=True,
        )
        if head <= start
    ]
    state = "the site file is in order."
    if never:
        some = ", ".join(never[:5]) + (f" and {len(never) - 5} more" if len(never) > 5 else "")
        state = f"the site file can be read, but these get no water even from full barrels: {some}."
    lines = [
        f"{site.name}: {state}",
        f"{barrels}: {show_volume(full_l, units)} above the outlet when full (brim "
        f"{show_length(stage.brim_level_m, units)} over it), "
        f"{show_volume(stage.litres_below_outlet, units)} below it, "
        f"{show_volume(site.reserve.volume_l, units)} held in reserve.",
    ]
    for zone in site.zones:
        plants = [p.name for p in site.plants if any(e.plant == p.id for e in zone.emitters)]
        stop = model.zones[zone.id].worst_stop_m
        stops_m = stop if math.isfinite(stop) else None
        names = [site.plant(p).name for p in model.zones[zone.id].first_dry]
        reaches = stops_words(site, stops_m, stage.volume_l(stop), names)
        lines.append(f"Zone {zone.name}: {len(zone.emitters)} emitters for {', '.join(plants)}; {reaches}.")
    return lines
