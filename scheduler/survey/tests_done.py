"""What a fitter wrote down at each test, as values that are kept for good.

A record holds only what was read, in SI with the unit in the name; what follows from it is worked out anew by
the analyses, so that a better analysis betters old tests. A record is never changed: a corrected one names in
``replaces`` the number of the one that it stands for. Levels are metres above the outlet.
"""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Annotated, Literal

from pydantic import AfterValidator, AwareDatetime, BaseModel, ConfigDict, Field, TypeAdapter, model_validator

from scheduler.survey.site_mark import SiteMark, changed_parts, site_mark

__all__ = [
    "KINDS",
    "Can",
    "CatchCans",
    "Draw",
    "Flush",
    "HandLevel",
    "HeadFlow",
    "LeakAtRest",
    "LineFlushed",
    "PourRead",
    "Poured",
    "PrimeTime",
    "RestReading",
    "SensorScale",
    "SiteMark",
    "TestKind",
    "TestRecord",
    "TravelTimes",
    "Trim",
    "TurnDone",
    "WetPlace",
    "WetWalk",
    "changed_parts",
    "read_record",
    "record_json",
    "site_mark",
]

TestKind = Literal[
    "sensor_scale",
    "leak_at_rest",
    "wet_walk",
    "flush",
    "prime_time",
    "head_flow",
    "catch_cans",
    "trim",
    "travel_times",
    "poured",
]
# In the order in which they are done on the day.
KINDS: tuple[TestKind, ...] = (
    "poured",
    "sensor_scale",
    "leak_at_rest",
    "travel_times",
    "wet_walk",
    "flush",
    "prime_time",
    "head_flow",
    "catch_cans",
    "trim",
)


def _utc(moment: datetime) -> datetime:
    return moment.astimezone(UTC)


Moment = Annotated[AwareDatetime, AfterValidator(_utc)]
Seconds = Annotated[float, Field(gt=0.0)]
Litres = Annotated[float, Field(ge=0.0)]


class _Value(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)


class _Record(_Value):
    """``at``: when the test ended. ``who``: the person, for the sheet."""

    zone: str | None = None
    at: Moment
    who: str = Field(min_length=1)
    note: str = ""
    replaces: int | None = None


class HandLevel(_Value):
    """A level measured by hand, and the sensor's raw value at that moment. ``air_c``: the air's temperature
    under the lid, for an echo sensor."""

    level_m: float
    raw: float
    air_c: float | None = None


class SensorScale(_Record):
    """The level sensor against a ruler, at two or more levels."""

    kind: Literal["sensor_scale"] = "sensor_scale"
    readings: tuple[HandLevel, ...] = Field(min_length=1)


class RestReading(_Value):
    """A level while everything was shut. ``water_c``: temperature of the water; ``air_c``: of the air under
    the lid, for an echo sensor whose level was taken at 20 degC."""

    at: Moment
    level_m: float
    water_c: float | None = None
    air_c: float | None = None


class LeakAtRest(_Record):
    """All valves shut for half a day or more. ``by``: how the levels were read. ``covered``: lids are on, so
    next to nothing evaporates. ``rain_mm``: rain meanwhile; ``downpipe_off``: the roof's rain ran elsewhere.
    ``evaporation_mm``: lost by an open surface meanwhile (a dish beside it); None: not known."""

    kind: Literal["leak_at_rest"] = "leak_at_rest"
    readings: tuple[RestReading, ...] = Field(min_length=2)
    by: Literal["hand", "sensor"] = "hand"
    covered: bool = True
    rain_mm: float | None = Field(None, ge=0.0)
    downpipe_off: bool = True
    evaporation_mm: float | None = Field(None, ge=0.0)


class WetPlace(_Value):
    """A place that was wet. ``flow_lph``: as caught in a cup, if it was."""

    where: str = Field(min_length=1)
    mended: bool
    flow_lph: float | None = Field(None, ge=0.0)


class WetWalk(_Record):
    """The lines walked with the valve open. ``valve_drips``: water still came long after the valve was shut;
    None: not looked at."""

    kind: Literal["wet_walk"] = "wet_walk"
    zone: str
    level_m: float | None = None
    places: tuple[WetPlace, ...] = ()
    valve_drips: bool | None = None


