"""The long section of a zone as shapes: barrels with their water, the fall of its head along the lines, every
plant at its place.

Values in, shapes out; the template writes them as SVG. Heights are to scale among themselves, lengths among
themselves; the drawing says by how much heights are drawn larger. How the head is shown: at each plant a
clear hose is held up, and the water in it stands as high as the hydraulic grade line runs there.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Literal

from scheduler.pictures.style import kept_inside
from scheduler.site.model import DisplayUnits
from scheduler.site.showing import show_flow
from scheduler.survey.section import (
    REACHED_LPH,
    LongSection,
    Places,
    SectionBarrel,
    SectionEmitter,
    SectionPlant,
)

Reach = Literal["reached", "dries", "dry", "unknown"]
Anchor = Literal["start", "middle", "end"]

REACH_WORDS: dict[Reach, str] = {
    "reached": "reached",
    "dries": "falls dry",
    "dry": "not reached",
    "unknown": "not known",
}
# A barrel narrower than this cannot show its water; all are then drawn wider.
LEAST_BARREL = 11.0
# Half the width of a barrel into which a question mark fits.
ROOM_TO_ASK = 9.0
GAP_M = 0.12
# Bold letters, in which trouble is written, are so much wider (from memory, of common fonts).
BOLD = 1.15
LETTERS_MAX = 24
# NIST Handbook 44 Appendix C, exact.
METRE_PER_INCH = 0.0254


@dataclass(frozen=True, slots=True)
class Format:
    """Sizes in the drawing's own units, which are pixels where it is shown unscaled."""

    name: Literal["narrow", "wide"]
    width: float
    left: float  # for the levels' names
    box: float  # height of the section itself
    letter: float  # width of a letter of the bands
    column: float  # least distance of two plants
    line: float  # least distance of two levels' names
    mark: float  # radius of an emitter


NARROW = Format("narrow", 344.0, 108.0, 190.0, 7.5, 23.0, 14.0, 2.7)
WIDE = Format("wide", 720.0, 118.0, 270.0, 7.8, 26.0, 16.0, 3.6)
TOP, RIGHT, KNEE = 26.0, 14.0, 20.0


@dataclass(frozen=True, slots=True)
class Path:
    look: str  # its class
    d: str


@dataclass(frozen=True, slots=True)
class Words:
    look: str
    x: float
    y: float
    text: str
    anchor: Anchor = "start"
    turned: bool = False


@dataclass(frozen=True, slots=True)
class Levels:
    """Levels above the outlet; None: not known, or (``after_m``) no run comes."""

    now_m: float | None
    low_m: float | None
    high_m: float | None
    after_m: float | None
    reserve_m: float
    drained: bool = False  # told so; a level that is known nevertheless is drawn as it is

    @property
    def told_empty(self) -> bool:
        return self.drained and self.now_m is None

    def at(self) -> tuple[tuple[str, float], ...]:
        """What ``long_section`` is asked for."""
        if self.now_m is None:
            return ()
        found = [("now", max(0.0, self.now_m))]
        if self.after_m is not None:
            found.append(("after", max(0.0, self.after_m)))
        return tuple(found)


@dataclass(slots=True)
class Drawing:
    format: Format
    width: float
    height: float = 0.0
    paths: list[Path] = field(default_factory=list)
    words: list[Words] = field(default_factory=list)


@dataclass(frozen=True, slots=True)
class _Frame:
    """Where a metre of height or of pipe lies in the drawing."""

    top_m: float
    per_m: float
    origin: float  # x of the outlet
    along: float  # per metre of pipe
    barrel: float  # per metre of a barrel's width

    def y(self, height_m: float) -> float:
        return TOP + (self.top_m - height_m) * self.per_m

    def x(self, along_m: float) -> float:
        return self.origin + along_m * self.along


def reach(flows_lph: Sequence[float]) -> Reach:
    """Of a plant or emitter, from its flows now and after the runs to come."""
    if not flows_lph:
        return "unknown"
    if flows_lph[0] < REACHED_LPH:
        return "dry"
    return "dries" if flows_lph[-1] < REACHED_LPH else "reached"


