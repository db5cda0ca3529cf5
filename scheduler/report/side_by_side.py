"""Two gardens side by side: the object for programs, tables and the words that say what changes."""

from __future__ import annotations

from collections.abc import Callable
from typing import TypeVar

from scheduler.planning.garden import GardenModel
from scheduler.report.answers import (
    CompareAnswer,
    GardenSideAnswer,
    PlantSideAnswer,
    ZoneSideAnswer,
)
from scheduler.report.plan import Columns, Rows
from scheduler.report.survey import flow_column, height_column, highest, stand_words
from scheduler.site.model import Site
from scheduler.site.showing import show_flow, show_length, show_share, show_volume
from scheduler.survey.compare import garden_side
from scheduler.survey.levels import LEVEL_SHARES
from scheduler.survey.sentences import show_height, volume_word
from scheduler.survey.survey import some_of, uniformity_class

# A change by less than this is none: nobody would see it in a can.
SAME_SHARE = 0.01
# Less dead storage is none: a glass of water (ours).
NO_STORAGE_L = 0.25
T = TypeVar("T")
HALF = [name for name, _ in LEVEL_SHARES].index("half")


def compare_answer(
    before: Site,
    after: Site,
    changes: list[str],
    models: tuple[GardenModel, GardenModel] | None = None,
) -> CompareAnswer:
    """Both gardens solved, side by side. ``models``: of both, when they are at hand."""
    old, new = models or (None, None)
    return CompareAnswer(
        before=_side(before, old),
        after=_side(after, new),
        changes=changes,
        lengthened_m=lengthened(before, after) if changes else {},
    )


def lengthened(before: Site, after: Site) -> dict[str, float]:
    """Lines that became longer, and to what length (m)."""
    old = {x.id: x.length_m for z in before.zones for x in z.lines}
    new = {x.id: x.length_m for z in after.zones for x in z.lines}
    return {line: m for line, m in new.items() if line in old and m > old[line]}


def _side(site: Site, model: GardenModel | None) -> GardenSideAnswer:
    side = garden_side(site, model=model)
    return GardenSideAnswer(
        name=site.name,
        levels_m=list(side.levels_m),
        full_l=side.full_l,
        plants=[
            PlantSideAnswer(id=p, flows_lph=list(s.flows_lph), stops_m=s.stops_m)
            for p, s in side.plants.items()
        ],
        zones=[
            ZoneSideAnswer(
                id=z,
                du_low_quarter=list(s.evenness),
                dead_storage_l=s.dead_storage_l,
                outside_measured=[list(names) for names in s.outside],
            )
            for z, s in side.zones.items()
        ],
    )


def compare_rows(site: Site, answer: CompareAnswer) -> list[tuple[str, Columns, Rows]]:
    """Plants, then zones, at full, half and low: as it is, to what it becomes; one figure where nothing
    changes."""
    names = {p.id: p.name for p in site.plants}
    zone_names = {z.id: z.name for z in site.zones}
    old, new = ({p.id: p for p in s.plants} for s in (answer.before, answer.after))
    both = (*old.values(), *new.values())
    flow = flow_column([x for p in both for x in p.flows_lph], site.units)
    level = height_column(site.units)

    def at(n: int) -> Callable[[PlantSideAnswer], str]:
        return lambda p: flow(p.flows_lph[n]) if p.flows_lph[n] > 0.0 else "dry"

    def even(n: int) -> Callable[[ZoneSideAnswer], str]:
        def say(z: ZoneSideAnswer) -> str:
            share = z.du_low_quarter[n]
            return "dry" if share is None else show_share(share)

        return say

    plants = [
        [names.get(i, i)]
        + [_to(old.get(i), new.get(i), at(n)) for n in range(3)]
        + [_to(old.get(i), new.get(i), lambda p: highest(level, [p.stops_m]))]
        for i in dict.fromkeys((*old, *new))
    ]
    zones_old, zones_new = ({z.id: z for z in s.zones} for s in (answer.before, answer.after))
    zones = [
        [zone_names.get(i, i)]
        + [_to(zones_old.get(i), zones_new.get(i), even(n)) for n in range(3)]
        + [_to(zones_old.get(i), zones_new.get(i), lambda z: show_volume(z.dead_storage_l, site.units))]
        for i in dict.fromkeys((*zones_old, *zones_new))
    ]
    heads: Columns = [(name, "right") for name, _ in LEVEL_SHARES]
    return [
        (
            "Flow of each plant: as it is -> what it becomes",
            [("plant", "left"), *heads, ("stops below", "right")],
            plants,
        ),
        (
            f"Low-quarter uniformity for each {volume_word(site.units)} wanted: as it is -> what it becomes",
            [("zone", "left"), *heads, ("dead storage", "right")],
            zones,
        ),
    ]


def _to(old: T | None, new: T | None, say: Callable[[T], str]) -> str:
    if old is None or new is None:
        return f"new: {say(new)}" if new is not None else "gone"
    before, after = say(old), say(new)
    if before == after:
        return after
    number, _, unit = before.partition(" ")
    return f"{number if unit and after.endswith(unit) else before} -> {after}"


