"""The controller as a claim per test: a garden of two zones, a scripted node, time passed in."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest

from scheduler.agronomy.weather import Outlook
from scheduler.control.controller import Saved, begin
from scheduler.control.effects import (
    FetchWeather,
    Intent,
    RaiseAlert,
    RecordAnswer,
    RecordBooking,
    RecordCalibration,
    RecordDay,
    RecordIntent,
    RecordStop,
    SendAsk,
    SendClose,
    SendOrder,
    SendReceipt,
)
from scheduler.control.events import (
    GardenTested,
    Leaving,
    LinkChanged,
    Request,
    StoreFailed,
    StoreRecovered,
    Tick,
    WeatherArrived,
    WeatherFailed,
)
from scheduler.control.orders import Refusal
from scheduler.control.state import Turn
from scheduler.control.working_level import working_level_m
from scheduler.planning.garden import garden_model
from scheduler.sensing.flow import FlowFactor
from scheduler.site.model import Point, Zone
from tests.support.driving import START, Driver
from tests.support.gardens import dry_days, small_garden


@pytest.fixture
def driver() -> Driver:
    return Driver(small_garden())


def told(driver: Driver) -> list[str]:
    return [e.alert.kind for e in driver.all(RaiseAlert)]


def test_the_first_order_goes_out_in_the_window_for_the_highest_rank(driver: Driver) -> None:
    order = driver.to_first_order()
    assert order.channel == driver.site.zone("pots").valve.channel
    local = driver.now.wall.astimezone(driver.site.place.timezone)
    assert driver.site.windows[0].start <= local.time() < driver.site.windows[0].end


def test_an_order_is_recorded_before_it_is_sent(driver: Driver) -> None:
    driver.to_first_order()
    kinds = [type(e) for e in driver.effects if isinstance(e, RecordIntent | SendOrder)]
    assert kinds == [RecordIntent, SendOrder]


def test_an_order_is_bounded_in_time_and_level_and_belongs_to_one_session(driver: Driver) -> None:
    order = driver.to_first_order()
    assert 0 < order.open_ms <= driver.site.node.longest_open_s * 1000
    assert order.low_raw is not None
    assert order.low_side == "above"  # an echo's raw value rises as the water falls
    assert (order.session, order.sequence) == (driver.node.session, 1)
    uptime_ms = int((driver.mono_s - driver.node.booted_at_s) * 1000)
    assert uptime_ms < order.start_by_uptime_ms <= uptime_ms + 60_000


def test_one_valve_at_a_time(driver: Driver) -> None:
    order = driver.to_first_order()
    driver.node.opens(order)
    driver.wait(order.open_ms / 1000 - 10, every_s=10)
    assert len(driver.orders()) == 1


def test_the_second_zone_waits_for_the_level_to_rest(driver: Driver) -> None:
    first = driver.to_first_order()
    driver.node.opens(first)
    driver.wait(10)
    driver.node.ends(first)
    driver.wait(10, every_s=10)
    ended = driver.mono_s
    for _ in range(60):
        driver.wait(60, every_s=60)
        if len(driver.orders()) == 2:
            break
    assert driver.orders()[1].channel != first.channel
    assert driver.mono_s - ended >= 900 - 1e-6


def test_water_is_booked_once_however_often_the_node_says_it(driver: Driver) -> None:
    order = driver.to_first_order()
    driver.node.opens(order)
    driver.wait(10)
    driver.node.ends(order)
    again = list(driver.node.outcomes)
    driver.hear()
    driver.node.outcomes = again  # the receipt was lost
    driver.hear()
    driver.hear()
    bookings = [b.booking for b in driver.all(RecordBooking) if b.booking.order_id == order.order_id]
    assert len(bookings) == 1
    assert bookings[0].volume_l > 0
    assert sum(litres for _, litres in bookings[0].given_l) == pytest.approx(bookings[0].volume_l, rel=1e-6)


def test_a_receipt_follows_its_booking(driver: Driver) -> None:
    order = driver.to_first_order()
    driver.node.ends(order)
    effects = driver.hear()
    kinds = [type(e) for e in effects if isinstance(e, RecordBooking | SendReceipt)]
    assert kinds == [RecordBooking, SendReceipt]


def test_half_the_time_books_about_half_the_water(driver: Driver) -> None:
    order = driver.to_first_order()
    planned = driver.all(RecordIntent)[0].intent.volume_l
    driver.node.ends(order, open_ms=order.open_ms // 2, why="asked")
    driver.hear()
    assert driver.all(RecordBooking)[0].booking.volume_l == pytest.approx(planned / 2, rel=0.1)


def test_a_run_broken_by_a_restart_is_booked_at_the_most_and_topped_up_once(driver: Driver) -> None:
    order = driver.to_first_order()
    driver.node.opens(order)
    driver.wait(60)
    driver.node.reboots(driver.mono_s)
    outcome = replace_outcome(driver, order, open_ms=10_000, open_ms_max=70_000)
    driver.hear()
    booking = driver.all(RecordBooking)[0].booking
    assert booking.open_s == 70.0
    assert booking.volume_low_l < booking.volume_l
    assert outcome.why == "restart"
    for _ in range(60):
        driver.wait(60, every_s=60)
        same_zone = [o for o in driver.orders() if o.channel == order.channel]
        if len(same_zone) == 2:
            break
    driver.node.ends(same_zone[1], open_ms=5_000, why="restart")
    driver.hear()
    driver.wait(2 * 3600)
    assert len([o for o in driver.orders() if o.channel == order.channel]) == 2
    assert "run_interrupted" in told(driver)


def replace_outcome(driver: Driver, order, *, open_ms: int, open_ms_max: int):  # type: ignore[no-untyped-def]
    driver.node.ends(order, open_ms=open_ms, why="restart")
    driver.node.outcomes[-1] = replace(driver.node.outcomes[-1], open_ms_max=open_ms_max)
    driver.node.last_sequence = 0
    return driver.node.outcomes[-1]


def test_an_order_that_never_arrived_is_booked_as_nothing_and_tried_again_later(driver: Driver) -> None:
    order = driver.to_first_order()
    driver.wait(50, every_s=10)
    assert not driver.all(RecordBooking)  # it may still start
    driver.wait(30, every_s=10)
    assert driver.all(RecordBooking)[0].booking.volume_l == 0.0
    before = len(driver.orders())
    driver.wait(600, every_s=60)
    assert len(driver.orders()) == before
    driver.wait(900, every_s=60)
    assert driver.orders()[-1].channel == order.channel
    assert len({o.order_id for o in driver.orders()}) == len(driver.orders())


def test_a_run_whose_end_the_node_forgot_is_booked_as_the_most_that_can_have_flowed(driver: Driver) -> None:
    order = driver.to_first_order()
    driver.node.opens(order)
    driver.wait(30)
    driver.node.reboots(driver.mono_s)  # and it kept no record
    driver.hear()
    booking = driver.all(RecordBooking)[0].booking
    assert booking.open_s == order.open_ms / 1000
    assert booking.volume_low_l == 0.0
    assert booking.outcome is None


def test_a_refused_order_is_booked_as_nothing(driver: Driver) -> None:
    order = driver.to_first_order()
    driver.hear(refusals=(Refusal("too_late", order.order_id),))
    booking = driver.all(RecordBooking)[0].booking
    assert (booking.order_id, booking.volume_l) == (order.order_id, 0.0)
    assert "too late" in booking.note


def test_three_refusals_in_an_hour_are_told(driver: Driver) -> None:
    driver.ready()
    for _ in range(3):
        driver.hear(refusals=(Refusal("bad_mac", None),))
    assert told(driver).count("order_refused") == 1


def test_a_valve_open_without_an_order_is_closed_at_once_and_told(driver: Driver) -> None:
    driver.ready()
    driver.node.positions[2] = ("open", None)
    effects = driver.hear()
    assert SendClose(None) in effects
    driver.wait(60, every_s=10)
    assert told(driver).count("valve_not_shut") == 1
    assert len(driver.closes()) >= 5
    driver.node.positions.clear()
    driver.hear()
    assert driver.state.phase == "at_rest"


def test_a_silent_node_after_an_order_is_told_as_a_valve_not_proven_shut(driver: Driver) -> None:
    order = driver.to_first_order()
    driver.node.opens(order)
    driver.hear()
    driver.wait(order.open_ms / 1000 + 400, every_s=30, speaking=False)
    alerts = [e.alert for e in driver.all(RaiseAlert) if e.alert.kind == "valve_not_shut"]
    assert len(alerts) == 1
    assert alerts[0].urgent


def test_no_order_while_the_node_is_silent(driver: Driver) -> None:
    driver.ready()
    driver.dry_out()
    driver.wait(4 * 3600, every_s=300, speaking=False)
    assert not driver.orders()
    assert "node_silent" in told(driver)
    assert "level_unknown" not in told(driver)  # one cause, one message


def test_no_order_while_the_clock_is_unknown(driver: Driver) -> None:
    driver.trust = "unknown"
    driver.ready()
    driver.dry_out()
    driver.wait(4 * 3600)
    assert not driver.orders()
    assert "clock_unknown" in told(driver)


def test_no_order_while_the_level_is_unknown(driver: Driver) -> None:
    driver.node.level_m = None
    driver.ready()
    driver.dry_out()
    driver.wait(8 * 3600)
    assert not driver.orders()
    assert "level_unknown" in told(driver)


def test_no_order_that_could_not_be_recorded(driver: Driver) -> None:
    driver.ready()
    driver.dry_out()
    driver.feed(StoreFailed("the disk is full"))
    driver.wait(3 * 3600)
    assert not driver.orders()
    assert told(driver).count("store_failed") == 1
    driver.feed(StoreRecovered())
    driver.wait(1800)
    assert driver.orders()


def test_stop_closes_first_and_holds_until_resume(driver: Driver) -> None:
    order = driver.to_first_order()
    driver.node.opens(order)
    driver.hear()
    effects = driver.ask("stop")
    assert isinstance(effects[0], SendClose)
    assert any(isinstance(e, RecordStop) and e.stopped for e in effects)
    driver.node.ends(order, open_ms=60_000, why="asked")
    driver.wait(3600)
    assert len(driver.orders()) == 1
    confirmations = [a for a in driver.all(RecordAnswer) if "confirms" in a.text]
    assert len(confirmations) == 1
    driver.ask("resume")
    driver.wait(3600)
    assert len(driver.orders()) > 1


def test_stop_survives_a_restart(driver: Driver) -> None:
    again = Driver(driver.site, Saved(stopped_by="gardener"))
    again.ready()
    again.dry_out()
    again.wait(3 * 3600)
    assert not again.orders()
    assert again.closes()  # and it closes again when it reaches the node


def test_a_person_gets_water_at_any_hour_but_not_below_the_reserve(driver: Driver) -> None:
    driver.ready()
    effects = driver.ask("water", "tomato", 3.0)
    order = next(e.order for e in effects if isinstance(e, SendOrder))
    intent = next(e.intent for e in effects if isinstance(e, RecordIntent))
    assert dict(intent.planned_l)["tomato"] == pytest.approx(3.0, rel=0.02)
    assert intent.asked_by == "gardener"
    driver.node.ends(order)
    driver.hear()
    driver.node.level_m = 0.02
    driver.wait(3600)
    effects = driver.ask("water", "tomato", 3.0)
    assert not [e for e in effects if isinstance(e, SendOrder)]
    answer = next(e for e in effects if isinstance(e, RecordAnswer))
    assert not answer.done


@pytest.mark.parametrize(("subject", "litres"), [("nobody", 3.0), ("tomato", 0.0), ("tomato", -1.0)])
def test_a_request_that_makes_no_sense_is_answered_not_obeyed(
    driver: Driver, subject: str, litres: float
) -> None:
    driver.ready()
    effects = driver.ask("water", subject, litres)
    assert not [e for e in effects if isinstance(e, SendOrder)]
    assert [e.done for e in effects if isinstance(e, RecordAnswer)] == [False]


def test_a_hand_measured_level_corrects_the_sensor(driver: Driver) -> None:
    driver.ready()
    driver.wait(3600)
    driver.ask("measured", None, 0.65)
    assert driver.state.belief.level_m == pytest.approx(0.65, abs=0.002)
    calibration = driver.all(RecordCalibration)[0]
    assert calibration.offset_m == pytest.approx(0.05, abs=0.005)
    driver.wait(3600)
    assert driver.state.belief.level_m == pytest.approx(0.65, abs=0.005)


def test_a_hand_measured_level_above_the_brim_is_refused(driver: Driver) -> None:
    driver.ready()
    effects = driver.ask("measured", None, 3.0)
    answer = next(e for e in effects if isinstance(e, RecordAnswer))
    assert not answer.done
    assert "Read 3.00 m above the outlet" in answer.text
    # In the garden's units: the brim lies less than a metre above the outlet.
    assert answer.text.endswith(" cm.")


def test_leaving_closes_and_opens_nothing_more(driver: Driver) -> None:
    driver.ready()
    driver.dry_out()
    assert SendClose(None) in driver.feed(Leaving())
    driver.wait(4 * 3600)
    assert not driver.orders()


def test_after_a_crash_the_open_intent_is_asked_for_and_booked_from_the_node(driver: Driver) -> None:
    order = driver.to_first_order()
    intent: Intent = driver.all(RecordIntent)[0].intent
    again = Driver(driver.site, Saved(open_intents=(intent,)), start=driver.now.wall)
    again.node = driver.node
    again.node.booted_at_s = -driver.mono_s - 3600
    again.feed(LinkChanged(True))
    assert [e for e in again.effects if isinstance(e, SendAsk)]
    again.node.opens(order)
    again.hear()
    assert again.state.phase == "running"
    again.wait(3 * 3600, every_s=60)
    again.node.ends(order)
    again.hear()
    assert [b.booking.order_id for b in again.all(RecordBooking)] == [order.order_id]


def test_an_outcome_booked_before_the_crash_is_not_booked_again(driver: Driver) -> None:
    order = driver.to_first_order()
    again = Driver(driver.site, Saved(booked=frozenset({order.order_id})))
    again.node.ends(order)
    again.ready()
    assert not again.all(RecordBooking)
    assert again.all(SendReceipt)


def test_weather_is_fetched_at_the_start_and_again_after_a_failure(driver: Driver) -> None:
    assert len(driver.all(FetchWeather)) == 1
    driver.feed(WeatherFailed("no network"))
    driver.mono_s += 3601
    driver.feed(Tick())
    assert len(driver.all(FetchWeather)) == 2


def test_a_forecast_never_had_or_a_day_old_is_told_once_a_day(driver: Driver) -> None:
    driver.ready()
    driver.wait(30 * 3600, every_s=600)
    assert told(driver).count("forecast_stale") == 1


def test_the_same_events_give_the_same_effects() -> None:
    runs = []
    for _ in range(2):
        driver = Driver(small_garden())
        order = driver.to_first_order()
        driver.node.ends(order)
        driver.wait(6 * 3600)
        runs.append(driver.effects)
    assert runs[0] == runs[1]


def test_begin_believes_no_valve_shut() -> None:
    driver = Driver(small_garden())
    state, _ = begin(driver.site, Saved(), driver.now)
    assert state.phase == "unheard"
    assert not state.belief.known


def test_a_falling_level_gives_longer_orders_for_the_same_litres(driver: Driver) -> None:
    times = []
    for level_m in (0.7, 0.35):
        other = Driver(driver.site)
        other.node.level_m = level_m
        times.append(other.to_first_order().open_ms)
    assert times[1] > 1.1 * times[0]


def test_the_day_is_balanced_when_it_is_over(driver: Driver) -> None:
    driver.ready()
    before = {z.plant: z.depletion_mm for z in driver.state.zones_now}
    driver.wait(26 * 3600, every_s=600)
    after = {z.plant: z.depletion_mm for z in driver.state.zones_now}
    assert all(after[p] > before[p] for p in before)
    assert driver.state.balanced_day == driver.now.wall.astimezone(
        driver.site.place.timezone
    ).date() - timedelta(1)


def test_water_asked_for_just_before_a_restart_is_not_refused_before_the_node_is_heard() -> None:
    request = Request(1, START, "gardener", "water", "pots", 5.0)
    driver = Driver(small_garden(), Saved(requests=(request,)))
    assert not driver.all(RecordAnswer)
    driver.ready()
    assert len(driver.orders()) == 1
    assert [a.done for a in driver.all(RecordAnswer)] == [True]


def test_water_asked_for_while_nothing_is_heard_is_refused_in_time() -> None:
    request = Request(1, START, "gardener", "water", "pots", 5.0)
    driver = Driver(small_garden(), Saved(requests=(request,)))
    driver.wait(300.0, every_s=5.0, speaking=False)
    (answer,) = driver.all(RecordAnswer)
    assert not answer.done
    assert "is not heard" in answer.text


def test_water_whose_order_was_made_before_a_restart_is_not_given_again() -> None:
    before = Driver(small_garden())
    before.ready()
    before.ask("water", "pots", 5.0)
    (intent,) = [e.intent for e in before.all(RecordIntent)]
    request = Request(1, START, "gardener", "water", "pots", 5.0)
    after = Driver(small_garden(), Saved(open_intents=(intent,), requests=(request,)))
    after.ready()
    after.wait(3600.0)
    assert after.orders() == []
    assert [a.done for a in after.all(RecordAnswer)] == [True]


def test_a_stop_that_the_node_did_not_hear_is_said_again_until_it_is_shut(driver: Driver) -> None:
    order = driver.to_first_order()
    driver.node.opens(order)
    driver.hear()
    driver.ask("stop")  # and the radio loses it
    before = len(driver.closes())
    driver.wait(60, every_s=10)
    assert len(driver.closes()) >= before + 5
    driver.node.ends(order, open_ms=90_000, why="asked")
    driver.wait(20, every_s=10)
    settled = len(driver.closes())
    driver.wait(600, every_s=60)
    assert len(driver.closes()) == settled


def test_a_silent_sensor_does_not_make_the_same_water_twice(driver: Driver) -> None:
    driver.ready()
    driver.wait(1800)
    full = working_level_m(Turn(driver.state, driver.now))
    order = driver.to_first_order()
    driver.node.level_m = None
    driver.node.opens(order)
    driver.hear()
    driver.wait(order.open_ms / 1000, every_s=10)
    driver.node.ends(order)
    driver.hear()
    left = working_level_m(Turn(driver.state, driver.now))
    stage = driver.state.model.stage
    booked = driver.all(RecordBooking)[0].booking
    assert stage.volume_l(left or 0.0) <= stage.volume_l(full or 0.0) - booked.volume_l + 1.0


def test_a_sensor_that_falls_silent_makes_the_level_doubtful_then_unknown(driver: Driver) -> None:
    driver.ready()
    driver.node.level_m = None
    driver.wait(1800)
    assert driver.state.belief.quality == "doubtful"
    driver.wait(7 * 3600)
    assert not driver.state.belief.known


def test_after_the_wall_clock_went_back_readings_count_again(driver: Driver) -> None:
    driver.ready()
    driver.wait(1800)
    driver.start -= timedelta(hours=7)
    driver.node.level_m = 0.2
    driver.wait(3600)
    assert driver.state.belief.level_m == pytest.approx(0.2, abs=0.01)


def test_water_that_a_person_gave_is_not_given_again_by_the_plan(driver: Driver) -> None:
    driver.ready()
    driver.dry_out()
    driver.wait(600)
    run = next(r for r in driver.state.plan.runs if r.zone == "bed")  # type: ignore[union-attr]
    wanted = sum(s.wanted_l for s in run.shares)  # of the whole run, in however many openings
    for effect in driver.ask("water", "bed", 1.2 * wanted):
        if isinstance(effect, SendOrder):
            driver.node.ends(effect.order)
            driver.hear()
    driver.wait(5 * 3600)
    beds = [o for o in driver.orders() if o.channel == driver.site.zone("bed").valve.channel]
    assert len(beds) == 1


def test_a_forecast_that_was_never_confirmed_credits_no_rain(driver: Driver) -> None:
    driver.feed(LinkChanged(True))
    day = driver.now.wall.astimezone(driver.site.place.timezone).date()
    wet = tuple(
        replace(d, rain_mm=30.0) if d.day >= day else d for d in dry_days(day - timedelta(days=5), 12)
    )
    driver.feed(WeatherArrived(Outlook(wet, "test", driver.now.wall)))
    driver.hear()
    driver.wait(3 * 24 * 3600, every_s=1800)
    days = [d for d in driver.all(RecordDay) if d.weather.day >= day]
    assert days
    assert all(z.rain_credited_l == 0.0 for d in days for z in d.root_zones)


def test_a_new_garden_waits_for_a_known_clock_before_it_counts_days() -> None:
    driver = Driver(small_garden(), start=datetime(1970, 1, 2, tzinfo=UTC), trust="unknown")
    driver.wait(600)
    driver.start, driver.trust = START, "synced"
    driver.wait(600)
    assert len(driver.all(RecordDay)) <= 1


def test_a_valve_that_is_closing_is_not_astray(driver: Driver) -> None:
    order = driver.to_first_order()
    driver.node.opens(order)
    driver.hear()
    driver.node.ends(order)
    driver.node.positions[order.channel] = ("closing", None)
    closes = len(driver.closes())
    driver.hear()
    assert driver.state.phase == "running"
    assert len(driver.closes()) == closes
    driver.node.positions.clear()
    driver.hear()
    assert driver.state.phase == "at_rest"


def test_a_replayed_order_does_not_void_the_run_it_began(driver: Driver) -> None:
    order = driver.to_first_order()
    driver.node.opens(order)
    driver.hear()
    driver.hear(refusals=(Refusal("old_session", order.order_id),))
    assert not driver.all(RecordBooking)
    driver.node.ends(order)
    driver.hear()
    assert driver.all(RecordBooking)[0].booking.volume_l > 0


def test_a_tested_garden_is_taken_up_after_the_run_and_the_next_order_is_sized_by_it() -> None:
    plain, tested = Driver(small_garden()), Driver(small_garden())
    first = plain.to_first_order()
    # Tests found that every emitter gives half: the same litres take about twice as long.
    site = tested.site
    zones = tuple(_halved(z) for z in site.zones)
    built = replace(site, zones=zones)
    tested.feed(GardenTested(built, garden_model(built), tuple((z.id, FlowFactor(1.0, 0.02)) for z in zones)))
    assert tested.state.site == built
    second = tested.to_first_order()
    assert second.channel == first.channel
    assert second.open_ms == pytest.approx(2 * first.open_ms, rel=0.1)


def test_a_test_that_comes_during_a_run_waits_for_its_booking() -> None:
    driver = Driver(small_garden())
    order = driver.to_first_order()
    driver.node.opens(order)
    driver.hear()
    built = replace(driver.site, zones=tuple(_halved(z) for z in driver.site.zones))
    driver.feed(GardenTested(built, garden_model(built)))
    assert driver.state.site == driver.site
    driver.node.ends(order)
    driver.hear()
    driver.feed(Tick())
    assert driver.state.site == built


def _halved(zone: Zone) -> Zone:
    def half(point: Point) -> Point:
        return replace(
            point,
            emitters=tuple(replace(e, coefficient_lph=e.coefficient_lph / 2.0) for e in point.emitters),
        )

    return replace(zone, lines=tuple(replace(x, points=tuple(map(half, x.points))) for x in zone.lines))


def test_closes_played_back_to_the_node_are_told_as_refused_orders() -> None:
    driver = Driver(small_garden())
    driver.ready()
    for count in (1, 2, 3):
        driver.mono_s += 60.0
        driver.feed(replace(driver.node.says(driver.now), closes_repeated=count))
    assert [a.alert.kind for a in driver.all(RaiseAlert)] == ["order_refused"]


def test_runs_whose_end_the_node_could_not_keep_are_told() -> None:
    driver = Driver(small_garden())
    driver.ready()
    driver.mono_s += 60.0
    driver.feed(replace(driver.node.says(driver.now), outcomes_dropped=2))
    alerts = [a.alert for a in driver.all(RaiseAlert)]
    assert [a.kind for a in alerts] == ["records_lost"]
    assert "2 runs" in alerts[0].text