def draw(section: LongSection, levels: Levels, units: DisplayUnits, form: Format) -> Drawing:
    """``section`` as made at ``levels.at()``."""
    low_m, high_m = _bounds(section)
    frame, width = _frame(section, form, low_m, high_m)
    drawing = Drawing(form, width)
    _ground(drawing, section, frame, low_m)
    for barrel, middle in _standing(section, frame):
        _barrel(drawing, barrel, middle, section, levels, frame, low_m)
    _grades(drawing, section, frame)
    _pipes(drawing, section, frame)
    _plants(drawing, section, frame, low_m, units, drained=levels.told_empty)
    _emitters(drawing, section, frame)
    _level_names(drawing, section, levels, frame, units)
    return drawing


def stretch(section: LongSection, form: Format) -> float:
    """How many times larger heights are drawn than lengths."""
    frame, _ = _frame(section, form, *_bounds(section))
    return frame.per_m / frame.along


def _bounds(section: LongSection) -> tuple[float, float]:
    heights = [h for line in section.lines for _, h in line.places]
    heights += [e.height_m for e in section.emitters]
    low = min([0.0, *heights, *(b.base_m for b in section.barrels)])
    return low, max([section.brim_m, *(b.brim_m for b in section.barrels), *heights])


def _frame(section: LongSection, form: Format, low_m: float, high_m: float) -> tuple[_Frame, float]:
    barrels_m = sum(b.width_m for b in section.barrels) + GAP_M * len(section.barrels)
    room = form.width - form.left - RIGHT
    along = room / (barrels_m + section.length_m)
    narrowest = min(b.width_m for b in section.barrels)
    barrel = max(along, LEAST_BARREL / narrowest)
    barrel = min(barrel, 0.45 * room / barrels_m) if barrel > along else along
    origin = form.left + barrels_m * barrel
    lines = max(room - barrels_m * barrel, form.column * len(section.plants))
    frame = _Frame(high_m, form.box / (high_m - low_m), origin, lines / section.length_m, barrel)
    return frame, origin + lines + RIGHT


def _standing(section: LongSection, frame: _Frame) -> list[tuple[SectionBarrel, float]]:
    """Each barrel with the x of its middle; the outlet's stands next to the lines."""
    right, found = frame.origin, []
    for barrel in section.barrels:
        right -= GAP_M * frame.barrel
        found.append((barrel, right - 0.5 * barrel.width_m * frame.barrel))
        right -= barrel.width_m * frame.barrel
    return found


def _d(points: Sequence[tuple[float, float]], *, closed: bool = False) -> str:
    return "M" + "L".join(f"{x:.1f} {y:.1f}" for x, y in points) + ("Z" if closed else "")


def _ground(drawing: Drawing, section: LongSection, frame: _Frame, low_m: float) -> None:
    """What lies below the pipes, and the datum under the barrels."""
    floor = frame.y(low_m)
    for line in section.lines:
        points = [(frame.x(x), frame.y(z)) for x, z in line.places]
        if len(points) > 1:
            closed = [(points[0][0], floor), *points, (points[-1][0], floor)]
            drawing.paths.append(Path("ground", _d(closed, closed=True)))
    drawing.paths.append(
        Path("datum", _d([(drawing.format.left - 4.0, frame.y(0.0)), (drawing.width - RIGHT, frame.y(0.0))]))
    )


def _barrel(
    drawing: Drawing,
    barrel: SectionBarrel,
    middle: float,
    section: LongSection,
    levels: Levels,
    frame: _Frame,
    low_m: float,
) -> None:
    def wall(points: Places) -> str:
        return _d([(middle + x * frame.barrel, frame.y(z)) for x, z in points], closed=True)

    half = 0.5 * barrel.width_m * frame.barrel
    stand = [(middle - half, frame.y(low_m)), (middle - half, frame.y(barrel.base_m))]
    other = [(middle + half, frame.y(low_m)), (middle + half, frame.y(barrel.base_m))]
    drawing.paths += [Path("stand", _d(stand)), Path("stand", _d(other))]
    if levels.told_empty:
        drawing.paths += [Path("barrel", wall(barrel.outline)), Path("wall", wall(barrel.outline))]
        return
    if levels.now_m is None:
        drawing.paths.append(Path("barrel unknown", wall(barrel.outline)))
        if half >= ROOM_TO_ASK:
            y = frame.y(0.5 * (barrel.base_m + barrel.brim_m)) + 5.0
            drawing.words.append(Words("ask", middle, y, "?", "middle"))
        return
    drawing.paths.append(Path("barrel", wall(barrel.outline)))
    for look, level_m in (("water maybe", levels.high_m), ("water", levels.low_m or levels.now_m)):
        if level_m is not None:
            held = below(barrel.outline, section.outlet_m + level_m)
            if held:
                drawing.paths.append(Path(look, wall(held)))
    for look, at_m in (("surface", levels.now_m), ("surface after", levels.after_m)):
        if at_m is not None and barrel.base_m < section.outlet_m + at_m:
            y = frame.y(min(section.outlet_m + at_m, barrel.brim_m))
            drawing.paths.append(Path(look, _d([(middle - half, y), (middle + half, y)])))
    drawing.paths.append(Path("wall", wall(barrel.outline)))


