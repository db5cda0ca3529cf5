"""What is answered of a garden as drawn: examples, check, survey, what-if, plants."""

from __future__ import annotations

from scheduler.report.answers.base import Answer


class ExampleAnswer(Answer):
    name: str
    summary: str


class ExamplesAnswer(Answer):
    examples: list[ExampleAnswer]


class ProblemAnswer(Answer):
    file: str
    line: int | None
    key: str
    read: str
    remedy: str


class CheckAnswer(Answer):
    """``doubts``: sentences about what looks like a slip of the pen in a file without mistakes."""

    ok: bool
    problems: list[ProblemAnswer]
    doubts: list[str] = []


class EmitterAnswer(Answer):
    """``weakens_m``, ``stops_m``: None where it gets nothing even from full barrels. ``head_parts_m`` add up
    to the static head."""

    id: str
    plant: str | None
    head_m: float
    flow_lph: float
    weakens_m: float | None = None
    stops_m: float | None = None
    static_head_m: float | None = None
    head_parts_m: dict[str, float] = {}


class PlantSurveyAnswer(Answer):
    id: str
    flow_lph: float
    weakens_m: float | None
    stops_m: float | None


class ZoneSurveyAnswer(Answer):
    id: str
    flow_lph: float
    du_low_quarter: float | None
    worst_emitter_stops_m: float | None
    dead_storage_l: float | None
    emitters: list[EmitterAnswer]
    plants: list[PlantSurveyAnswer] = []
    du_per_litre_wanted: float | None = None
    uniformity_class: str | None = None  # of du_per_litre_wanted
    emission_uniformity: float | None = None
    statistical_uniformity: float | None = None
    du_low_quarter_emitters: float | None = None
    prime_s: float | None = None
    prime_volume_l: float | None = None
    link_gap_m: float | None = None
    flow_share_at_5c: float | None = None
    flow_share_at_30c: float | None = None
    longest_laterals_m: dict[str, float] = {}  # by line, for a spread of flow of a tenth


class AdviceZoneAnswer(Answer):
    """What a cure does in one zone. ``worst_plant``: least served there as it is, at half."""

    id: str
    evenness_before: float
    evenness_after: float
    reach_before: float
    reach_after: float
    worst_plant: str | None
    worst_lph_before: float | None
    worst_lph_after: float | None


class AdviceAnswer(Answer):
    """``evenness`` and ``reach`` of the garden: the mean of its ``zones``."""

    kind: str
    zone: str | None
    changes: list[str]
    hours: float
    gain: float
    evenness_before: float
    evenness_after: float
    reach_before: float
    reach_after: float
    worst_plant: str | None = None  # least served as it is, at half
    worst_lph_before: float | None = None
    worst_lph_after: float | None = None
    dry_after: list[str] = []  # plants that get nothing at half
    zones: list[AdviceZoneAnswer] = []


class SurveyAnswer(Answer):
    level_m: float
    zones: list[ZoneSurveyAnswer]
    findings: list[str]
    advice: list[AdviceAnswer] | None = None  # None: not asked for
    pictures: list[str] | None = None  # the files drawn


class PlantSideAnswer(Answer):
    id: str
    flows_lph: list[float]  # at full, half and low
    stops_m: float | None


class ZoneSideAnswer(Answer):
    id: str
    du_low_quarter: list[float | None]  # at full, half and low
    dead_storage_l: float
    outside_measured: list[list[str]] = []  # emitters asked outside the heads of their curve, at each level


class GardenSideAnswer(Answer):
    name: str
    levels_m: list[float]
    full_l: float
    plants: list[PlantSideAnswer]
    zones: list[ZoneSideAnswer]


class CompareAnswer(Answer):
    """Two gardens, what was asked about first as it is."""

    before: GardenSideAnswer
    after: GardenSideAnswer
    changes: list[str]
    lengthened_m: dict[str, float] = {}  # lines that the changes make longer, and to what length
    pictures: list[str] | None = None  # files that were drawn of both, if that was asked for


class KindAnswer(Answer):
    """A kind of plant. ``use_share``: of the reference evapotranspiration, at its thirstiest."""

    key: str
    names: list[str]
    use_share: float | None
    root_depth_m: float
    readily_available_share: float
    young_woody: bool
    source: str


class KindsAnswer(Answer):
    kinds: list[KindAnswer]