class LineFlushed(_Value):
    """One line flushed through its open end."""

    line: str
    clear: bool
    run_s: Seconds | None = None
    volume_l: Litres | None = None


class Flush(_Record):
    kind: Literal["flush"] = "flush"
    zone: str
    level_m: float | None = None
    lines: tuple[LineFlushed, ...] = Field(min_length=1)


class PrimeTime(_Record):
    """From opening the valve to the first steady drip at the farthest emitter. ``emptied``: the lines were
    empty before; False: as a run before had left them."""

    kind: Literal["prime_time"] = "prime_time"
    zone: str
    level_m: float
    prime_s: Seconds
    emitter: str | None = None
    emptied: bool = True


class Draw(_Value):
    """The primed zone open for a time. ``volume_l``: all that its emitters gave meanwhile, caught; None: told
    by the fall of the level from ``level_m`` to ``level_end_m``, both at rest."""

    level_m: float
    level_end_m: float | None = None
    run_s: Seconds
    volume_l: Litres | None = None

    @model_validator(mode="after")
    def _some_litres(self) -> Draw:
        if self.volume_l is None and self.level_end_m is None:
            raise ValueError("give the litres caught, or the level at the end")
        return self


class HeadFlow(_Record):
    """The zone's flow at several levels."""

    kind: Literal["head_flow"] = "head_flow"
    zone: str
    draws: tuple[Draw, ...] = Field(min_length=1)
    water_c: float | None = None


class Can(_Value):
    """``volume_l`` None: no can stood there, or it was spilt. ``run_s``: where this can stood for another
    time than the others."""

    emitter: str
    volume_l: Litres | None
    run_s: Seconds | None = None


class CatchCans(_Record):
    """Cans under the emitters of a primed zone for one time. ``drawn_l``: all that was drawn meanwhile, by a
    bucket or a meter, if known. ``round``: 1 before any trimming."""

    kind: Literal["catch_cans"] = "catch_cans"
    zone: str
    level_m: float
    level_end_m: float | None = None
    run_s: Seconds
    cans: tuple[Can, ...] = Field(min_length=1)
    drawn_l: Litres | None = None
    water_c: float | None = None
    round: int = Field(1, ge=1)

    @property
    def measured(self) -> tuple[float, ...]:
        """Litres of the cans that were measured; 0 is a can that stood and stayed dry."""
        return tuple(can.volume_l for can in self.cans if can.volume_l is not None)


class TurnDone(_Value):
    """A bubbler that was turned. ``volume_l`` in ``run_s``: caught right after, if it was. ``wide_open``: it
    goes no further."""

    emitter: str
    volume_l: Litres | None = None
    run_s: Seconds | None = None
    wide_open: bool = False


class Trim(_Record):
    """One trimming round. The cans of the next ``catch_cans`` show what came of it."""

    kind: Literal["trim"] = "trim"
    zone: str
    level_m: float | None = None
    turns: tuple[TurnDone, ...]
    round: int = Field(1, ge=1)


class TravelTimes(_Record):
    """Seconds from the order until the valve stood fully open, and until it was fully shut, each time."""

    kind: Literal["travel_times"] = "travel_times"
    zone: str
    opening_s: tuple[Seconds, ...] = Field(min_length=1)
    closing_s: tuple[Seconds, ...] = Field(min_length=1)


class PourRead(_Value):
    """Litres poured in since the reading before (negative: drawn off; of the first it does not count), and
    the level after it came to rest."""

    added_l: float
    level_m: float


class Poured(_Record):
    kind: Literal["poured"] = "poured"
    pours: tuple[PourRead, ...] = Field(min_length=2)


TestRecord = Annotated[
    SensorScale
    | LeakAtRest
    | WetWalk
    | Flush
    | PrimeTime
    | HeadFlow
    | CatchCans
    | Trim
    | TravelTimes
    | Poured,
    Field(discriminator="kind"),
]
_RECORD: TypeAdapter[TestRecord] = TypeAdapter(TestRecord)


def record_json(record: TestRecord) -> str:
    """The record as JSON; what was left at its default is written too."""
    return record.model_dump_json()


def read_record(data: str | bytes | dict[str, object]) -> TestRecord:
    """A record from its JSON, or from plain values. Raises pydantic's ValidationError."""
    if isinstance(data, dict):
        return _RECORD.validate_python(data)
    return _RECORD.validate_json(data)
