"""What each test asks of the fitter: the one table behind the guided questions and the files of tests.

A form has entries of the whole test, and rows (readings, draws, cans). An entry's ``name`` is its key in a
file, its ``about`` the question at the terminal. Steps stand in the order of the day.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any
from zoneinfo import ZoneInfo

from scheduler.site.fields import Field, Flag, Json, Number, Quantity, Text, Word, refuse
from scheduler.site.model import Site, Zone
from scheduler.survey.tests_done import KINDS, TestKind, TestRecord, read_record

# Steps by the words that people type.
STEPS: Mapping[str, TestKind] = {kind.replace("_", "-"): kind for kind in KINDS}
STEP_OF: Mapping[TestKind, str] = {kind: step for step, kind in STEPS.items()}
GARDEN_STEPS: tuple[TestKind, ...] = ("poured", "sensor_scale", "leak_at_rest")


class _MinutesLong(Quantity):
    """A time that takes minutes, so that its example does not mislead."""

    def schema(self) -> Json:
        return {**super().schema(), "examples": ["6 min", "90 s"]}


# These only catch slips of the pen; whether a value fits this garden is asked by ``scheduler.survey.sense``.
LEVEL = Quantity("length", -10.0, 20.0, "from -10 m to 20 m")
VOLUME = Quantity("volume", 0.0, 50_000.0, "from 0 to 50000 L")
SIGNED_VOLUME = Quantity("volume", -50_000.0, 50_000.0, "up to 50000 L")
TIME = Quantity("duration", 0.0, 86_400.0, "above 0, at most a day", above_least=True)
MINUTES = _MinutesLong("duration", 0.0, 86_400.0, "above 0, at most a day", above_least=True)
WARMTH = Quantity("temperature", -40.0, 70.0, "from -40 to 70 C")
FLOW = Quantity("flow", 0.0, 5000.0, "from 0 to 5000 L/h")
RAIN = Quantity("rain", 0.0, 500.0, "from 0 to 500 mm")
COUNTS = Number(-1e9, 1e9)


@dataclass(frozen=True, slots=True)
class Moment:
    """A day and time in the garden's own time; in a file also a TOML date-time."""

    zone: ZoneInfo

    def read(self, value: object) -> datetime:
        found: datetime | None = None
        if isinstance(value, datetime):
            found = value
        elif isinstance(value, str):
            try:
                found = datetime.fromisoformat(value.strip())
            except ValueError:
                found = None
        if found is None or (isinstance(value, str) and ":" not in value):
            raise refuse(value, 'write day and time, such as "2031-05-02 17:30"')
        return (found if found.tzinfo else found.replace(tzinfo=self.zone)).astimezone(UTC)

    def schema(self) -> Json:
        return {"type": "string", "examples": ["2031-05-02 17:30"]}


@dataclass(frozen=True, slots=True)
class Form:
    """One step. ``rows``: name of a row in a file, such as "can"; "" for none. ``given``: rows that are laid
    down beforehand (each emitter, each line), as (entry, value). ``names``: entry -> field of the record."""

    kind: TestKind
    title: str
    words: str
    cautions: str
    head: tuple[Field, ...] = ()
    rows: str = ""
    row: tuple[Field, ...] = ()
    least: int = 0
    given: tuple[tuple[str, str], ...] = ()
    opens_valve: bool = False

    @property
    def step(self) -> str:
        return self.kind.replace("_", "-")

    @property
    def asked_in_row(self) -> tuple[Field, ...]:
        """The entries that a person is asked; what is laid down beforehand is not."""
        laid = {name for name, _ in self.given}
        return tuple(f for f in self.row if f.name not in laid)


# Entry -> field of the record, where they differ by more than the unit.
_FIELDS = {
    "level": "level_m",
    "level-end": "level_end_m",
    "time": "run_s",
    "volume": "volume_l",
    "water": "water_c",
    "air": "air_c",
    "rain": "rain_mm",
    "evaporation": "evaporation_mm",
    "downpipe-off": "downpipe_off",
    "flow": "flow_lph",
    "valve-drips": "valve_drips",
    "drawn": "drawn_l",
    "wide-open": "wide_open",
    "added": "added_l",
    "prime-time": "prime_s",
}
_ROWS = {
    "reading": "readings",
    "place": "places",
    "line": "lines",
    "draw": "draws",
    "can": "cans",
    "turn": "turns",
    "pour": "pours",
}


def form_of(site: Site, kind: TestKind, zone_id: str | None) -> Form:
    """The form of a step in a garden. KeyError for an unknown zone."""
    if kind in GARDEN_STEPS:
        return _garden_form(site, kind)
    assert zone_id is not None
    return _zone_form(kind, site.zone(zone_id))


def _level(about: str = "Level above the outlet") -> Field:
    return Field("level", LEVEL, about, required=True)