def below(outline: Places, height_m: float) -> Places:
    """The part of a closed outline that lies below a height (Sutherland and Hodgman 1974, one edge)."""
    found: list[tuple[float, float]] = []
    for (x0, z0), (x1, z1) in zip(outline, (*outline[1:], outline[0]), strict=True):
        if z0 <= height_m:
            found.append((x0, z0))
        if (z0 <= height_m) != (z1 <= height_m):
            share = (height_m - z0) / (z1 - z0)
            found.append((x0 + share * (x1 - x0), height_m))
    return tuple(found)


def _grades(drawing: Drawing, section: LongSection, frame: _Frame) -> None:
    for grade in reversed(section.grades):
        for places in grade.lines.values():
            if len(places) > 1:
                d = _d([(frame.x(x), frame.y(z)) for x, z in places])
                drawing.paths.append(Path(f"grade {grade.name}", d))


def _pipes(drawing: Drawing, section: LongSection, frame: _Frame) -> None:
    outlet = (frame.x(0.0), frame.y(section.outlet_m))
    first = min((place for line in section.lines for place in line.places), default=None)
    if first is not None:
        drawing.paths.append(Path("pipe", _d([outlet, (frame.x(first[0]), frame.y(first[1]))])))
    for line in section.lines:
        if len(line.places) > 1:
            drawing.paths.append(Path("pipe", _d([(frame.x(x), frame.y(z)) for x, z in line.places])))
    x, y = outlet
    drawing.paths.append(
        Path("outlet", _d([(x - 3, y - 3), (x + 3, y - 3), (x + 3, y + 3), (x - 3, y + 3)], closed=True))
    )


def _emitters(drawing: Drawing, section: LongSection, frame: _Frame) -> None:
    for emitter in section.emitters:
        look = reach(emitter.flows_lph)
        drawing.paths += mark(look, frame.x(emitter.along_m), frame.y(emitter.height_m), drawing.format.mark)


def mark(look: Reach, x: float, y: float, r: float) -> list[Path]:
    """An emitter's shape: full, half full, a cross, an empty ring. Shape tells it, not colour."""
    ring = f"M{x - r:.1f} {y:.1f}a{r} {r} 0 1 0 {2 * r} 0a{r} {r} 0 1 0 {-2 * r} 0Z"
    if look == "dry":
        return [
            Path(
                "mark cross",
                f"M{x - r:.1f} {y - r:.1f}l{2 * r} {2 * r}M{x + r:.1f} {y - r:.1f}l{-2 * r} {2 * r}",
            )
        ]
    if look == "dries":
        return [Path("mark empty", ring), Path("mark half", f"M{x - r:.1f} {y:.1f}a{r} {r} 0 0 0 {2 * r} 0Z")]
    return [Path("mark full" if look == "reached" else "mark empty", ring)]


