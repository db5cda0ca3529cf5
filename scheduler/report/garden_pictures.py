"""The pictures of a garden on paper: for each zone its long-section and its flow by level; all run times."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from types import MappingProxyType
from typing import TYPE_CHECKING, Any, Literal

import numpy as np

from scheduler.pictures.flow_by_level import draw_flow_by_level
from scheduler.pictures.long_section import draw_long_section
from scheduler.pictures.run_time import draw_run_times
from scheduler.planning.garden import GardenModel, garden_model
from scheduler.report.artist import Artist
from scheduler.site.model import Site
from scheduler.survey.levels import LevelSurvey, zone_levels
from scheduler.survey.run_times import run_times
from scheduler.survey.section import long_section
from scheduler.survey.wants import midsummer_wants

if TYPE_CHECKING:
    from scheduler.survey.zone_evidence import ZoneEvidence

PictureForm = Literal["png", "svg"]


@dataclass(frozen=True, slots=True)
class Drawing:
    """One picture not yet drawn: by what, of which values, into which file, and how."""

    draw: Callable[..., None]
    values: Any
    path: Path
    look: dict[str, Any]


def draw_garden(
    site: Site, folder: Path, form: PictureForm = "png", *, model: GardenModel | None = None, of: str = ""
) -> tuple[Path, ...]:
    """Draw all of them into a folder, which is made when it is not there; the files, in a fixed order.

    Run times are for what each zone's plants want on a strong midsummer day. ``model``: of the site, when it
    is at hand; ``of``: which garden and day, written small on each (``garden_and_day``). UsageError when the
    folder cannot be made or written.
    """
    return Artist(folder, beside=False).draw(model or garden_model(site), form, of)()


def garden_and_day(site: Site, day: date, changes: Sequence[str] = ()) -> str:
    """What a picture is of: a print is found again among those of other gardens, days and plans."""
    changed = f", with: {'; '.join(changes)}" if changes else ""
    return f"{site.name}, drawn {day.day} {day:%B %Y}{changed}"


def garden_drawings(
    model: GardenModel,
    folder: Path,
    form: PictureForm,
    of: str = "",
    proven: Mapping[str, ZoneEvidence] = MappingProxyType({}),
) -> list[Drawing]:
    """What is to be drawn, worked out; in a fixed order. ``proven``: what the tests tell of the zones, where
    ``model`` is of the garden as they found it."""
    site = model.site
    sure = {z: known for z, known in proven.items() if known.tested is not None}
    every: dict[str, Any] = {"units": site.units, "of": of}
    names = {p.id: p.name for p in site.plants}
    drawings: list[Drawing] = []
    for zone in site.zones:
        levels = zone_levels(model, zone.id)
        section = long_section(model, zone.id, levels=levels)
        file = folder / f"{zone.id}-long-section.{form}"
        drawings.append(Drawing(draw_long_section, section, file, every))
        file = folder / f"{zone.id}-flow-by-level.{form}"
        look = {
            "title": f"{zone.name}: what each plant gets",
            "names": names,
            "reserve_m": model.reserve_level_m,
            **(_proof(sure[zone.id], levels) if zone.id in sure else {}),
            **every,
        }
        drawings.append(Drawing(draw_flow_by_level, levels, file, look))
    wants = midsummer_wants(site)
    litres = {z.id: sum(wants[p] for p in model.zones[z.id].plants) for z in site.zones}
    # One share has to serve all levels, as where the learning of a zone's flow begins.
    shares = {z: float(np.mean(known.sd_shares)) for z, known in sure.items()}
    tables = [
        run_times(model, z.id, litres[z.id], flow_sd_share=shares.get(z.id))
        for z in site.zones
        if litres[z.id] > 0.0
    ]
    if tables:
        look = {
            "title": "Run time for a strong midsummer day",
            "names": {z.id: z.name for z in site.zones},
            "reserve_m": model.reserve_level_m,
            **every,
        }
        drawings.append(Drawing(draw_run_times, tables, folder / f"run-times.{form}", look))
    return drawings


def _proof(known: ZoneEvidence, levels: LevelSurvey) -> dict[str, Any]:
    """How sure the flows are, and where they were measured."""
    look: dict[str, Any] = {
        "flow_sd_share": np.array([known.flow_sd_share(float(x)) for x in levels.levels_m])
    }
    if known.level_min_m is not None and known.level_max_m is not None:
        look["tested_m"] = (known.level_min_m, known.level_max_m)
    return look
