"""The choice of how a short store is spent, with the consequences of each way, as an object and as words."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, datetime, timedelta

from scheduler.agronomy.weather import DayWeather
from scheduler.control.choosing import choices_of
from scheduler.planning.ahead import Ahead
from scheduler.planning.choices import DEFAULT_WAY, WAYS, Choices
from scheduler.planning.garden import garden_model
from scheduler.planning.spending import IN_FORCE, LITTLE_PAST_D
from scheduler.planning.ways_to_spend import Spending, ways_to_spend
from scheduler.planning.words import WAY_WORDS
from scheduler.report.ahead import look_from_store
from scheduler.report.answers import RationAnswer, RationPlantAnswer, RationRankAnswer, RationWayAnswer
from scheduler.site.model import Site
from scheduler.site.showing import show_share, show_volume, show_whole_volume
from scheduler.store.store import Store

# Less than this out of all soils is not worth a word (ours).
LEAST_FROM_SOIL_L = 1.0
# A way that gives less gives nothing that lasts, or ends.
LEAST_GIVEN_L = 0.5

Columns = list[tuple[str, str]]
Rows = list[list[str]]


def ration_answer(site: Site, store: Store, now: datetime, past: Sequence[DayWeather] = ()) -> RationAnswer:
    """Every way to spend the store. UsageError when the level or the weather is not known."""
    choices = choices_of(store.choices_now())
    # The ways are compared at the ranks chosen; none is planned yet, so ``alike`` must not level them here.
    ranked = Choices(DEFAULT_WAY, choices.ranks, choices.reserve_released)
    found = look_from_store(site, garden_model(site), store, now, past, ranked)
    # As far as the daily plan looks: without past years no rain would be assumed beyond that.
    looked = found.ways.horizon_days if found.past_years else LITTLE_PAST_D
    ways = (found.et0_mm[:, :looked], found.rain_mm[:, :looked])
    spent = ways_to_spend(found.garden, found.held_l, found.depletion_mm, *ways)
    early, middle, late = (_day(found, d, looked) for d in found.days_left)
    chance = found.ways.chance_out_by(looked - 1)
    return RationAnswer(
        garden=site.name,
        today=found.first,
        usable_l=round(max(0.0, found.held_l - found.garden.lowest_floor_l), 1),
        horizon_days=looked,
        through=found.first + timedelta(days=looked - 1),
        short=chance >= IN_FORCE,
        short_early=early,
        short_middle=middle,
        short_late=late,
        chosen=choices.way,
        default=DEFAULT_WAY,
        asked=any(c.subject == "ration" and c.value is not None for c in store.choices_now()),
        reserve_released=choices.reserve_released,
        ranks=[
            RationRankAnswer(plant=p.id, rank=choices.ranks[p.id], site_rank=p.rank)
            for p in site.plants
            if p.id in choices.ranks
        ],
        ways=[_way(site, s) for s in spent],
        past_years=found.past_years,
    )


def _day(found: Ahead, left: int | None, looked: int) -> date | None:
    return found.first + timedelta(days=left) if left is not None and left < looked else None


def _way(site: Site, spent: Spending) -> RationWayAnswer:
    by_id = {p.plant: p for p in spent.plants}
    return RationWayAnswer(
        way=spent.way,
        words=WAY_WORDS[spent.way],
        given_l=round(spent.given_l, 0),
        left_l=round(spent.left_l, 0),
        last_day=spent.last_day,
        stress=round(spent.stress, 3),
        plants=[
            RationPlantAnswer(
                id=p.id,
                name=p.name,
                rank=by_id[p.id].rank,
                wanted_l=round(by_id[p.id].wanted_l, 0),
                given_l=round(by_id[p.id].given_l, 0),
                missed_share=round(by_id[p.id].missed_share, 2),
                at_risk_from=by_id[p.id].at_risk_from,
                from_soil_l=round(by_id[p.id].from_soil_l, 0),
            )
            for p in site.plants
            if p.id in by_id
        ],
    )


def ration_rows(site: Site, answer: RationAnswer) -> tuple[Columns, Rows]:
    """A row a plant, the ways side by side: litres, and with them the day from which it is at risk."""
    columns: Columns = [("plant", "left"), ("rank", "right"), ("wants", "right")]
    columns += [(w.way, "right") for w in answer.ways]
    rows: Rows = []
    for n, plant in enumerate(answer.ways[0].plants):
        row = [plant.name, str(plant.rank), show_whole_volume(plant.wanted_l, site.units)]
        for way in answer.ways:
            cell = show_whole_volume(way.plants[n].given_l, site.units)
            risk = way.plants[n].at_risk_from
            row.append(f"{cell}, {risk:%d %b}" if risk is not None else cell)
        rows.append(row)
    return columns, rows


def ration_words(site: Site, answer: RationAnswer) -> list[str]:
    """What is chosen, what each way brings, and how to choose."""
    usable = show_volume(answer.usable_l, site.units)
    lines = [f"{usable} can be used. {_short_words(answer)}"]
    if answer.short:
        lines.append(_wants_words(answer))
    lines += [_of_way(site, answer, way) for way in answer.ways]
    if answer.ranks:
        told = ", ".join(f"{r.plant} {r.rank} (site file {r.site_rank})" for r in answer.ranks)
        lines.append(f"Ranks that a person set: {told}.")
    if answer.reserve_released:
        lines.append("The reserve is released; keep it again with fallinghead ration --keep-reserve.")
    others = " or ".join(w for w in WAYS if w != answer.chosen)
    lines.append(
        f"To choose: fallinghead ration --choose {others}; to let a plant go first: fallinghead rank PLANT 1."
    )
    if not answer.past_years:
        lines.append(
            "No past years of this place are known, so no more than two weeks are looked at, and beyond the "
            "forecast no rain is assumed (--past names a file of them)."
        )
    return lines


def _short_words(answer: RationAnswer) -> str:
    if not answer.short:
        return (
            f"If every plant gets all it wants it lasts through {answer.through:%d %B} in nine of ten cases: "
            "water is not short, and none is held back. Once it is short it is spent in one of these ways, "
            "and what each gives is shown then:"
        )
    if answer.short_middle is None:
        return (
            f"It lasts through {answer.through:%d %B} in most cases, not in all (early "
            f"{answer.short_early:%d %B}), so water is held back for what comes first."
        )
    early = f", in one of ten cases by {answer.short_early:%d %B}" if answer.short_early else ""
    return (
        f"If every plant gets all it wants it runs short about {answer.short_middle:%A %d %B}{early}. "
        "So it is spent in one of these ways:"
    )


def _wants_words(answer: RationAnswer) -> str:
    return (
        f"Wanted is what a plant uses to {answer.through:%d %B} less the rain; what is not given of it comes "
        "out of its soil, which is the emptier then, or is missed."
    )


def _of_way(site: Site, answer: RationAnswer, way: RationWayAnswer) -> str:
    """A way with whether it is followed; what it brings only while water is short, for else none is."""
    chosen = "This holds now" if answer.short else "This would hold"
    mark = chosen if way.way == answer.chosen else "Another way"
    if way.way == answer.default:
        mark += ", and runs if nobody chooses" if way.way == answer.chosen else " (runs if nobody chooses)"
    text = f"{way.way}: water goes {way.words}. {mark}."
    return f"{text} {_way_words(site, answer, way)}" if answer.short else text


def _way_words(site: Site, answer: RationAnswer, way: RationWayAnswer) -> str:
    risky = [p for p in way.plants if p.at_risk_from is not None]
    ends = (
        f"lasts through {answer.through:%d %B}"
        if way.last_day is None
        else f"ends after {way.last_day:%A %d %B}"
    )
    some = way.given_l >= LEAST_GIVEN_L
    given = f"{show_whole_volume(way.given_l, site.units)} are given" if some else "Nothing is given"
    soil_l = sum(p.from_soil_l for p in way.plants)
    if soil_l >= LEAST_FROM_SOIL_L:
        given += f" and about {show_whole_volume(soil_l, site.units)} come out of the soil"
    text = f"{given}; what this way gives {ends}." if some else f"{given}."
    if risky:
        first = sorted(risky, key=lambda p: (p.at_risk_from or answer.through, p.rank))
        named = "; ".join(
            f"{p.name} from {p.at_risk_from:%d %b} (misses {show_share(p.missed_share)})" for p in first
        )
        return f"{text} At risk: {named}."
    return f"{text} No plant is at risk."
