"""A survey as the object and the tables that people and programs read."""

from __future__ import annotations

from scheduler.report.answers import EmitterAnswer, SurveyAnswer, ZoneSurveyAnswer
from scheduler.report.plan import Columns, Rows
from scheduler.site.model import Site
from scheduler.site.showing import show_flow, show_length, show_volume
from scheduler.survey.survey import survey


def survey_answer(site: Site, level_m: float) -> SurveyAnswer:
    """Every emitter's head and flow at a level above the outlet, each zone open alone."""
    result = survey(site, level_m)
    return SurveyAnswer(
        level_m=level_m,
        zones=[
            ZoneSurveyAnswer(
                id=z.id,
                flow_lph=z.flow_lph,
                du_low_quarter=z.du_low_quarter,
                worst_emitter_stops_m=z.worst_emitter_stops_m,
                dead_storage_l=z.dead_storage_l,
                emitters=[
                    EmitterAnswer(id=e.id, plant=e.plant, head_m=e.head_m, flow_lph=e.flow_lph)
                    for e in z.emitters
                ],
            )
            for z in result.zones
        ],
        findings=list(result.findings),
    )


def stops_words(site: Site, stops_m: float | None, dead_l: float | None) -> str:
    """Down to which level every emitter of a zone flows, in words."""
    if stops_m is None:
        return "some emitter gets nothing even from full barrels"
    if stops_m <= 0.0:
        return "every emitter flows as long as water reaches the outlet"
    length, volume = show_length(stops_m, site.units), show_volume(dead_l, site.units)
    return f"its worst emitter stops at {length}, where {volume} stay in the barrels"


def survey_rows(site: Site, answer: SurveyAnswer) -> list[tuple[str, Columns, Rows]]:
    """One table a zone."""
    units = site.units
    tables: list[tuple[str, Columns, Rows]] = []
    for z in answer.zones:
        title = (
            f"Zone {site.zone(z.id).name} at a level of {show_length(answer.level_m, units)}: "
            f"{show_flow(z.flow_lph, units)}; {stops_words(site, z.worst_emitter_stops_m, z.dead_storage_l)}"
        )
        rows = [
            [
                e.id,
                site.plant(e.plant).name if e.plant else "-",
                show_length(e.head_m, units),
                show_flow(e.flow_lph, units) if e.flow_lph > 0 else "dry",
            ]
            for e in z.emitters
        ]
        tables.append(
            (title, [("emitter", "left"), ("plant", "left"), ("head", "right"), ("flow", "right")], rows)
        )
    return tables