def _plants(
    drawing: Drawing,
    section: LongSection,
    frame: _Frame,
    low_m: float,
    units: DisplayUnits,
    *,
    drained: bool = False,
) -> None:
    """At each plant a clear hose with its water, and a column of the bands below."""
    form = drawing.format
    floor = frame.y(low_m)
    bands = floor + KNEE
    names = [_short(p.name) for p in section.plants]
    flows = ["nothing" if drained else gets_words(p, units) for p in section.plants]
    plain = all(reach(p.flows_lph) in ("reached", "unknown") for p in section.plants)
    letter = form.letter if plain else BOLD * form.letter
    flow_room = letter * max((len(t) for t in flows), default=0) + 10.0
    # A short name may be of wide letters alone: room for one more.
    name_room = letter * (max((len(t) for t in names), default=0) + 1) + 10.0
    places = [frame.x(p.along_m) for p in section.plants]
    spots = kept_inside(places, form.column, frame.origin + 8.0, drawing.width - RIGHT)
    by_plant = {e.plant: e for e in section.emitters if _is_middle(e, section)}
    for plant, x, spot, name, flow in zip(section.plants, places, spots, names, flows, strict=True):
        look = reach(plant.flows_lph)
        _hose(drawing, by_plant.get(plant.id), x, frame)
        drawing.paths.append(Path("lead", _d([(x, frame.y(plant.height_m)), (x, floor), (spot, bands)])))
        drawing.words.append(Words(f"gets {look}", spot + 4.0, bands + flow_room - 6.0, flow, turned=True))
        y = bands + flow_room + name_room - 6.0
        drawing.words.append(Words(f"name {look}", spot + 4.0, y, name, turned=True))
    edges = [bands, bands + flow_room, bands + flow_room + name_room]
    for y in edges:
        drawing.paths.append(Path("band", _d([(4.0, y), (drawing.width - 4.0, y)])))
    caption = "gets now" if section.grades else "gets"
    drawing.words.append(Words("caption", 6.0, edges[0] + 15.0, caption))
    drawing.words.append(Words("caption", 6.0, edges[1] + 15.0, "plant"))
    drawing.height = edges[-1] + 6.0


def _is_middle(emitter: SectionEmitter, section: LongSection) -> bool:
    """Whether a plant is drawn at this emitter (the section puts it at its middle one)."""
    return any(
        p.id == emitter.plant and p.along_m == emitter.along_m and p.height_m == emitter.height_m
        for p in section.plants
    )


def _hose(drawing: Drawing, emitter: SectionEmitter | None, x: float, frame: _Frame) -> None:
    """As high as the water would stand in it now; none where no water comes."""
    if emitter is None or not emitter.heads_m or emitter.flows_lph[0] < REACHED_LPH:
        return
    foot, top = emitter.height_m, emitter.height_m + emitter.heads_m[0]
    drawing.paths.append(Path("hose", _d([(x, frame.y(foot)), (x, frame.y(top))])))
    drawing.paths.append(Path("hose top", _d([(x - 3.5, frame.y(top)), (x + 3.5, frame.y(top))])))


def _short(name: str) -> str:
    return name if len(name) <= LETTERS_MAX else name[: LETTERS_MAX - 1] + "…"


def gets_words(plant: SectionPlant, units: DisplayUnits) -> str:
    """What a plant gets while its zone is open now, or that it is not reached."""
    look = reach(plant.flows_lph)
    return show_flow(plant.flows_lph[0], units) if look in ("reached", "dries") else REACH_WORDS[look]


def _level_names(
    drawing: Drawing, section: LongSection, levels: Levels, frame: _Frame, units: DisplayUnits
) -> None:
    brim_m = section.brim_m - section.outlet_m
    named: list[tuple[str, str, float]] = [("brim", "full", brim_m)]
    if levels.now_m is not None:
        named.append(("now", "now", levels.now_m))
    if levels.after_m is not None and levels.now_m is not None and levels.now_m - levels.after_m > 0.0005:
        named.append(("after", "after", levels.after_m))
    if levels.reserve_m > 0.0:
        named.append(("reserve", "reserve", levels.reserve_m))
    named.append(("zero", "outlet", 0.0))
    form = drawing.format
    wanted = [frame.y(section.outlet_m + level) for _, _, level in named]
    spots = kept_inside(wanted, form.line, TOP - 6.0, drawing.height)
    right = form.left - 12.0
    for (look, name, level), y, spot in zip(named, wanted, spots, strict=True):
        text = name if look == "zero" else f"{name} {level_text(level, units)}"
        drawing.words.append(Words(f"level {look}", right, spot + 4.0, text, "end"))
        end = _standing(section, frame)[-1]
        left_wall = end[1] - 0.5 * end[0].width_m * frame.barrel
        drawing.paths.append(Path(f"tie {look}", _d([(right + 3.0, spot), (left_wall, y)])))
    if levels.now_m is None:
        look, text = ("level told", "told empty") if levels.told_empty else ("level unknown", "not known")
        drawing.words.append(Words(look, right, frame.y(section.outlet_m + 0.5 * brim_m) + 4.0, text, "end"))


def level_text(level_m: float, units: DisplayUnits) -> str:
    """To the centimetre or half inch: no level is known better."""
    if units == "us":
        return f"{round(2.0 * level_m / METRE_PER_INCH) / 2.0:g} in"
    return f"{100.0 * level_m:.0f} cm"