def _raw_words(site: Site) -> str:
    """What the raw value of the garden's sensor is."""
    echo = site.sensor is not None and site.sensor.kind == "echo"
    what = "The echo's time there and back in microseconds" if echo else "The sensor's raw counts"
    return f"{what} (read: the newest that the service keeps)"


def _garden_form(site: Site, kind: TestKind) -> Form:
    if kind == "poured":
        return Form(
            kind,
            "Litres poured against the level",
            "Start at any level. Pour in a known amount, let the water come to rest, read the level; go on "
            "to the top. The first reading is the start: nothing was poured yet.",
            "Never let a hose hang in the barrels: fill through an air gap.",
            rows="pour",
            row=(
                Field("added", SIGNED_VOLUME, "Poured in since the last reading", required=True),
                _level("Level at rest, above the outlet"),
            ),
            least=2,
        )
    if kind == "sensor_scale":
        return Form(
            kind,
            "Sensor against a ruler",
            "Read the level with a ruler or a sight tube, and at the same moment what the sensor says raw. "
            "Do it at two levels or more, as far apart as you can. The service keeps the raw values, up to "
            "half an hour late: type read there to take the newest. With no service running there are none "
            "to take: skip this step until it runs.",
            "Do not lean on a ladder against a full barrel.",
            rows="reading",
            row=(
                _level("Level by hand, above the outlet"),
                Field("raw", COUNTS, _raw_words(site), required=True),
                Field("air", WARMTH, "Air under the lid (empty: not measured)"),
            ),
            least=1,
        )
    return Form(
        kind,
        "Rest with every valve shut",
        "Shut every valve, lids on, downpipe turned away. Read the level now and again after 12 to 24 hours; "
        "you may stop here and go on tomorrow. For the time of a reading type now.",
        "Put a note on the tap, so that nobody draws a can.",
        head=(
            Field("by", Word(("hand", "sensor")), "Levels read by hand or by sensor", default="hand"),
            Field("covered", Flag(), "Are the lids on", default=True),
            Field("downpipe-off", Flag(), "Is the downpipe turned away", default=True),
        ),
        rows="reading",
        row=(
            Field("at", Moment(site.place.timezone), "Day and time of the reading", required=True),
            _level(),
            Field("water", WARMTH, "Temperature of the water (empty: not measured)"),
            Field("air", WARMTH, "Air under the lid (empty: not measured)"),
        ),
        least=2,
    )


def _zone_form(kind: TestKind, zone: Zone) -> Form:
    emitters = tuple(e.id for e in zone.emitters)
    makers = {
        "travel_times": _travel_form,
        "wet_walk": _walk_form,
        "flush": _flush_form,
        "prime_time": _prime_form,
        "head_flow": _flow_form,
        "catch_cans": _cans_form,
        "trim": _trim_form,
    }
    return makers[kind](zone, emitters)


def _travel_form(zone: Zone, _emitters: tuple[str, ...]) -> Form:
    return Form(
        "travel_times",
        f"Valve of {zone.name}: travel times",
        "Time the valve from the order until it stands open, then until it is shut; three times is best.",
        "Keep fingers out of the motor and its gears: it does not stop for them.",
        rows="travel",
        row=(
            Field("opening", TIME, "Time until open", required=True),
            Field("closing", TIME, "Time until shut", required=True),
        ),
        least=1,
        opens_valve=True,
    )


def _walk_form(zone: Zone, _emitters: tuple[str, ...]) -> Form:
    return Form(
        "wet_walk",
        f"{zone.name}: walk the lines",
        "Open the valve and walk every line to its end. Name each place that is wet where no emitter stands; "
        "then shut the valve and see whether water still comes.",
        "Wet slopes are slippery; mind the ladder and the tools on the ground.",
        head=(
            _level(),
            Field("valve-drips", Flag(), "Does water still come long after shutting (empty: not looked)"),
        ),
        rows="place",
        row=(
            Field("where", Text(), "A wet place", required=True),
            Field("mended", Flag(), "Mended", required=True),
            Field("flow", FLOW, "Its flow (empty: not caught)"),
        ),
        opens_valve=True,
    )


def _flush_form(zone: Zone, _emitters: tuple[str, ...]) -> Form:
    return Form(
        "flush",
        f"{zone.name}: flush the lines",
        "With full barrels open the end of one line at a time until the water runs clear, then put the cap "
        "on again. Main lines come before side lines.",
        "Point the open end away from people; do not let the water run under the stand.",
        head=(_level(),),
        rows="line",
        row=(
            Field("line", Word(tuple(line.id for line in zone.lines)), "Which line", required=True),
            Field("clear", Flag(), "Did it run clear", required=True),
            Field("time", TIME, "How long it ran (empty: not timed)"),
            Field("volume", VOLUME, "Water used (empty: not measured)"),
        ),
        least=1,
        given=tuple(("line", line.id) for line in zone.lines),
        opens_valve=True,
    )


