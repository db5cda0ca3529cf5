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
    """Little is left of what the barrels hold, or of the days that it lasts."""
    state = turn.state
    usable = usable_l(state)
    if usable is None:
        return NEITHER
    full_l = state.model.usable_full_l
    store = state.plan.store if state.plan else None
    days = store.days_left_middle if store else None
    # Little that lasts for weeks, in a cool autumn, is not nearly nothing.
    little = usable < NEAR_EMPTY_SHARE * full_l and not _lasts(store, usable)
    # A zone that the water stands too low for is told as that.
    if not little and (days is None or days > 1 or _any_stops(state, days)):
        return NEITHER if usable < NEAR_EMPTY_CLEAR * full_l else WELL
    return Condition(
        True,
        lambda: (
            f"{state.site.name}: the barrels are nearly empty: {show_volume(usable, state.site.units)} above "
            f"the reserve{f', about {_days(days)} of watering' if days else ''}."
        ),
        "Top up (through an air gap) or let the lower ranks wait.",
    )


def out_of_reach(turn: Turn, zone_id: str) -> Condition:
    """Much may be left, but it stands too low for this zone, and within the week a plant goes without: the
    first of the garden, be it another zone's."""
    state = turn.state
    left_l = _above_its_floor_l(state, zone_id)
    if left_l is None:
        return NEITHER if state.belief.level_m is None else WELL
    usable = usable_l(state)
    assert usable is not None  # with the level it is known
    store = state.plan.store if state.plan else None
    days = store.days_left_middle if store else None
    if days is None or _lasts(store, usable) or not _stops(state, zone_id, days):
        clear_l = (NEAR_EMPTY_CLEAR - NEAR_EMPTY_SHARE) * state.model.usable_full_l
        return NEITHER if left_l <= clear_l else WELL
    return Condition(
        True,
        lambda: (
            f"{state.site.name}: {show_volume(usable, state.site.units)} stand above the reserve, but too "
            f"low for {_whom(state, zone_id, soon=left_l > 0.0)}; the first plant of the garden goes without "
            f"{f'in about {_days(days)}' if days else 'today'}."
        ),
        "Top up (through an air gap), water by hand, or set what is no longer reached lower.",
    )


def _stops(state: State, zone_id: str, days: int) -> bool:
    """Whether the water stands too low for the zone; on the last day, whether it soon does."""
    little_l = NEAR_EMPTY_SHARE * state.model.usable_full_l if days <= 1 else 0.0
    left_l = _above_its_floor_l(state, zone_id)
    return left_l is not None and left_l <= little_l


def _any_stops(state: State, days: int) -> bool:
    return any(_stops(state, zone_id, days) for zone_id in state.model.zones)


def _above_its_floor_l(state: State, zone_id: str) -> float | None:
    """Litres above the level at which the zone's worst emitter falls dry, as well as the level is known
    (below it: negative); None where the reserve stands higher, or the level is unknown."""
    model, level_m = state.model, state.belief.level_m
    if level_m is None or model.zones[zone_id].worst_stop_m <= model.reserve_level_m:
        return None
    floor_m = model.floor_level_m(zone_id)
    return model.stage.volume_l(level_m) - model.stage.volume_l(floor_m + floor_margin_m(state))


def _whom(state: State, zone_id: str, *, soon: bool) -> str:
    """The zone with the plants that stop it. ``soon``: a little is left above its floor."""
    zone = state.model.zones[zone_id]
    names = ", ".join(state.model.site.plant(p).name for p in zone.first_dry)
    reaches = "soon no longer reaches" if soon else "no longer reaches"
    return f"{zone.zone.name}{f' (it {reaches} {names})' if names else ''}"


def _lasts(store: StoreOutlook | None, usable_l: float) -> bool:
    """Whether no plant goes without for more than a week."""
    if store is not None and store.days_left_middle is not None:
        return store.days_left_middle > RUNS_OUT_CLEAR_DAYS
    return _outlasts_the_horizon(store, usable_l)


def _days(count: int) -> str:
    return f"{count} day{'' if count == 1 else 's'}"


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
    usable = usable_l(state)
    little = usable is not None and usable < NEAR_EMPTY_SHARE * state.model.usable_full_l
    if not little and _any_stops(state, store.days_left_middle):
        return NEITHER  # a plant goes without since the water stands too low for it, which is told as that
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
    span = _span(early, store.days_left_late)
    # Rationed it lasts longer, while some stand dry.
    lasts = f"lasts until about {last:%A %d %B} ({span}) if every plant gets all it wants"
    if store.days_left_late == 0:
        lasts = f"does not last through today: {show_volume(usable_l(state), state.site.units)} can be used"
    return Condition(
        active,
        lambda: f"{state.site.name}: the stored water {lasts}.",
        "Top up, or say what must be watered first (fallinghead ration, fallinghead rank).",
    )


def _span(early: int | None, late: int | None) -> str:
    if early is not None and early == late:
        return f"{early} day{'' if early == 1 else 's'}"
    first = f"{early}" if early is not None else "?"
    return f"{first} to {late} days" if late is not None else f"{first} days or more"
