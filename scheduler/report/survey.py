"""A survey as the object and the tables that people and programs read."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from scheduler.planning.garden import GardenModel
from scheduler.report.answers import (
    AdviceAnswer,
    AdviceZoneAnswer,
    EmitterAnswer,
    PlantSurveyAnswer,
    SurveyAnswer,
    ZoneSurveyAnswer,
)
from scheduler.report.survey_water import filling_words, warmth_words
from scheduler.site.model import DisplayUnits, Site
from scheduler.site.showing import (
    show_duration,
    show_flow,
    show_length,
    show_share,
    show_volume,
)
from scheduler.supply.stage import stage_storage
from scheduler.survey.laterals import SPREAD_MAX
from scheduler.survey.levels import WEAK_SHARE
from scheduler.survey.sentences import show_height, volume_word
from scheduler.survey.survey import ZoneSurvey, survey

if TYPE_CHECKING:
    from scheduler.report.plan import Columns, Rows
    from scheduler.survey.advice import Advice

# US gallon of 231 cubic inches (NIST Handbook 44).
LITRE_PER_GALLON = 3.785411784
# With less static head its parts are rounding, and their shares nonsense (a choice of this project).
LEAST_HEAD_M = 0.005
# Water at garden temperatures, to the digits shown.
WATER_KG_PER_L = 1.0
KG_PER_LB = 0.45359237  # exact, by definition (NIST Handbook 44)
PART_WORDS = {
    "hose": "outlet and hose",
    "filter": "filter",
    "valve": "valve",
    "main": "main",
    "lateral": "lateral",
    "emitter": "left at the emitter",
}


def survey_answer(
    site: Site, level_m: float, *, advice: bool = False, model: GardenModel | None = None
) -> SurveyAnswer:
    """Every emitter's head and flow at a level above the outlet, each zone open alone. ``model``: of the
    site, when it is at hand."""
    result = survey(site, level_m, model=model)
    return SurveyAnswer(
        level_m=level_m,
        zones=[_zone_answer(z) for z in result.zones],
        findings=list(result.findings),
        advice=_advice(site) if advice else None,
    )


def _advice(site: Site) -> list[AdviceAnswer]:
    from scheduler.survey.advice import advise  # loaded by those who ask for it

    return [advice_answer(a) for a in advise(site)]


def _zone_answer(z: ZoneSurvey) -> ZoneSurveyAnswer:
    levels = z.levels
    assert levels is not None
    weak, stop = _levels(levels.emitter_weakens_m), _levels(levels.emitter_stops_m)
    plant_weak = dict(zip(levels.plants, _levels(levels.plant_weakens_m), strict=True))
    plant_stop = dict(zip(levels.plants, _levels(levels.plant_stops_m), strict=True))
    return ZoneSurveyAnswer(
        id=z.id,
        flow_lph=z.flow_lph,
        du_low_quarter=z.du_low_quarter,
        worst_emitter_stops_m=z.worst_emitter_stops_m,
        dead_storage_l=z.dead_storage_l,
        emitters=[
            EmitterAnswer(
                id=e.id,
                plant=e.plant,
                head_m=e.head_m,
                flow_lph=e.flow_lph,
                weakens_m=weak[i],
                stops_m=stop[i],
                static_head_m=z.budgets[i].static_m,
                head_parts_m={str(part): m for part, m in z.budgets[i].parts_m.items()},
            )
            for i, e in enumerate(z.emitters)
        ],
        plants=[
            PlantSurveyAnswer(
                id=p.id, flow_lph=p.flow_lph, weakens_m=plant_weak[p.id], stops_m=plant_stop[p.id]
            )
            for p in z.plants
        ],
        du_per_litre_wanted=z.du_wanted,
        uniformity_class=z.grade,
        emission_uniformity=z.emission,
        statistical_uniformity=z.statistical,
        du_low_quarter_emitters=z.du_emitters,
        prime_s=z.prime_s,
        prime_volume_l=z.prime_volume_l,
        link_gap_m=z.link_gap_m,
        flow_share_at_5c=z.cold_share,
        flow_share_at_30c=z.warm_share,
        longest_laterals_m={x.line: x.length_m for x in z.laterals},
    )


def _levels(values: NDArray[np.float64]) -> list[float | None]:
    return [x if math.isfinite(x) else None for x in values.tolist()]


def advice_answer(a: Advice) -> AdviceAnswer:
    after = a.after_as_before
    return AdviceAnswer(
        kind=a.kind,
        zone=a.zone,
        changes=list(a.changes),
        hours=a.hours,
        gain=a.gain,
        evenness_before=a.before.evenness,
        evenness_after=after.evenness,
        reach_before=a.before.reach,
        reach_after=after.reach,
        worst_plant=a.before.worst,
        worst_lph_before=a.before.half_lph.get(a.before.worst or ""),
        worst_lph_after=a.after.half_lph.get(a.before.worst or ""),
        dry_after=list(a.after.dry),
        zones=[
            AdviceZoneAnswer(
                id=z,
                evenness_before=was.evenness,
                evenness_after=now.evenness,
                reach_before=was.reach,
                reach_after=now.reach,
                worst_plant=was.worst,
                worst_lph_before=a.before.half_lph.get(was.worst or ""),
                worst_lph_after=a.after.half_lph.get(was.worst or ""),
            )
            for z, (was, now) in a.zones.items()
        ],
    )


def stops_words(
    site: Site, stops_m: float | None, dead_l: float | None, first_dry: Sequence[str] = ()
) -> str:
    """Down to which level every emitter of a zone flows, in words; ``first_dry``: whom it leaves first."""
    if stops_m is None:
        return "some emitter gets nothing even from full barrels"
    if stops_m <= 0.0:
        return "every emitter flows as long as water reaches the outlet"
    length, volume = show_height(stops_m, site.units), show_volume(dead_l, site.units)
    if first_dry:
        return (
            f"below {length} the water no longer reaches {', '.join(first_dry)}; the zone is then not "
            f"watered, and {volume} stay in the barrels"
        )
    return f"its worst emitter stops at {length}, where {volume} stay in the barrels"


def survey_rows(site: Site, answer: SurveyAnswer) -> list[tuple[str, Columns, Rows]]:
    """One table a zone; the outlets of a tube that feed one plant share a row."""
    units = site.units
    height = height_column(units)
    tables: list[tuple[str, Columns, Rows]] = []
    columns: Columns = [("emitter", "left"), ("plant", "left")]
    columns += [(name, "right") for name in ("head", "flow", "weak below", "stops below")]
    for z in answer.zones:
        blocked = {e.id for e in z.emitters if is_blocked(e, answer.level_m)}
        passing = z.flow_lph - sum(e.flow_lph for e in z.emitters if e.id in blocked)
        title = (
            f"Zone {site.zone(z.id).name} at a level of {show_height(answer.level_m, units)}: "
            f"{show_flow(passing, units)}; {stops_words(site, z.worst_emitter_stops_m, z.dead_storage_l)}"
        )
        groups = _groups(site, z)
        flow = flow_column([e.flow_lph for e in z.emitters], units)
        rows = [
            [
                name,
                site.plant(es[0].plant).name if es[0].plant else "-",
                _range(height, [e.head_m for e in es])
                + (" (above the water)" if min(e.head_m for e in es) <= 0.0 else ""),
                _flow_words(flow, es, blocked),
                highest(height, [e.weakens_m for e in es]),
                highest(height, [e.stops_m for e in es]),
            ]
            for name, es in groups
        ]
        tables.append((title, columns, rows))
    return tables


def is_blocked(e: EmitterAnswer, level_m: float) -> bool:
    """The line to it passes a place above the water: full, it would flow (so the solver has it, as EPANET);
    in a garden, whose lines stand open to the air, none passes."""
    return e.flow_lph > 0.0 and (e.stops_m is None or level_m <= e.stops_m)


def _flow_words(flow: Show, es: list[EmitterAnswer], blocked: set[str]) -> str:
    if any(e.id in blocked for e in es):
        return "no water passes"
    return _range(flow, [e.flow_lph for e in es]) if max(e.flow_lph for e in es) > 0 else "dry"


def _groups(site: Site, z: ZoneSurveyAnswer) -> list[tuple[str, list[EmitterAnswer]]]:
    """Emitters row by row: a bubbler alone, the outlets of one tube at one plant together."""
    line_of = {
        e.id: (line.id, e.form) for line in site.zone(z.id).lines for p in line.points for e in p.emitters
    }
    found: dict[tuple[str, str | None], list[EmitterAnswer]] = {}
    for e in z.emitters:
        line, form = line_of[e.id]
        key = (line, e.plant) if form == "inline" else (f"={e.id}", e.plant)
        found.setdefault(key, []).append(e)
    return [
        (key[0][1:] if key[0][0] == "=" else f"{key[0]} ({len(es)} outlets)", es) for key, es in found.items()
    ]


Show = Callable[[float], str]


def height_column(units: DisplayUnits) -> Show:
    """How levels and heads of a table are written: as in the words below it."""
    return lambda x: show_height(x, units)


def flow_column(values_lph: list[float], units: DisplayUnits) -> Show:
    """How a column of flows is written: one unit for all of it."""
    if units == "us":
        if max(values_lph, default=0.0) / LITRE_PER_GALLON >= 60.0:
            return lambda x: f"{x / LITRE_PER_GALLON / 60.0:.3f} gpm"
        return lambda x: f"{x / LITRE_PER_GALLON:.2f} gph"
    return lambda x: f"{x:.2f} L/h"


def _range(show: Show, values: list[float]) -> str:
    low, high = show(min(values)), show(max(values))
    return high if low == high else f"{low.split(' ')[0]}-{high}"


def highest(show: Show, values: list[float | None]) -> str:
    known = [x for x in values if x is not None]
    if len(known) < len(values):
        return "never flows"
    text = show(max(known))
    return "outlet" if max(known) <= 0.0 or text.startswith("0.0 ") else text


def zone_lines(site: Site, answer: SurveyAnswer) -> list[str]:
    """Evenness, where the head goes, filling and temperature, one paragraph a zone."""
    rule = (
        f"Weak: below {show_share(WEAK_SHARE)} of what it gives from full barrels. Levels are above the "
        "outlet. A value between two bands of uniformity takes the lower one's name."
    )
    return [rule, *(line for z in answer.zones for line in _zone_words(site, z))]


def _zone_words(site: Site, z: ZoneSurveyAnswer) -> list[str]:
    name = site.zone(z.id).name
    if z.du_low_quarter is None:
        return [f"Zone {name}: dry at this level."]
    even, volume = f"Zone {name}: ", volume_word(site.units)
    if z.du_per_litre_wanted is not None:
        share = show_share(z.du_per_litre_wanted)
        even += (
            f"for each {volume} that the plants want, low-quarter uniformity {share} ({z.uniformity_class}); "
        )
    even += f"in plain {volume}s by plant {show_share(z.du_low_quarter)}"
    if z.emission_uniformity is not None and z.statistical_uniformity is not None:
        even += (
            f", emission uniformity {_uniformity(z.emission_uniformity)}, "
            f"statistical {_uniformity(z.statistical_uniformity)}"
        )
    even += f"; by emitter {show_share(z.du_low_quarter_emitters)}."
    under = [e for e in z.emitters if (e.static_head_m or 0.0) > 0.0] or z.emitters
    worst = min(under, key=lambda e: e.head_m)
    lines = [even]
    if worst.static_head_m is not None and 0.0 < worst.static_head_m < LEAST_HEAD_M:
        lines.append(
            f"No head is left to share out at {worst.id}: the water stands "
            f"{show_height(worst.static_head_m, site.units)} above it."
        )
    elif worst.static_head_m is not None and worst.static_head_m > 0.0 >= worst.head_m:
        lines.append(
            f"No head is left at {worst.id}, {show_height(worst.static_head_m, site.units)} below the water: "
            "what flows to the others uses it up."
        )
    elif worst.static_head_m is not None and worst.static_head_m > 0.0:
        parts = ", ".join(
            f"{PART_WORDS[part]} {show_height(m, site.units)} ({show_share(m / worst.static_head_m)})"
            for part, m in worst.head_parts_m.items()
        )
        lines.append(f"Of {show_height(worst.static_head_m, site.units)} static head at {worst.id}: {parts}.")
    lines.append(f"{filling_words(site, z)} {warmth_words(site, z)}")
    allowed = show_share(SPREAD_MAX)
    for line, longest_m in z.longest_laterals_m.items():
        lines.append(
            f"Line {line}, carried on as it is laid, keeps its emitters within {allowed} up to "
            f"{show_length(longest_m, site.units)}."
            if longest_m > 0.0
            else f"Line {line}: no two emitters at its slope and spacing stay within {allowed}."
        )
    return lines


def _uniformity(share: float) -> str:
    """Where flows scatter by more than their mean these measures fall below nothing."""
    return show_share(share) if share >= 0.0 else "not meaningful"


def advice_lines(site: Site, answer: SurveyAnswer) -> list[str]:
    """Advice in order, each with its effect and effort."""
    if not answer.advice:
        return ["Nothing that was tried makes a difference worth the work."]
    lines = [
        "Most effect for each hour of work first, but what leaves a plant dry at half and what helps "
        "little come last; each was solved again. Evenness is a zone's low-quarter uniformity for each "
        f"{volume_word(site.units)} wanted, mean of full, half and low; reach, the share of the stored "
        "water that reaches every emitter of the zone. Zones that stay as they are are left out:",
    ]
    lines += [f"{n}. {advice_words(site, a)}" for n, a in enumerate(answer.advice, 1)]
    if any(a.kind == "raise" for a in answer.advice):
        lines.append(stand_words(site))
    return lines


def advice_words(site: Site, a: AdviceAnswer) -> str:
    """What to do, as ``--what-if`` reads it; what it brings in each zone that it changes, whom it leaves dry,
    whose bubblers are turned, and the effort."""
    zones = [z for z in a.zones if _is_changed(z)] or [z for z in a.zones if z.id == a.zone]
    said = [_zone_effect(site, z, bool(a.dry_after)) for z in zones]
    if a.dry_after:
        dry = ", ".join(site.plant(p).name for p in a.dry_after)
        said.append(f"at half {dry} {'stays' if len(a.dry_after) == 1 else 'stay'} dry")
    if turned := _plants_of(site, a):
        said.append(f"these are the bubblers of {' and of '.join(turned)}")
    return f"{_in_one(a.changes)}: {'; '.join(said)}; about {_effort(a.hours)}."


def _effort(hours: float) -> str:
    """A guess of the work: minutes below an hour, halves of an hour beyond."""
    return show_duration(3600.0 * hours) if hours < 1.0 else f"{round(2.0 * hours) / 2.0:g} h"


def _is_changed(z: AdviceZoneAnswer) -> bool:
    both = (z.evenness_before, z.evenness_after), (z.reach_before, z.reach_after)
    return any(show_share(was) != show_share(now) for was, now in both)


def _zone_effect(site: Site, z: AdviceZoneAnswer, some_stay_dry: bool) -> str:
    even = f"evenness of {site.zone(z.id).name} {_shares(z.evenness_before, z.evenness_after)}"
    said = f"{even}, reach {_shares(z.reach_before, z.reach_after)}"
    if some_stay_dry or z.worst_plant is None or z.worst_lph_before is None:
        return said
    flows = (z.worst_lph_before, z.worst_lph_after)
    was, now = (show_flow(q, site.units) if q else "dry" for q in flows)
    return said if was == now else f"{said}, {site.plant(z.worst_plant).name} at half {was} to {now}"


def _shares(before: float, after: float) -> str:
    was, now = show_share(before), show_share(after)
    return f"still {now}" if was == now else f"{was} to {now}"


def _in_one(changes: list[str]) -> str:
    """Changes in a row; neighbours that are turned alike share their words."""
    said: list[tuple[str, list[str], str]] = []
    for change in changes:
        word, _, rest = change.partition(" ")
        name, _, amount = rest.partition(" ")
        if word not in ("open", "close") or not amount.endswith("%"):
            said.append((change, [], ""))
        elif said and (said[-1][0], said[-1][2]) == (word, amount):
            said[-1][1].append(name)
        else:
            said.append((word, [name], amount))
    return ", then ".join(
        f"{word} {', '.join(names)} by {amount} of {'its' if len(names) == 1 else 'their'} flow"
        if names
        else word
        for word, names, amount in said
    )


def _plants_of(site: Site, a: AdviceAnswer) -> list[str]:
    """Whose bubblers are turned, in turning order; empty: it is no trimming."""
    if a.kind != "trim":
        return []
    plant_of = {e.id: e.plant for z in site.zones for e in z.emitters}
    plants = dict.fromkeys(plant_of[change.split()[1]] for change in a.changes)
    return [site.plant(p).name for p in plants if p is not None]


def stand_words(site: Site) -> str:
    """The usual caution about a higher stand."""
    stage = stage_storage(site.tank)
    kg = (stage.full_l + stage.litres_below_outlet) * WATER_KG_PER_L
    weight = f"{kg / KG_PER_LB:.0f} lb" if site.units == "us" else f"{kg:.0f} kg"
    return (
        f"Caution: full barrels weigh {weight} and more. A higher stand must carry that on firm ground and "
        "must not tip or be climbed; local building rules come first, and above knee height let a builder "
        "look at it."
    )