def _prime_form(zone: Zone, emitters: tuple[str, ...]) -> Form:
    return Form(
        "prime_time",
        f"{zone.name}: time to prime",
        "Let the lines stand empty, open the valve, and time the first steady drip at the farthest emitter.",
        "Do not run along the beds: walk there first, and have the valve opened by a second person.",
        head=(
            _level(),
            Field("prime-time", TIME, "Time from opening to the first steady drip", required=True),
            Field("emitter", Word(emitters), "At which emitter (empty: the farthest)"),
            Field("emptied", Flag(), "Were the lines empty before", default=True),
        ),
        opens_valve=True,
    )


def _flow_form(zone: Zone, _emitters: tuple[str, ...]) -> Form:
    return Form(
        "head_flow",
        f"{zone.name}: flow at two or more levels",
        "With the lines primed, catch all that the emitters give for a time, or read the level before and "
        "after. Do it at full, half and low barrels: one level cannot tell how flow goes with head.",
        "Lift full buckets with your knees: a litre is a kilogram, a gallon more than 8 lb.",
        head=(Field("water", WARMTH, "Temperature of the water (empty: not measured)"),),
        rows="draw",
        row=(
            _level("Level at the start"),
            Field("time", MINUTES, "Time from opening to shutting", required=True),
            Field("volume", VOLUME, "Caught (empty: told by the level at the end)"),
            Field("level-end", LEVEL, "Level at the end (empty: not read)"),
        ),
        least=1,
        opens_valve=True,
    )


def _cans_form(zone: Zone, emitters: tuple[str, ...]) -> Form:
    return Form(
        "catch_cans",
        f"{zone.name}: catch cans",
        "Prime the lines. Put a can under every emitter at once, take them all away after 5 to 15 minutes, "
        "and measure each to 1 or 2 %. Leave an entry empty where no can stood or one was spilt.",
        "Glass breaks under a bed knife: use plastic or tin cans.",
        head=(
            _level("Level at the start"),
            Field("time", MINUTES, "How long the cans stood", required=True),
            Field("drawn", VOLUME, "All that was drawn meanwhile (empty: not measured)"),
            Field("level-end", LEVEL, "Level at the end (empty: not read)"),
            Field("water", WARMTH, "Temperature of the water (empty: not measured)"),
        ),
        rows="can",
        row=(
            Field("emitter", Word(emitters), "Emitter", required=True),
            Field("volume", VOLUME, "In the can"),
        ),
        least=1,
        given=tuple(("emitter", e) for e in emitters),
        opens_valve=True,
    )


def _trim_form(zone: Zone, emitters: tuple[str, ...]) -> Form:
    return Form(
        "trim",
        f"{zone.name}: turn the bubblers",
        "Turn the bubblers in the order that the cans advised, each to its reading, and type what you "
        "turned. Then set the cans out again.",
        "Turn by hand only: a plier breaks the thread.",
        head=(_level(),),
        rows="turn",
        row=(
            Field("emitter", Word(emitters), "Which bubbler", required=True),
            Field("volume", VOLUME, "Caught right after (empty: not caught)"),
            Field("time", TIME, "In what time (empty: not caught)"),
            Field("wide-open", Flag(), "Does it go no further", default=False),
        ),
        least=1,
        opens_valve=True,
    )


Row = Mapping[str, Any]


def row_values(kind: TestKind, row: Row) -> dict[str, Any]:
    """A row by the fields of the record. What was not given is left out."""
    names = dict(_FIELDS)
    if kind == "catch_cans" and "volume" not in row:
        row = {**row, "volume": None}
    return {names.get(name, name): value for name, value in row.items()}


def record_of(
    form: Form,
    head: Row,
    rows: Sequence[Row],
    *,
    zone: str | None,
    at: datetime,
    who: str,
    note: str = "",
    replaces: int | None = None,
    trims_before: int = 0,
) -> TestRecord:
    """The record of a filled form. Raises pydantic's ValidationError."""
    values: dict[str, Any] = {_FIELDS.get(name, name): value for name, value in head.items()}
    values |= {"kind": form.kind, "at": at, "who": who, "note": note, "replaces": replaces}
    if form.kind not in GARDEN_STEPS:
        values["zone"] = zone
    if form.kind == "travel_times":
        values["opening_s"] = [row["opening"] for row in rows]
        values["closing_s"] = [row["closing"] for row in rows]
    elif form.rows:
        values[_ROWS[form.rows]] = [row_values(form.kind, row) for row in rows]
    if form.kind in ("catch_cans", "trim"):
        values["round"] = trims_before + 1
    return read_record(values)
