"""A plant whose emitter lies so high that a low level hardly reaches it, in both ways to plan a day."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime

import numpy as np
import pytest

from scheduler.agronomy.need import PlantNeed
from scheduler.planning.garden import GardenModel, garden_model
from scheduler.planning.garden_ahead import garden_ahead
from scheduler.planning.plan import Plan, Reason
from scheduler.planning.reach import hardly_reached, out_of_reach
from scheduler.planning.sizing import size_run
from scheduler.planning.spending import Ration, ration_today, store_ahead
from scheduler.planning.watering import plan_day
from scheduler.report.plan import plan_answer, plan_rows
from scheduler.sensing.belief import LevelBelief
from scheduler.site.model import Emitter, Line, Plant, Point, Site, Valve, Zone
from tests.support.gardens import small_garden
from tests.support.planning import need

DAY = date(2012, 7, 20)
NOW = datetime(2012, 7, 20, 8, 0, tzinfo=UTC)
# The berry's emitter lies 0.4 m above the outlet.
HIGH_M = 0.4


def _emitter(plant: str) -> Emitter:
    return Emitter(f"e-{plant}", "bubbler", plant, 8.0, 0.5)


def high_garden(*, emitters_of_berry: int = 1, berry_canopy_m2: float = 0.6) -> Site:
    """The small garden with a berry of the first rank, far above the rest of the bed."""
    low = [Point(3.0, 0.4, (_emitter("sage"),)), Point(7.0, 0.4, (_emitter("thyme"),))]
    high = tuple(Emitter(f"berry-{n}", "bubbler", "berry", 8.0, 0.5) for n in range(emitters_of_berry))
    line = Line("line", None, None, 0.016, 9.0, (*low, Point(8.5, -HIGH_M, high)))
    bed = Zone("bed", "Bed", Valve(2, 6.0, 8.0, 8.0), (line,))
    site = small_garden()
    sage, thyme = (replace(site.plant(p), rank=3) for p in ("sage", "thyme"))
    berry = Plant(
        "berry", "Berry", "tomato", berry_canopy_m2, 1, soil="loam", plant_factor=0.4, root_depth_m=0.3
    )
    tomato = replace(site.plant("tomato"), rank=2)
    return replace(site, zones=(site.zone("pots"), bed), plants=(tomato, sage, thyme, berry))


MODEL = garden_model(high_garden())
FULL_M = MODEL.stage.brim_level_m
NEEDS = [need("tomato", 5.0, 1.1), need("sage", 6.0, 1.1), need("thyme", 6.0, 1.1), need("berry", 9.0, 1.5)]


def planned(level_m: float, *, needs: list[PlantNeed] = NEEDS, ration: Ration | None = None) -> Plan:
    return plan_day(
        MODEL,
        now=NOW,
        day=DAY,
        belief=LevelBelief("good", NOW, level_m, level_m, level_m),
        needs={n.plant: n for n in needs},
        flow_factors={},
        outlook=None,
        ration=ration,
    )


def rationed(level_m: float, model: GardenModel = MODEL) -> Ration | None:
    thirsty = {"tomato": 20.0, "sage": 60.0, "thyme": 60.0, "berry": 60.0}
    ways = (np.full((5, 40), 6.0), np.zeros((5, 40)))
    store = store_ahead(model, level_m=level_m, depletion_mm=thirsty, first=DAY, ways=ways)
    return ration_today(store, "ranked")


def bed_reasons(plan: Plan) -> tuple[Reason, ...]:
    return next(x.reasons for x in (*plan.runs, *plan.skipped) if x.zone == "bed")


def test_it_is_hardly_reached_near_its_own_height_and_well_reached_from_full_barrels() -> None:
    assert hardly_reached(MODEL, "bed", HIGH_M + 0.02).tolist() == [False, False, True]
    assert not hardly_reached(MODEL, "bed", HIGH_M + 2.0).any()
    assert not hardly_reached(MODEL, "pots", 0.01).any()


def test_below_its_emitter_it_is_dry_and_the_level_is_told() -> None:
    """Water does not stand higher than its source: no flow until the level passes the emitter."""
    (found,) = out_of_reach(MODEL, "bed", 0.3)
    assert (found.plant, found.flow_lph) == ("berry", 0.0)
    assert found.dry_below_m == pytest.approx(HIGH_M, abs=0.01)


def test_emitters_enough_for_their_height_count_as_reaching() -> None:
    made_up_for = garden_model(high_garden(emitters_of_berry=12, berry_canopy_m2=0.3))
    assert not hardly_reached(made_up_for, "bed", HIGH_M + 0.05).any()


def test_the_dose_of_its_zone_does_not_grow_without_bounds_as_the_level_sinks_to_it() -> None:
    """Covering the berry at its tiny share would take many times what the rest of the bed can hold."""
    found = rationed(HIGH_M + 0.02)
    assert found is not None
    garden = garden_ahead(MODEL, [DAY], level_m=HIGH_M + 0.02)
    bed = garden.zone_rows == garden.zone_ids.index("bed")
    most_l = float(garden.table.gross_l(garden.table.taw_mm)[bed].sum())
    assert 0.0 < found.zones["bed"].dose_l <= most_l
    assert found.shares["berry"] == 0.0
    assert found.best_rank == 2
    assert garden.zone_ids == ("pots", "bed")


def test_the_days_that_the_store_lasts_do_not_count_it() -> None:
    ways = (np.full((5, 60), 6.0), np.zeros((5, 60)))

    def days_left(level_m: float, berry_mm: float) -> int | None:
        thirst = {"tomato": 10.0, "sage": 10.0, "thyme": 10.0, "berry": berry_mm}
        store = store_ahead(MODEL, level_m=level_m, depletion_mm=thirst, first=DAY, ways=ways)
        return store.lasting.days_left[1]

    assert days_left(HIGH_M + 0.02, 60.0) == days_left(HIGH_M + 0.02, 0.0) is not None
    # Where the water reaches it, it counts.
    assert days_left(FULL_M, 60.0) != days_left(FULL_M, 0.0)


def test_a_full_run_is_for_the_plants_that_the_water_reaches() -> None:
    targets = {"sage": 2.0, "thyme": 2.0}
    more: dict[str, object] = {"start": NOW, "level_m": HIGH_M + 0.02, "longest_open_s": 1e6}
    without = size_run(MODEL, "bed", targets_l=targets, **more)  # type: ignore[arg-type]
    with_berry = size_run(MODEL, "bed", targets_l={**targets, "berry": 9.0}, **more)  # type: ignore[arg-type]
    assert with_berry.run_s == without.run_s  # type: ignore[union-attr]


@pytest.mark.parametrize("level_m", [0.1, 0.3])
def test_below_its_zones_floor_the_plan_says_so_with_figures(level_m: float) -> None:
    for plan in (planned(level_m), planned(level_m, ration=rationed(level_m))):
        first, *_, last = bed_reasons(plan)
        assert first.code in ("worst_emitter", "rationed") and "rain is nearly sure" not in first.text
        assert last.code == "out_of_reach"
        assert "Berry is not reached by the water at this level (dry below 40" in last.text
        assert dict(last.figures)["flow_lph"] == 0.0
        assert dict(last.figures)["dry_below_m"] == pytest.approx(HIGH_M, abs=0.01)
    answer = plan_answer(planned(level_m), level_m)
    bed = next(z for z in answer.zones if z.id == "bed")
    assert bed.reasons[-1].code == "out_of_reach"


def test_its_rank_holds_no_water_back_from_others() -> None:
    """At its rank the bed would come first, and the pots of rank 2 be refused for its sake."""
    assert "pots" in [r.zone for r in planned(0.3).runs]


def test_a_zone_in_which_only_it_is_due_rests_and_speaks_of_it() -> None:
    needs = [need("tomato", 5.0, 1.1), need("sage", 1.0, 0.4), need("thyme", 1.0, 0.3), NEEDS[-1]]
    texts = [r.text for r in bed_reasons(planned(HIGH_M + 0.02, needs=needs))]
    assert "No plant that the water reaches at this level is due. Nearest is Sage" in texts[0]
    assert "Berry is hardly reached" in texts[-1]


def test_from_full_barrels_nothing_is_said() -> None:
    assert "out_of_reach" not in [r.code for r in bed_reasons(planned(FULL_M))]


def test_a_cut_run_says_what_it_gives_of_its_dose() -> None:
    site = high_garden()
    short = garden_model(replace(site, node=replace(site.node, longest_open_s=300.0)))
    ration = rationed(0.3)
    assert ration is not None and ration.zones["pots"].given_l > 0.0
    plan = plan_day(
        short,
        now=NOW,
        day=DAY,
        belief=LevelBelief("good", NOW, 0.3, 0.3, 0.3),
        needs={n.plant: n for n in NEEDS},
        flow_factors={},
        outlook=None,
        ration=ration,
    )
    (run,) = plan.runs
    said = next(r for r in run.reasons if r.code == "rationed")
    assert dict(said.figures)["run_l"] == run.volume_l < 0.9 * ration.zones["pots"].given_l
    assert "Today's run gives" in said.text and "whole dose" not in said.text


def test_a_plant_not_planted_yet_is_named_with_its_day_and_is_never_the_nearest() -> None:
    site = small_garden()
    later = replace(site, plants=tuple(replace(p, planted=date(2012, 8, 1)) for p in site.plants[:2]))
    later = replace(later, plants=(*later.plants, site.plants[2]))
    plan = plan_day(
        garden_model(later),
        now=NOW,
        day=DAY,
        belief=LevelBelief("good", NOW, 0.6, 0.6, 0.6),
        needs={p.id: need(p.id, 0.0, 0.0) for p in later.plants},
        flow_factors={},
        outlook=None,
    )
    told = {s.zone: s.reasons[0].text for s in plan.skipped}
    assert told["pots"] == "None of its plants is planted before Wednesday 01 August 2012."
    assert "Nearest is Thyme" in told["bed"]
    sage = next(s for s in plan.shares if s.plant == "sage")
    assert sage.reasons[0].text == "Sage is not planted before Wednesday 01 August 2012."
    rows = plan_rows(later, plan_answer(plan, 0.6))[1][2]
    assert next(r for r in rows if r[0] == "Sage")[2:] == ["not planted before 01 August 2012", "0.0 L"]


def test_water_that_runs_where_a_plant_is_still_to_come_is_told_with_its_day() -> None:
    site = small_garden()
    later = replace(
        site, plants=tuple(replace(p, planted=date(2012, 8, 1)) if p.id == "sage" else p for p in site.plants)
    )
    plan = plan_day(
        garden_model(later),
        now=NOW,
        day=DAY,
        belief=LevelBelief("good", NOW, 0.6, 0.6, 0.6),
        needs={"sage": need("sage", 0.0, 0.0), "thyme": need("thyme", 6.0, 1.1)},
        flow_factors={},
        outlook=None,
    )
    sage = next(s for s in plan.shares if s.plant == "sage")
    assert sage.given_l > 0.0
    assert [r.text for r in sage.reasons] == ["Sage is not planted before Wednesday 01 August 2012."]
