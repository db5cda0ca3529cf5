"""Little water left, or too low for some plant; and how long it lasts: which of it is worth a message."""

from __future__ import annotations

from datetime import timedelta

from scheduler.control.alarms import NEITHER, WELL, Condition
from scheduler.control.state import State, Turn
from scheduler.control.working_level import floor_margin_m
from scheduler.planning.plan import StoreOutlook
from scheduler.site.showing import show_volume

# Trade notes section 7 (common practice, no source): values and their deadbands.
NEAR_EMPTY_SHARE = 0.10
NEAR_EMPTY_CLEAR = 0.15
RUNS_OUT_MIDDLE_DAYS = 5
RUNS_OUT_EARLY_DAYS = 3
RATIONED_EARLY_DAYS = 7
RUNS_OUT_CLEAR_DAYS = 7
RUNS_OUT_HOUR = 8  # told once a day, from this local hour


def usable_l(state: State) -> float | None:
    """Litres above the reserve by the believed level; None when the level is unknown."""
    if state.belief.level_m is None:
        return None
    model = state.model
    return max(0.0, model.stage.volume_l(state.belief.level_m) - model.reserve_l)


def near_empty(turn: Turn) -> Condition:
    """Little is left; or it stands too low for a plant that will want some within the week."""
    state = turn.state
    usable = usable_l(state)
    if usable is None:
        return NEITHER
    full_l = state.model.usable_full_l
    store = state.plan.store if state.plan else None
    days = store.days_left_middle if store else None
    little = usable < NEAR_EMPTY_SHARE * full_l
    # Little that lasts for weeks, in a cool autumn, is not nearly nothing.
    lasts = days > RUNS_OUT_CLEAR_DAYS if days is not None else _outlasts_the_horizon(store, usable)
    stopped = [] if lasts or days is None else _stopped(state, 0.0)
    if not ((little and not lasts) or (days is not None and days <= 1) or stopped):
        near = usable < NEAR_EMPTY_CLEAR * full_l or _stopped(
            state, (NEAR_EMPTY_CLEAR - NEAR_EMPTY_SHARE) * full_l
        )
        return NEITHER if near else WELL
    too_low = [] if little else stopped or _stopped(state, NEAR_EMPTY_SHARE * full_l)
    return _too_low(state, usable, too_low, days) if too_low else _little(state, usable, days)


def _little(state: State, usable: float, days: int | None) -> Condition:
    span = f", about {days} day{'' if days == 1 else 's'} of watering" if days else ""
    return Condition(
        True,
        lambda: (
            f"{state.site.name}: the barrels are nearly empty: {show_volume(usable, state.site.units)} above "
            f"the reserve{span}."
        ),
        "Top up (through an air gap) or let the lower ranks wait.",
    )


def _too_low(state: State, usable: float, zones: list[str], days: int | None) -> Condition:
    when = f"in about {days} day{'' if days == 1 else 's'}" if days else "from today"
    goes = f"; a plant goes without {when}" if days is not None else ""
    return Condition(
        True,
        lambda: (
            f"{state.site.name}: {show_volume(usable, state.site.units)} stand above the reserve, but too "
            f"low for {_whom(state, zones)}{goes}."
        ),
        "Top up (through an air gap), water by hand, or set what is no longer reached lower.",
    )


def _stopped(state: State, little_l: float) -> list[str]:
    """The zones with no more than that above the level at which they stop, which is not the reserve: where
    their worst emitter falls dry, as well as the level is known."""
    model, level_m = state.model, state.belief.level_m
    if level_m is None:
        return []
    margin_m, found = floor_margin_m(state), []
    for zone_id in model.zones:
        floor_m = model.floor_level_m(zone_id)
        if floor_m > model.reserve_level_m:
            left_l = model.stage.volume_l(level_m) - model.stage.volume_l(floor_m + margin_m)
            if left_l <= little_l:
                found.append(zone_id)
    return found


def _whom(state: State, zones: list[str]) -> str:
    """Zones with the plants that stop them."""
    found = []
    for zone_id in zones:
        zone = state.model.zones[zone_id]
        names = ", ".join(state.model.site.plant(p).name for p in zone.first_dry)
        found.append(f"{zone.zone.name}{f' (it no longer reaches {names})' if names else ''}")
    return " and ".join(found)


def _outlasts_the_horizon(store: StoreOutlook | None, usable_l: float) -> bool:
    """Whether the plan saw no end of the water, and still does by what is left of it since."""
    if store is None or store.usable_l is None or store.days_left_middle is not None:
        return False
    return store.horizon_days * usable_l > RUNS_OUT_CLEAR_DAYS * store.usable_l


def runs_out(turn: Turn) -> Condition:
    """The days that the water lasts are few."""
    state = turn.state
    store = state.plan.store if state.plan else None
    if store is None or store.usable_l is None:
        return NEITHER  # without a level nothing is known of it, neither that it is over
    if store.days_left_middle is None:
        return WELL
    early = store.days_left_early
    soon = store.days_left_middle <= RUNS_OUT_MIDDLE_DAYS or (
        early is not None and early <= RUNS_OUT_EARLY_DAYS
    )
    # Once it is rationed people are asked how it is to be spent, while there is something to spend.
    rationed = state.plan is not None and any(r.code == "rationed" for r in state.plan.reasons)
    soon = soon or (rationed and early is not None and early <= RATIONED_EARLY_DAYS)
    active = None if store.days_left_middle <= RUNS_OUT_CLEAR_DAYS or soon else False
    if soon and turn.local.hour >= RUNS_OUT_HOUR:
        active = True
    if not active:
        return NEITHER if active is None else WELL
    assert state.plan is not None
    last = state.plan.day + timedelta(days=store.days_left_middle)
    lasts = f"lasts until about {last:%A %d %B} ({_span(early, store.days_left_late)})"
    if store.days_left_late == 0:
        lasts = f"does not last through today: {show_volume(usable_l(state), state.site.units)} can be used"
    return Condition(
        active,
        lambda: f"{state.site.name}: the stored water {lasts}.",
        "Top up, or say what must be watered first (fallinghead ration, fallinghead rank).",
    )


def _span(early: int | None, late: int | None) -> str:
    first = f"{early}" if early is not None else "?"
    return f"{first} to {late} days" if late is not None else f"{first} days or more"
