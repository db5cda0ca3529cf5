"""Booking water once, and the daily water balance of every plant."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, datetime, timedelta

from scheduler.agronomy.et0 import ReferenceEt, reference_et
from scheduler.agronomy.need import APPLICATION_EFFICIENCY, PlantDay, RootZone, advance_day
from scheduler.agronomy.past_week import STORED_YEARS
from scheduler.agronomy.rootzone import effective_rain_mm
from scheduler.agronomy.weather import DayWeather, merged
from scheduler.control.effects import Booking, Intent, Note, RecordBooking, RecordDay, RootZoneRecord
from scheduler.control.meter import METERED, Metered, RunWater, by_meter, metered
from scheduler.control.orders import RunOutcome
from scheduler.control.pulses import tried_again
from scheduler.control.rain import believed_rain, told_mm
from scheduler.control.state import OpenIntent, Proof, State, Turn, WaterDraw
from scheduler.planning.garden import Expected, expected_litres
from scheduler.site.model import Valve, Zone

# A day is worked out again while its weather may still be mended by a later fetch (a choice of this project).
REVISED_DAYS = 7
# Booked ids kept in memory; the store keeps them all and refuses a second booking of any.
BOOKED_KEPT = 500
# Draws kept to lower a level that was read before them.
DRAWS_KEPT = 20
# Modelled runs are trusted to this at best (from memory: catch cans repeat to 1-2 %).
MODEL_SD = 0.02

INTERRUPTIONS = {
    "restart": "the node restarted",
    "fault": "the valve did not obey",
    "low_supply": "the supply voltage was low",
}


def open_equivalent_s(valve: Valve, open_s: float) -> float:
    """Seconds of a fully open valve that pass as much as an opening of ``open_s``, travel included.

    ``open_s`` runs from the start of opening to the start of closing; the flow is taken to rise and
    fall evenly over the travel (common practice: count from half open to half shut).
    """
    return max(0.0, open_s - valve.opening_s / 2 + valve.closing_s / 2) if open_s > 0 else 0.0


def order_open_s(valve: Valve, run_s: float) -> float:
    """The inverse: how long an order must hold the valve for ``run_s`` fully open."""
    return run_s + valve.opening_s / 2 - valve.closing_s / 2


def book_outcome(turn: Turn, held: OpenIntent, outcome: RunOutcome) -> None:
    """Book an order that the node reports as ended, at the most that can have flowed."""
    zone = turn.state.site.zone(held.intent.zone)
    open_s = _longest_open_s(turn, held, outcome)
    expected = _expected(turn.state, held.intent, open_s)
    least = _expected(turn.state, held.intent, outcome.open_ms / 1000)
    note, meter = INTERRUPTIONS.get(outcome.why, ""), metered(turn, held, outcome)
    booked_l = _book(
        turn, held.intent, expected, open_s, outcome, volume_low_l=least.volume_l, note=note, meter=meter
    )
    _begin_proof(turn, held, zone, open_s, booked_l, outcome)
    if outcome.why in INTERRUPTIONS and not held.intent.for_test:
        _top_up_once(turn, zone)


def _longest_open_s(turn: Turn, held: OpenIntent, outcome: RunOutcome) -> float:
    """How long the valve was open at most. Without power it may have stood open beyond its order, until the
    node came back and closed it."""
    ordered_ms = held.intent.order.open_ms
    node = turn.state.node
    if outcome.open_ms_max <= ordered_ms or node is None:
        return outcome.open_ms_max / 1000
    since_s = turn.now.monotonic_s - held.sent_mono_s
    if held.restored:
        known = turn.now.trust != "unknown"
        since_s = (turn.now.wall - held.intent.made_at).total_seconds() if known else 0.0
    came_back_s = since_s - node.uptime_ms / 1000
    return min(outcome.open_ms_max / 1000, max(ordered_ms / 1000, came_back_s))


def book_lost(turn: Turn, held: OpenIntent) -> None:
    """The node opened on this order but cannot say for how long: book the most that can have flowed."""
    open_s = held.intent.order.open_ms / 1000
    expected = _expected(turn.state, held.intent, open_s)
    _book(
        turn,
        held.intent,
        expected,
        open_s,
        None,
        volume_low_l=0.0,
        note="the node lost its record of this run",
    )
    if not held.intent.for_test:
        _top_up_once(turn, turn.state.site.zone(held.intent.zone))


def book_nothing(turn: Turn, held: OpenIntent, note: str) -> None:
    """The order opened nothing; close its record with zero litres."""
    turn.change(last_end_mono_s=turn.now.monotonic_s)  # the next try waits, so that a refusal cannot loop
    nothing = Expected(litres={}, volume_l=0.0, level_end_m=held.intent.level_m or 0.0)
    _book(turn, held.intent, nothing, 0.0, None, volume_low_l=0.0, note=note)


def book_stranger(turn: Turn, outcome: RunOutcome) -> None:
    """An ended order that this store never knew (an old or lost database): book it all the same."""
    zone = next((z for z in turn.state.site.zones if z.valve.channel == outcome.channel), None)
    if zone is None:
        turn.emit(
            Note(
                f"The node reports order {outcome.order_id} on channel {outcome.channel}, which no zone uses."
            )
        )
        return
    state = turn.state
    open_s = min(outcome.open_ms_max / 1000, max(outcome.open_ms / 1000, state.site.node.longest_open_s))
    level_m = state.belief.level_m if state.belief.known else state.model.stage.brim_level_m
    expected = expected_litres(
        state.model,
        zone.id,
        level_m or 0.0,
        open_equivalent_s(zone.valve, open_s),
        state.flow_factor(zone.id).at(turn.now.wall).value,
    )
    booking = Booking(
        order_id=outcome.order_id,
        zone=zone.id,
        day=turn.local_day,
        at=turn.now.wall,
        open_s=open_s,
        outcome=outcome,
        given_l=tuple(expected.litres.items()),
        volume_l=expected.volume_l,
        volume_low_l=0.0,
        volume_high_l=expected.volume_l * (1 + 2 * MODEL_SD),
        note="an order that this store did not know",
    )
    _enter(turn, booking, turn.now.wall - timedelta(seconds=booking.open_s))


def _expected(state: State, intent: Intent, open_s: float) -> Expected:
    zone = state.site.zone(intent.zone)
    level_m = intent.level_m if intent.level_m is not None else state.model.stage.brim_level_m
    run_s = open_equivalent_s(zone.valve, open_s)
    return expected_litres(
        state.model, zone.id, level_m, run_s, state.flow_factor(zone.id).at(intent.made_at).value
    )


def _book(
    turn: Turn,
    intent: Intent,
    expected: Expected,
    open_s: float,
    outcome: RunOutcome | None,
    *,
    volume_low_l: float,
    note: str,
    meter: Metered | None = None,
) -> float:
    """Close the order with its water, by the curve or, where one counted, by the meter; the litres booked."""
    sd = (turn.state.flow_factor(intent.zone).at(turn.now.wall).sd ** 2 + MODEL_SD**2) ** 0.5
    low_l, high_l = volume_low_l * max(0.0, 1 - 2 * sd), expected.volume_l * (1 + 2 * sd)
    water = by_meter(
        RunWater(expected.litres, expected.volume_l, low_l, high_l), meter, sd, turn.state.site.units
    )
    for_test = _for_test(water) if intent.for_test and water.volume_l > 0 else ""
    booking = Booking(
        order_id=intent.order.order_id,
        zone=intent.zone,
        day=_booking_day(turn, intent),
        at=turn.now.wall,
        open_s=open_s,
        outcome=outcome,
        given_l=() if intent.for_test else tuple(water.litres.items()),
        volume_l=water.volume_l,
        volume_low_l=water.low_l,
        volume_high_l=water.high_l,
        note="; ".join(n for n in (for_test, water.note, note) if n),
    )
    turn.change(intents=tuple(h for h in turn.state.intents if h.intent.order.order_id != booking.order_id))
    _enter(turn, booking, intent.made_at)
    return booking.volume_l


def _for_test(water: RunWater) -> str:
    return "opened for a test" if water.note == METERED else "opened for a test, by the zone's curve"


def _booking_day(turn: Turn, intent: Intent) -> date:
    """The local day of the booking; under an unknown clock that of the order, which had a known one."""
    if turn.now.trust != "unknown":
        return turn.local_day
    return intent.made_at.astimezone(turn.state.site.place.timezone).date()


def _enter(turn: Turn, booking: Booking, began_at: datetime) -> None:
    """The one place where water enters the books; the same order never enters twice."""
    if booking.order_id in turn.state.booked:
        return
    booked = (*turn.state.booked, booking.order_id)[-BOOKED_KEPT:]
    given = (*turn.state.given_l, *((booking.day, plant, litres) for plant, litres in booking.given_l))
    draws = (*turn.state.draws, WaterDraw(began_at, booking.volume_high_l, by_run=True))[-DRAWS_KEPT:]
    book = replace(turn.state.book, drawn_l=turn.state.book.drawn_l + booking.volume_l)
    turn.change(booked=booked, given_l=given, draws=draws, book=book)
    turn.emit(RecordBooking(booking))
    if booking.volume_l > 0:
        note = f" ({booking.note})" if booking.note else ""
        turn.emit(
            Note(f"Zone {booking.zone}: {booking.volume_l:.0f} L in {booking.open_s / 60:.1f} min{note}.")
        )


def _begin_proof(
    turn: Turn, held: OpenIntent, zone: Zone, open_s: float, booked_l: float, outcome: RunOutcome
) -> None:
    turn.change(last_end_mono_s=turn.now.monotonic_s)
    if held.before is None or held.intent.level_m is None or held.intent.for_test:
        return
    if outcome.open_ms_max > outcome.open_ms:
        return  # how long it was open is not known, so its litres teach nothing
    if turn.now.trust == "unknown":
        return  # when it was is not known, so nothing tells how far the flow has come since
    run_s = open_equivalent_s(zone.valve, open_s)
    plain = expected_litres(turn.state.model, zone.id, held.intent.level_m, run_s, 1.0)
    turn.change(
        proof=Proof(
            order_id=held.intent.order.order_id,
            zone=zone.id,
            booked_l=booked_l,
            modelled_l=plain.volume_l,
            before=held.before,
            ordered_at=held.intent.made_at,
            ended_mono_s=turn.now.monotonic_s,
            ended_at=turn.now.wall,
            book_day=turn.state.book.day,
        )
    )


def _top_up_once(turn: Turn, zone: Zone) -> None:
    """An interrupted zone is planned once more on the same day, from what is then still wanted."""
    key = (turn.local_day, zone.id)
    if key in turn.state.topped_up:
        return
    kept = frozenset(k for k in turn.state.topped_up if k[0] == turn.local_day)
    turn.change(topped_up=kept | {key}, plan_key=None, zones_done=tried_again(turn.state, zone.id))


# --- the daily balance ---------------------------------------------------------------------------------


def day_given_l(state: State, plant: str, day: date) -> float:
    return sum(litres for d, p, litres in state.given_l if d == day and p == plant)


def balance_days(turn: Turn, *, again: bool = False) -> None:
    """Bring every root zone to the end of yesterday; ``again`` when the weather of past days was mended."""
    yesterday = turn.local_day - timedelta(days=1)
    state = turn.state
    if (
        state.base_day is None
        or yesterday <= state.base_day
        or (yesterday == state.balanced_day and not again)
    ):
        return
    zones = {z.plant: z for z in state.base_zones}
    day = state.base_day
    while day < yesterday:
        day += timedelta(days=1)
        zones = _balance_day(turn, zones, day)
        if day <= yesterday - timedelta(days=REVISED_DAYS):
            turn.change(base_day=day, base_zones=tuple(zones.values()))
    turn.change(zones_now=tuple(zones.values()), balanced_day=yesterday)
    _forget_old(turn)


def _balance_day(turn: Turn, zones: dict[str, RootZone], day: date) -> dict[str, RootZone]:
    state = turn.state
    weather, et0 = weather_of(state, day)
    results: list[PlantDay] = [
        advance_day(plant, zones[plant.id], weather, et0, day_given_l(state, plant.id, day))
        for plant in state.site.plants
    ]
    record = RecordDay(weather, tuple(_record(r, day) for r in results))
    if record not in state.days:
        turn.change(days=(*(d for d in state.days if d.weather.day != day), record)[-2 * REVISED_DAYS :])
        turn.emit(record)
    return {r.root_zone.plant: r.root_zone for r in results}


def _record(result: PlantDay, day: date) -> RootZoneRecord:
    return RootZoneRecord(
        plant=result.root_zone.plant,
        day=day,
        depletion_mm=result.root_zone.depletion_mm,
        wanted_l=result.wanted_l,
        et0_mm=result.et0_mm,
        et0_method=result.et0_method,
        rain_credited_l=result.rain_credited_l,
        given_l=result.given_l,
        stress=result.stress,
    )


# FAO-56 gives no value to use when temperature is missing; then the mean of the days known, or this
# (a mild summer day, from memory: FAO-56 Table 2, temperate regions at moderate temperature 2-5 mm/day).
ET0_UNKNOWN_MM = 4.0


def weather_of(state: State, day: date) -> tuple[DayWeather, ReferenceEt]:
    """A day's weather and reference ET: what stands in for a fresh forecast where there was none; without a
    temperature, ET from the known days around it."""
    weather = next((d for d in state.weather if d.day == day), None) or DayWeather(day)
    # Where only a forecast of it was ever fetched its temperatures serve, its rain may not have fallen.
    weather = _as_believed(state, weather)
    estimate = state.outlook.et0_on(day) if state.outlook is not None else None
    if state.outlook is not None and estimate is not None:
        if state.outlook.origin(day, "tmin_c")[0] == STORED_YEARS:
            weather = replace(weather, tmin_c=None, tmax_c=None)  # years back serve once, not as a record
        return weather, ReferenceEt(estimate.et0_mm, estimate.method, ())
    et0 = reference_et(weather, state.site.place)
    if et0 is not None:
        return weather, et0
    near = [d for d in state.weather if abs((d.day - day).days) <= REVISED_DAYS]
    known = [e.et0_mm for e in (reference_et(d, state.site.place) for d in near) if e is not None]
    if known:
        mean = sum(known) / len(known)
        return weather, ReferenceEt(mean, f"mean of {len(known)} days around it", ("tmin", "tmax"))
    return weather, ReferenceEt(ET0_UNKNOWN_MM, "a typical summer day", ("tmin", "tmax"))


def _as_believed(state: State, weather: DayWeather) -> DayWeather:
    """The day with the rain that the balance goes by, beside what the service told where that is another."""
    believed = believed_rain(state, weather.day)
    if believed.source == "told":
        if (weather.rain_mm, weather.rain_by, weather.rain_told_mm) == (believed.rain_mm, "", None):
            return weather
        return replace(weather, rain_mm=believed.rain_mm, rain_by="", rain_told_mm=None)
    told = told_mm(state, weather.day)
    return replace(weather, rain_mm=believed.rain_mm, rain_by=believed.source, rain_told_mm=told)


def take_weather(turn: Turn, days: tuple[DayWeather, ...]) -> None:
    """Merge newly arrived days and work the balance out again from the base."""
    turn.change(weather=merged(turn.state.weather, days))
    if turn.state.balanced_day is not None:
        balance_days(turn, again=True)


def _forget_old(turn: Turn) -> None:
    state = turn.state
    if state.base_day is None:
        return
    oldest = state.base_day - timedelta(days=REVISED_DAYS)
    turn.change(
        weather=tuple(d for d in state.weather if d.day >= oldest),
        rain_known=frozenset(d for d in state.rain_known if d >= oldest),
        given_l=tuple(g for g in state.given_l if g[0] > state.base_day),
    )


def zones_after_today(state: State, day: date) -> dict[str, RootZone]:
    """Root zones as of now: yesterday's end, less what was given today and the rain told of today."""
    zones = {z.plant: z for z in state.zones_now}
    rain_mm = next((mm for on, mm in reversed(state.rain_typed) if on == day), 0.0)
    rain_mm = effective_rain_mm(rain_mm, weather_of(state, day)[1].et0_mm, rain_mm)
    for plant in state.site.plants:
        if rain_mm > 0.0:
            zone = zones[plant.id]
            zones[plant.id] = replace(zone, depletion_mm=max(0.0, zone.depletion_mm - rain_mm))
        given = day_given_l(state, plant.id, day)
        if given > 0:
            zone = zones[plant.id]
            left_mm = max(0.0, zone.depletion_mm - APPLICATION_EFFICIENCY * given / plant.canopy_m2)
            zones[plant.id] = replace(zone, depletion_mm=left_mm, last_watered=day)
    return zones