def compare_lines(before: Site, after: Site, answer: CompareAnswer) -> list[str]:
    """What changes, in words."""
    lines = [_level_words(after, answer)]
    names = {p.id: p.name for p in (*before.plants, *after.plants)}
    old, new = ({p.id: p for p in s.plants} for s in (answer.before, answer.after))
    kept = [i for i in old if i in new]
    lines += _flow_words({names[i]: (old[i], new[i]) for i in kept})
    for i in (i for i in new if i not in old):
        flows = [show_flow(q, after.units) if q > 0.0 else "dry" for q in new[i].flows_lph]
        stop = new[i].stops_m
        words = "it is never watered" if stop is None else f"it stops below {show_height(stop, after.units)}"
        if stop == 0.0:
            words = "it flows as long as water reaches the outlet"
        lines.append(
            f"{names[i]} is new: {flows[0]} at full, {flows[1]} at half, {flows[2]} at low; {words}."
        )
    lines += [f"{names[i]} is gone." for i in old if i not in new]
    lines += _zone_words(after, answer)
    lines += _measured_words(after, answer)
    for line, length_m in answer.lengthened_m.items():
        was = next(x.length_m for z in before.zones for x in z.lines if x.id == line)
        lines.append(
            f"Line {line} grows from {show_length(was, after.units)} to "
            f"{show_length(length_m, after.units)}; the new piece is taken as level with its last point."
        )
    if after.tank.outlet_height_m > before.tank.outlet_height_m:
        lines.append(stand_words(after))
    return lines


def _level_words(site: Site, answer: CompareAnswer) -> str:
    def said(side: GardenSideAnswer) -> str:
        full, half, low = (show_height(x, site.units) for x in side.levels_m)
        return f"{full}, {half} and {low}"

    old, new = said(answer.before), said(answer.after)
    words = f"Full, half and low are {new} above the outlet"
    return f"{words}." if old == new else f"{words}; as it is, {old}."


def _flow_words(kept: dict[str, tuple[PlantSideAnswer, PlantSideAnswer]]) -> list[str]:
    """Who wakes, who falls dry, and by how much the others gain or lose at half."""
    lines = []
    for n, (level, _) in enumerate(LEVEL_SHARES):
        wet = {name: (old.flows_lph[n] > 0.0, new.flows_lph[n] > 0.0) for name, (old, new) in kept.items()}
        woken = [name for name, (was, is_now) in wet.items() if is_now and not was]
        dried = [name for name, (was, is_now) in wet.items() if was and not is_now]
        still = [name for name, (was, is_now) in wet.items() if not was and not is_now]
        if woken:
            lines.append(f"At {level} water reaches {', '.join(woken)}, dry there as it is.")
        if dried:
            lines.append(f"At {level} {', '.join(dried)} would be dry, and is watered as it is.")
        if still:
            lines.append(f"At {level} {', '.join(still)}: dry, before and after.")
    shares = {
        name: new.flows_lph[HALF] / old.flows_lph[HALF] - 1.0
        for name, (old, new) in kept.items()
        if old.flows_lph[HALF] > 0.0 and new.flows_lph[HALF] > 0.0
    }
    more = {name: s for name, s in shares.items() if s >= SAME_SHARE}
    less = {name: -s for name, s in shares.items() if s <= -SAME_SHARE}
    if shares and not more and not less:
        return [*lines, "At half every plant that was there gets as much as before."]
    for some, word in ((more, "more"), (less, "less")):
        if some:
            who = "every other plant" if len(shares) < len(kept) else "every plant"
            who = f"{who} gets" if len(some) == len(shares) else f"{', '.join(some)}:"
            low, high = show_share(min(some.values())), show_share(max(some.values()))
            lines.append(f"At half {who} {high if low == high else f'{low} to {high}'} {word}.")
    return lines


def _measured_words(site: Site, answer: CompareAnswer) -> list[str]:
    """Emitters that are asked for heads outside their curve now, and were not."""
    old = {z.id: z.outside_measured for z in answer.before.zones}
    lines = []
    for z in answer.after.zones:
        for n, (level, _) in enumerate(LEVEL_SHARES):
            before = old.get(z.id, [[]] * len(LEVEL_SHARES))[n]
            if new := [e for e in z.outside_measured[n] if e not in before]:
                lines.append(
                    f"Zone {site.zone(z.id).name}, at {level}: outside the heads at which they were "
                    f"measured, so their flow here is a guess: {some_of(new)}. Test them at this head."
                )
    return lines


def _zone_words(site: Site, answer: CompareAnswer) -> list[str]:
    old = {z.id: z for z in answer.before.zones}
    lines = []
    for z in answer.after.zones:
        if z.id not in old:
            continue
        name = site.zone(z.id).name
        was, now = old[z.id].du_low_quarter[HALF], z.du_low_quarter[HALF]
        if was is not None and now is not None and abs(now - was) >= 2 * SAME_SHARE:
            word = "more" if now > was else "less"
            lines.append(
                f"Zone {name} becomes {word} even: low-quarter uniformity at half {show_share(was)} to "
                f"{show_share(now)} ({uniformity_class(now)})"
                + (". Ask survey --advice what helps." if word == "less" else ".")
            )
        if abs(z.dead_storage_l - old[z.id].dead_storage_l) >= 1.0:
            before = show_volume(old[z.id].dead_storage_l, site.units)
            lines.append(
                f"Zone {name}: {show_volume(z.dead_storage_l, site.units)} in the barrels cannot water all "
                f"of it; as it is, {before}."
                if z.dead_storage_l >= NO_STORAGE_L
                else f"Zone {name}: all above the outlet can water all of it; as it is, {before} cannot."
            )
    return lines
