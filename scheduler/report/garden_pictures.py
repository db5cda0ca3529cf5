"""The pictures of a garden on paper: for each zone its long-section and its flow by level; all run times."""

from __future__ import annotations

from pathlib import Path
from typing import Literal

from scheduler.pictures.flow_by_level import draw_flow_by_level
from scheduler.pictures.long_section import draw_long_section
from scheduler.pictures.run_time import draw_run_times
from scheduler.planning.garden import GardenModel, garden_model
from scheduler.site.errors import UsageError
from scheduler.site.model import Site
from scheduler.survey.levels import zone_levels
from scheduler.survey.run_times import run_times
from scheduler.survey.section import long_section
from scheduler.survey.wants import midsummer_wants

PictureForm = Literal["png", "svg"]


def draw_garden(
    site: Site, folder: Path, form: PictureForm = "png", *, model: GardenModel | None = None
) -> tuple[Path, ...]:
    """Draw all of them into a folder, which is made when it is not there; the files, in a fixed order.

    Run times are for what each zone's plants want on a strong midsummer day. ``model``: of the site, when it
    is at hand. UsageError when the folder cannot be made or written.
    """
    try:
        folder.mkdir(parents=True, exist_ok=True)
        return _draw(site, folder, form, model or garden_model(site))
    except OSError as error:
        raise UsageError(f"the pictures cannot be written into {folder}: {error.strerror}") from error


def _draw(site: Site, folder: Path, form: PictureForm, model: GardenModel) -> tuple[Path, ...]:
    names = {p.id: p.name for p in site.plants}
    drawn: list[Path] = []
    for zone in site.zones:
        levels = zone_levels(model, zone.id)
        section = folder / f"{zone.id}-long-section.{form}"
        draw_long_section(long_section(model, zone.id, levels=levels), section, units=site.units)
        flows = folder / f"{zone.id}-flow-by-level.{form}"
        draw_flow_by_level(
            levels,
            flows,
            title=f"{zone.name}: what each plant gets",
            names=names,
            reserve_m=model.reserve_level_m,
            units=site.units,
        )
        drawn += [section, flows]
    wants = midsummer_wants(site)
    litres = {z.id: sum(wants[p] for p in model.zones[z.id].plants) for z in site.zones}
    tables = [run_times(model, z.id, litres[z.id]) for z in site.zones if litres[z.id] > 0.0]
    if tables:
        times = folder / f"run-times.{form}"
        draw_run_times(
            tables,
            times,
            title="Run time for a strong midsummer day",
            names={z.id: z.name for z in site.zones},
            units=site.units,
        )
        drawn.append(times)
    return tuple(drawn)
