"""The newest catch cans of each zone as a map along its lines."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from scheduler.pictures.cans import Can, CanMap, draw_cans
from scheduler.report.garden_pictures import PictureForm
from scheduler.site.errors import UsageError
from scheduler.site.model import Site
from scheduler.survey.catch_cans import CAN_READ_SHARE, catch_cans
from scheduler.survey.tests_done import CatchCans
from scheduler.survey.tests_due import history
from scheduler.survey.wants import midsummer_wants
from scheduler.survey.zone_readings import Kept

# Of an emitter that waters no plant.
NO_PLANT = "no plant"


def can_map(site: Site, record: CatchCans) -> CanMap:
    """One test of cans: what each caught against its plant's part of all that was caught. The parts are by
    the litres that the plants want on a strong summer day. KeyError for an unknown zone."""
    zone = site.zone(record.zone)
    wants = midsummer_wants(site)
    counts: dict[str | None, int] = {}
    for emitter in zone.emitters:
        counts[emitter.plant] = counts.get(emitter.plant, 0) + 1
    weights = {e.id: wants[e.plant] / counts[e.plant] if e.plant is not None else 0.0 for e in zone.emitters}
    caught = {c.emitter: c.volume_l for c in record.cans if c.emitter in weights and c.volume_l is not None}
    weighed = sum(weights[e] for e in caught)
    each_l = sum(v for e, v in caught.items() if weights[e] > 0.0) / weighed if weighed > 0.0 else 0.0
    found = catch_cans(site, record).by_want
    cans = tuple(
        Can(
            emitter=e.id,
            plant=site.plant(e.plant).name if e.plant is not None else NO_PLANT,
            line=line.id,
            at_m=point.at_m,
            wanted_l=weights[e.id] * each_l,
            caught_l=caught.get(e.id),
            sd_l=CAN_READ_SHARE * caught[e.id] if e.id in caught else None,
        )
        for line in zone.lines
        for point in line.points
        for e in point.emitters
    )
    day = record.at.astimezone(site.place.timezone).date()
    return CanMap(
        title=f"{zone.name}: catch cans of {day}",
        cans=cans,
        uniformity=found.du.value if found is not None else None,
        grade=found.grade if found is not None else None,
        minutes=round(record.run_s / 60.0, 1),
    )


def draw_can_maps(
    site: Site, kept: Sequence[Kept], folder: Path, form: PictureForm = "png"
) -> tuple[Path, ...]:
    """A map of each zone that has had cans, into a folder, which is made when it is not there. UsageError
    when it cannot be made or written."""
    drawn = []
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for zone in site.zones:
            done = history(kept, zone.id).get("catch_cans", ())
            if done and isinstance(done[0].record, CatchCans):
                path = folder / f"{zone.id}-cans.{form}"
                draw_cans(can_map(site, done[0].record), path, units=site.units, of=site.name)
                drawn.append(path)
    except OSError as error:
        raise UsageError(f"the pictures cannot be written into {folder}: {error.strerror}") from error
    return tuple(drawn)
