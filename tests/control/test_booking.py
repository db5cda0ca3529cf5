"""What enters the books for an order that ended, was lost, opened nothing or was never known; and the balance
of the days.

The litres of a run by the zone's curve are planning's (compared with EPANET in tests/hydraulics); here it is
claimed for which seconds, from which level and with what around them they are booked.
"""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import date, timedelta
from typing import Any

import pytest

from scheduler.agronomy.past_week import STORED_YEARS
from scheduler.agronomy.weather import Borrowed, DayWeather, Et0Estimate, Outlook
from scheduler.control import ledger
from scheduler.control.effects import Booking, Intent, Note, RecordBooking, RecordDay
from scheduler.control.orders import Order, RunOutcome
from scheduler.control.state import NodeView, OpenIntent, State, Turn, WaterDraw
from scheduler.planning.garden import expected_litres
from scheduler.sensing.flow import FlowFactor, joined
from scheduler.sensing.rest import RestLevel
from scheduler.site.model import Valve
from tests.support.driving import START, Driver
from tests.support.gardens import dry_days, small_garden

OPENING_S, CLOSING_S = 10.0, 6.0
VALVE = Valve(1, 5.0, OPENING_S, CLOSING_S)
LEVEL_M = 0.5
TODAY = date(2012, 7, 20)
FACTOR = FlowFactor(0.8, 0.1)
REST = RestLevel(LEVEL_M, 0.001, 9, START)


def order(order_id: str = "o-1", *, channel: int = 1, open_s: float = 600.0) -> Order:
    return Order("shed", "aaaaaaaaaaaaaaaa", 1, order_id, channel, int(open_s * 1000), 10**9)


def held(order_id: str = "o-1", *, zone: str = "pots", open_s: float = 600.0, **changes: Any) -> OpenIntent:
    intent = Intent(order(order_id, open_s=open_s), zone, START, LEVEL_M, (("tomato", 5.0),), 5.0)
    intent = replace(
        intent, **{k: changes.pop(k) for k in ("level_m", "planned_l", "made_at") if k in changes}
    )
    return OpenIntent(intent, 0.0, **changes)


def outcome(
    order_id: str = "o-1", *, open_s: float = 600.0, most_s: float | None = None, why: str = "time_up"
) -> RunOutcome:
    most_ms = int((open_s if most_s is None else most_s) * 1000)
    return RunOutcome(order_id, 1, int(open_s * 1000), most_ms, why)  # type: ignore[arg-type]


class Books:
    """A garden whose zones have valves of known travel and one flow factor; a turn at ``after_s``."""

    def __init__(self, *holding: OpenIntent, after_s: float = 700.0) -> None:
        driver = Driver(small_garden())
        driver.ready()
        driver.mono_s = after_s
        site = replace(
            driver.site,
            zones=tuple(
                replace(z, valve=replace(z.valve, opening_s=OPENING_S, closing_s=CLOSING_S))
                for z in driver.site.zones
            ),
        )
        flow = joined((z.id, FACTOR) for z in site.zones)
        state = replace(driver.state, site=site, flow=flow, intents=holding, phase="running")
        self.turn = Turn(state, driver.now)

    @property
    def state(self) -> State:
        return self.turn.state

    @property
    def bookings(self) -> list[Booking]:
        return [e.booking for e in self.turn.effects if isinstance(e, RecordBooking)]

    def notes(self) -> list[str]:
        return [e.text for e in self.turn.effects if isinstance(e, Note)]

    def litres(self, open_s: float, level_m: float | None = LEVEL_M, zone: str = "pots") -> float:
        """By the zone's curve, for as long as the valve was open, travel counted by halves."""
        model = self.state.model
        start_m = model.stage.brim_level_m if level_m is None else level_m
        run_s = open_s - OPENING_S / 2 + CLOSING_S / 2
        return expected_litres(model, zone, start_m, run_s, FACTOR.value).volume_l


# --- seconds open and seconds fully open


@pytest.mark.parametrize(
    ("open_s", "full_s"), [(0.0, 0.0), (-3.0, 0.0), (1.0, 0.0), (2.0, 0.0), (2.5, 0.5), (600.0, 598.0)]
)
def test_travel_counts_by_halves(open_s: float, full_s: float) -> None:
    assert ledger.open_equivalent_s(VALVE, open_s) == full_s


def test_a_valve_that_closes_slowly_gives_some_even_of_a_second_and_none_of_no_time_at_all() -> None:
    assert ledger.open_equivalent_s(Valve(1, 5.0, 2.0, 6.0), 1.0) == 3.0
    assert ledger.open_equivalent_s(Valve(1, 5.0, 2.0, 6.0), 0.0) == 0.0


def test_an_order_is_longer_than_its_run_by_what_the_travel_takes() -> None:
    assert ledger.order_open_s(VALVE, 598.0) == 600.0
    assert ledger.open_equivalent_s(VALVE, ledger.order_open_s(VALVE, 77.0)) == 77.0


# --- an order that ended


def test_an_ended_order_is_booked_with_all_that_is_known_of_it() -> None:
    books = Books(held())
    ledger.book_outcome(books.turn, held(), outcome(open_s=500.0))
    (b,) = books.bookings
    assert (b.order_id, b.zone, b.day, b.at, b.open_s) == ("o-1", "pots", TODAY, books.turn.now.wall, 500.0)
    assert b.outcome == outcome(open_s=500.0) and b.note == ""
    assert b.volume_l == pytest.approx(books.litres(500.0), rel=1e-9) and b.volume_l > 0.0
    assert sum(litres for _plant, litres in b.given_l) == pytest.approx(b.volume_l, rel=1e-6)
    # Two standard deviations of the factor (0.1) and of a modelled run (0.02), together.
    spread = 2 * (0.1**2 + 0.02**2) ** 0.5
    assert b.volume_low_l == pytest.approx(b.volume_l * (1 - spread), rel=1e-9)
    assert b.volume_high_l == pytest.approx(b.volume_l * (1 + spread), rel=1e-9)
    assert books.state.intents == () and books.state.booked[-1] == "o-1"
    assert books.state.last_end_mono_s == 700.0


def test_what_is_not_known_of_the_end_is_booked_at_the_most_and_bounded_by_the_least() -> None:
    books = Books(held())
    ledger.book_outcome(books.turn, held(), outcome(open_s=100.0, most_s=170.0, why="restart"))
    (b,) = books.bookings
    assert b.open_s == 170.0 and b.note == "the node restarted"
    assert b.volume_l == pytest.approx(books.litres(170.0), rel=1e-9)
    spread = 2 * (0.1**2 + 0.02**2) ** 0.5
    assert b.volume_low_l == pytest.approx(books.litres(100.0) * (1 - spread), rel=1e-9)
    assert books.state.proof is None  # its litres teach nothing


def test_no_bound_is_below_nothing_however_doubtful_the_flow() -> None:
    books = Books(held())
    doubtful = joined((z.id, FlowFactor(0.8, 0.9)) for z in books.state.site.zones)
    books.turn.change(flow=doubtful)
    ledger.book_outcome(books.turn, held(), outcome())
    assert books.bookings[0].volume_low_l == 0.0


@pytest.mark.parametrize(
    ("why", "note"),
    [
        ("time_up", ""), ("asked", ""), ("low_level", ""), ("restart", "the node restarted"),
        ("fault", "the valve did not obey"), ("low_supply", "the supply voltage was low"),
    ],
)  # fmt: skip
def test_a_booking_says_what_interrupted_it_and_only_then_is_the_zone_planned_again(
    why: str, note: str
) -> None:
    books = Books(held())
    books.turn.change(zones_done=frozenset({"pots", "bed"}))
    ledger.book_outcome(books.turn, held(), outcome(why=why))
    assert books.bookings[0].note == note
    assert books.state.zones_done == (frozenset({"bed"}) if note else frozenset({"pots", "bed"}))
    assert books.state.topped_up == (frozenset({(TODAY, "pots")}) if note else frozenset())


def test_a_zone_is_topped_up_once_a_day_and_what_was_of_other_days_is_forgotten() -> None:
    books = Books()
    before = frozenset({(TODAY, "bed"), (TODAY - timedelta(days=1), "pots")})
    books.turn.change(topped_up=before, zones_done=frozenset({"pots", "bed"}), plan_key=None)
    ledger.book_outcome(books.turn, held(), outcome(why="fault"))
    assert books.state.topped_up == {(TODAY, "bed"), (TODAY, "pots")}
    books.turn.change(zones_done=frozenset({"pots", "bed"}))
    ledger.book_outcome(books.turn, held("o-2"), outcome("o-2", why="fault"))
    assert books.state.zones_done == {"pots", "bed"}


def test_the_same_order_is_never_booked_twice() -> None:
    books = Books(held())
    for _ in range(2):
        ledger.book_outcome(books.turn, held(), outcome())
    ledger.book_lost(books.turn, held())
    ledger.book_nothing(books.turn, held(), "again")
    ledger.book_stranger(books.turn, outcome())
    assert len(books.bookings) == 1
    assert books.state.book.drawn_l == books.bookings[0].volume_l and len(books.state.draws) == 1


def test_only_the_order_that_ended_leaves_what_is_under_way() -> None:
    books = Books(held(), held("o-2", zone="bed"))
    ledger.book_outcome(books.turn, held(), outcome())
    assert [h.intent.order.order_id for h in books.state.intents] == ["o-2"]


def test_water_that_was_booked_stands_in_the_day_the_draws_and_the_barrels_book() -> None:
    books = Books(held())
    books.turn.change(given_l=((TODAY, "sage", 1.0),), draws=(WaterDraw(START, 2.0, by_run=False),))
    drawn_l = books.state.book.drawn_l
    ledger.book_outcome(books.turn, held(), outcome())
    (b,) = books.bookings
    assert books.state.given_l[0] == (TODAY, "sage", 1.0)
    assert ledger.day_given_l(books.state, "tomato", TODAY) == pytest.approx(b.volume_l, rel=1e-6)
    assert ledger.day_given_l(books.state, "sage", TODAY) == 1.0
    assert ledger.day_given_l(books.state, "tomato", TODAY - timedelta(days=1)) == 0.0
    assert books.state.draws[-1] == WaterDraw(START, b.volume_high_l, by_run=True)
    assert books.state.book.drawn_l - drawn_l == b.volume_l


def test_five_hundred_bookings_and_twenty_draws_are_remembered() -> None:
    books = Books()
    books.turn.change(booked=tuple(f"b-{n}" for n in range(500)))
    books.turn.change(draws=tuple(WaterDraw(START, float(n), by_run=True) for n in range(20)))
    ledger.book_outcome(books.turn, held(), outcome())
    assert len(books.state.booked) == 500 and books.state.booked[0] == "b-1"
    assert len(books.state.draws) == 20 and books.state.draws[0].litres == 1.0


def test_the_booking_is_noted_with_its_litres_minutes_and_reason() -> None:
    books = Books(held())
    ledger.book_outcome(books.turn, held(), outcome(open_s=300.0, why="fault"))
    litres = books.bookings[0].volume_l
    assert books.notes() == [f"Zone pots: {litres:.0f} L in 5.0 min (the valve did not obey)."]
    plain = Books(held())
    ledger.book_outcome(plain.turn, held(), outcome(open_s=300.0))
    assert plain.notes() == [f"Zone pots: {litres:.0f} L in 5.0 min."]


def test_an_opening_for_a_test_gives_no_plant_its_water_and_is_neither_proven_nor_topped_up() -> None:
    test = held(planned_l=(), before=REST)
    books = Books(test)
    ledger.book_outcome(books.turn, test, outcome(why="fault"))
    (b,) = books.bookings
    assert b.given_l == () and b.volume_l > 0.0
    assert b.note == "opened for a test, by the zone's curve; the valve did not obey"
    assert books.state.proof is None and books.state.topped_up == frozenset()


def test_also_of_a_test_with_little_water_it_is_said_that_it_was_one() -> None:
    test = held(planned_l=(), open_s=4.0)
    books = Books(test)
    ledger.book_outcome(books.turn, test, outcome(open_s=4.0))
    (b,) = books.bookings
    assert 0.0 < b.volume_l < 1.0 and b.note == "opened for a test, by the zone's curve"
    assert len(books.notes()) == 1


def test_from_a_level_that_nobody_knew_it_is_booked_from_the_brim() -> None:
    unknown = held(level_m=None, before=REST)
    books = Books(unknown)
    ledger.book_outcome(books.turn, unknown, outcome())
    assert books.bookings[0].volume_l == pytest.approx(books.litres(600.0, None), rel=1e-9)
    assert books.bookings[0].volume_l > books.litres(600.0)
    assert books.state.proof is None


def test_under_an_unknown_clock_the_day_is_that_of_the_order() -> None:
    yesterday = held(made_at=START - timedelta(days=1))
    books = Books(yesterday)
    books.turn.now = replace(books.turn.now, trust="unknown")
    ledger.book_outcome(books.turn, yesterday, outcome())
    assert books.bookings[0].day == TODAY - timedelta(days=1)
    late = held("o-2", made_at=START - timedelta(hours=5))  # 06:00 UTC is 23:00 of the day before there
    ledger.book_outcome(books.turn, late, outcome("o-2"))
    assert books.bookings[1].day == TODAY - timedelta(days=1)


# --- how long it was open at most


def node_up(books: Books, uptime_s: float) -> None:
    node = NodeView("s", int(uptime_s * 1000), books.turn.now.monotonic_s, 0, ())
    books.turn.change(node=node)


@pytest.mark.parametrize(
    ("after_s", "uptime_s", "booked_s"),
    [
        (
            4000.0,
            1000.0,
            3000.0,
        ),  # it came back 3000 s after the order was sent: so long it may have stood open
        (4000.0, 3900.0, 600.0),  # it came back at once: not shorter than ordered
        (200_000.0, 1.0, 86_400.0),  # never longer than the node itself says
    ],
)
def test_a_valve_that_stands_open_without_power_is_booked_until_its_node_came_back(
    after_s: float, uptime_s: float, booked_s: float
) -> None:
    for restored in (False, True):
        order_held = held(restored=restored)
        books = Books(order_held, after_s=after_s)
        node_up(books, uptime_s)
        ledger.book_outcome(books.turn, order_held, outcome(open_s=100.0, most_s=86_400.0, why="restart"))
        assert books.bookings[0].open_s == booked_s


def test_the_time_without_power_counts_from_when_the_order_was_sent() -> None:
    order_held = replace(held(), sent_mono_s=500.0)
    books = Books(order_held, after_s=4000.0)
    node_up(books, 1000.0)
    ledger.book_outcome(books.turn, order_held, outcome(open_s=100.0, most_s=86_400.0, why="restart"))
    # 4000 s, less 500 s before the order and 1000 s since it is back.
    assert books.bookings[0].open_s == 2500.0


def test_within_the_ordered_time_the_node_is_believed() -> None:
    books = Books(held(), after_s=4000.0)
    node_up(books, 1.0)
    ledger.book_outcome(books.turn, held(), outcome(open_s=100.0, most_s=600.0, why="restart"))
    assert books.bookings[0].open_s == 600.0


def test_after_a_restart_under_an_unknown_clock_the_ordered_time_is_booked() -> None:
    books = Books(held(restored=True), after_s=4000.0)
    books.turn.now = replace(books.turn.now, trust="unknown")
    node_up(books, 1.0)
    ledger.book_outcome(
        books.turn, held(restored=True), outcome(open_s=100.0, most_s=86_400.0, why="restart")
    )
    assert books.bookings[0].open_s == 600.0


def test_of_a_node_that_was_never_heard_the_most_it_says_is_booked() -> None:
    books = Books(held(), after_s=4000.0)
    books.turn.change(node=None)
    ledger.book_outcome(books.turn, held(), outcome(open_s=100.0, most_s=5000.0, why="restart"))
    assert books.bookings[0].open_s == 5000.0


# --- lost, nothing, never known


def test_a_lost_end_is_booked_at_the_ordered_time_from_nothing_up() -> None:
    books = Books(held())
    books.turn.change(zones_done=frozenset({"pots"}))
    ledger.book_lost(books.turn, held())
    (b,) = books.bookings
    assert (b.open_s, b.outcome, b.volume_low_l) == (600.0, None, 0.0)
    assert b.volume_l == pytest.approx(books.litres(600.0), rel=1e-9)
    assert b.note == "the node lost its record of this run"
    assert books.state.topped_up == {(TODAY, "pots")} and books.state.zones_done == frozenset()


def test_a_lost_end_of_a_test_is_not_made_good() -> None:
    books = Books(held(planned_l=()))
    ledger.book_lost(books.turn, held(planned_l=()))
    assert books.state.topped_up == frozenset()
    assert (
        books.bookings[0].note
        == "opened for a test, by the zone's curve; the node lost its record of this run"
    )


def test_an_order_that_opened_nothing_is_booked_with_nothing_and_the_next_one_waits() -> None:
    books = Books(held())
    ledger.book_nothing(books.turn, held(), "it never began")
    (b,) = books.bookings
    assert (b.volume_l, b.volume_low_l, b.volume_high_l, b.open_s) == (0.0, 0.0, 0.0, 0.0)
    assert b.given_l == () and b.outcome is None and b.note == "it never began"
    assert books.state.last_end_mono_s == 700.0 and books.state.intents == ()
    assert books.notes() == []  # nothing flowed: nothing to say
    test = Books(held("o-2", planned_l=()))
    ledger.book_nothing(test.turn, held("o-2", planned_l=()), "refused")
    assert test.bookings[0].note == "refused"


def test_an_order_that_this_store_never_knew_is_booked_for_its_valve_s_zone_at_the_most() -> None:
    books = Books()
    known_m = books.state.belief.level_m
    ledger.book_stranger(books.turn, replace(outcome("old-1", open_s=100.0, most_s=200.0), channel=2))
    (b,) = books.bookings
    assert (b.order_id, b.zone, b.day, b.open_s) == ("old-1", "bed", TODAY, 200.0)
    assert b.volume_l == pytest.approx(books.litres(200.0, known_m, "bed"), rel=1e-9)
    assert b.volume_low_l == 0.0 and b.volume_high_l == pytest.approx(b.volume_l * 1.04, rel=1e-9)
    assert b.note == "an order that this store did not know"
    assert sum(litres for _plant, litres in b.given_l) == pytest.approx(b.volume_l, rel=1e-6)
    assert b.at == books.turn.now.wall and b.outcome is not None
    assert books.state.draws[-1].at == books.turn.now.wall - timedelta(seconds=200.0)
    assert books.state.intents == ()


def test_a_flow_that_grows_less_is_booked_as_foreseen_for_the_day_of_the_run() -> None:
    """Its logarithm falls by 0.01 a day: after 100 days it is 0.8 / e."""
    foreseen = 0.8 / math.e
    for stranger in (True, False):
        books = Books(held())
        learned = FlowFactor(0.8, 0.1, START - timedelta(days=100), slope_per_day=-0.01)
        books.turn.change(flow=joined((z.id, learned) for z in books.state.site.zones))
        books.turn.now = replace(books.turn.now, wall=START)
        if stranger:
            books.turn.change(belief=replace(books.state.belief, level_m=LEVEL_M))
            ledger.book_stranger(books.turn, outcome("old-1"))
        else:
            ledger.book_outcome(books.turn, held(), outcome())
        wanted = expected_litres(books.state.model, "pots", LEVEL_M, 598.0, foreseen).volume_l
        assert books.bookings[0].volume_l == pytest.approx(wanted, rel=1e-6)


def test_a_stranger_s_time_without_power_is_bounded_by_the_node_s_longest_opening() -> None:
    for open_s, most_s, booked_s in ((100.0, 86_400.0, 7200.0), (9000.0, 86_400.0, 9000.0)):
        books = Books()
        site = replace(books.state.site, node=replace(books.state.site.node, longest_open_s=7200.0))
        books.turn.change(site=site)
        ledger.book_stranger(books.turn, outcome("old-1", open_s=open_s, most_s=most_s))
        assert books.bookings[0].open_s == booked_s


def test_a_stranger_is_booked_from_the_brim_while_the_level_is_unknown() -> None:
    books = Books()
    books.turn.change(belief=replace(books.state.belief, quality="unknown", level_m=None))
    ledger.book_stranger(books.turn, outcome("old-1", open_s=100.0))
    assert books.bookings[0].volume_l == pytest.approx(books.litres(100.0, None), rel=1e-9)


def test_a_stranger_in_front_of_empty_barrels_is_booked_from_the_outlet_s_height() -> None:
    books = Books()
    books.turn.change(belief=replace(books.state.belief, level_m=0.0))
    ledger.book_stranger(books.turn, outcome("old-1", open_s=100.0))
    assert books.bookings[0].volume_l == pytest.approx(books.litres(100.0, 0.0), rel=1e-9)
    assert books.bookings[0].volume_l < books.litres(100.0, 0.5)


def test_a_stranger_on_a_valve_that_no_zone_has_is_only_noted() -> None:
    books = Books()
    ledger.book_stranger(books.turn, replace(outcome("old-1"), channel=4))
    assert books.bookings == [] and "channel 4" in books.notes()[0]


# --- the proof by the level


def test_a_run_ordered_at_a_level_at_rest_is_to_be_proven() -> None:
    books = Books(held(before=REST))
    ledger.book_outcome(books.turn, held(before=REST), outcome())
    proof = books.state.proof
    assert proof is not None
    assert (proof.order_id, proof.zone, proof.before, proof.ordered_at) == ("o-1", "pots", REST, START)
    assert (proof.ended_mono_s, proof.ended_at) == (700.0, books.turn.now.wall)
    assert proof.booked_l == books.bookings[0].volume_l
    plain = expected_litres(books.state.model, "pots", LEVEL_M, 598.0, 1.0).volume_l
    assert proof.modelled_l == pytest.approx(plain, rel=1e-9) and plain > 1.1 * proof.booked_l


def test_without_a_level_at_rest_there_is_no_proof() -> None:
    books = Books(held())
    ledger.book_outcome(books.turn, held(), outcome())
    assert books.state.proof is None


# --- the days


def balanced(*, days: int = 3, **changes: Any) -> Books:
    """Balanced up to ``days`` ago."""
    books = Books()
    then = TODAY - timedelta(days=days)
    full = tuple(replace(z, depletion_mm=5.0) for z in books.state.zones_now)
    fields: dict[str, Any] = {
        "base_day": then, "base_zones": full, "zones_now": full, "balanced_day": then, "days": (),
        "given_l": (), "weather": dry_days(then - timedelta(days=3), days + 8), "outlook": None,
    }  # fmt: skip
    books.turn.change(**(fields | changes))
    return books


def recorded(books: Books) -> list[date]:
    return [e.weather.day for e in books.turn.effects if isinstance(e, RecordDay)]


def test_each_day_up_to_yesterday_is_balanced_once() -> None:
    books = balanced()
    ledger.balance_days(books.turn)
    assert recorded(books) == [TODAY - timedelta(days=n) for n in (2, 1)]
    assert books.state.balanced_day == TODAY - timedelta(days=1)
    ledger.balance_days(books.turn)
    ledger.balance_days(books.turn, again=True)  # nothing of it changed: nothing is recorded again
    assert len(recorded(books)) == 2


@pytest.mark.parametrize("base_day", [None, TODAY - timedelta(days=1), TODAY])
def test_before_the_first_balance_or_with_a_clock_that_went_back_behind_it_nothing_is_balanced(
    base_day: date | None,
) -> None:
    books = balanced(base_day=base_day, balanced_day=base_day)
    lacking = tuple(replace(z, depletion_mm=7.0) for z in books.state.zones_now)
    books.turn.change(zones_now=lacking)
    ledger.balance_days(books.turn, again=True)
    assert books.turn.effects == [] and books.state.zones_now == lacking
    assert books.state.balanced_day == base_day


def test_a_day_whose_rain_is_mended_is_recorded_again_and_those_after_it() -> None:
    books = balanced()
    ledger.balance_days(books.turn)
    dry = {z.plant: z.depletion_mm for z in books.state.zones_now}
    wet_day = TODAY - timedelta(days=2)
    books.turn.effects.clear()
    books.turn.change(rain_known=frozenset({wet_day}))
    ledger.take_weather(books.turn, (DayWeather(wet_day, rain_mm=12.0),))
    assert recorded(books) == [wet_day, TODAY - timedelta(days=1)]
    assert all(z.depletion_mm < dry[z.plant] for z in books.state.zones_now)


def test_weather_before_the_first_balance_is_kept_and_balances_nothing() -> None:
    books = balanced(balanced_day=None, base_day=None)
    ledger.take_weather(books.turn, (DayWeather(TODAY, rain_mm=1.0),))
    assert recorded(books) == [] and any(d.day == TODAY and d.rain_mm == 1.0 for d in books.state.weather)


def test_the_base_moves_on_when_a_day_is_a_week_old_and_older_days_are_forgotten() -> None:
    books = balanced(days=12)
    given = ((TODAY - timedelta(days=9), "sage", 1.0), (TODAY - timedelta(days=8), "sage", 2.0),
             (TODAY - timedelta(days=7), "sage", 3.0))  # fmt: skip
    books.turn.change(given_l=given, rain_known=frozenset(TODAY - timedelta(days=n) for n in range(1, 20)))
    ledger.balance_days(books.turn)
    # Yesterday less seven days is the last day that no later fetch mends.
    base = TODAY - timedelta(days=8)
    assert books.state.base_day == base
    then = next(e for e in books.turn.effects if isinstance(e, RecordDay) and e.weather.day == base)
    assert {z.plant: z.depletion_mm for z in books.state.base_zones} == {
        z.plant: z.depletion_mm for z in then.root_zones
    }
    assert books.state.base_zones != books.state.zones_now
    assert [g[0] for g in books.state.given_l] == [TODAY - timedelta(days=7)]
    assert min(d.day for d in books.state.weather) == base - timedelta(days=7)
    assert min(books.state.rain_known) == base - timedelta(days=7)


def test_water_given_lessens_what_a_plant_lacks_on_its_own_day_only() -> None:
    plain, watered = balanced(), balanced(given_l=((TODAY - timedelta(days=1), "sage", 2.0),))
    for books in (plain, watered):
        ledger.balance_days(books.turn)
    lacking = [{z.plant: z.depletion_mm for z in b.state.zones_now} for b in (plain, watered)]
    assert lacking[1]["sage"] < lacking[0]["sage"] and lacking[1]["thyme"] == lacking[0]["thyme"]
    zones = {z.plant: z for e in watered.turn.effects if isinstance(e, RecordDay) for z in e.root_zones}
    assert zones["sage"].given_l == 2.0 and zones["sage"].day == TODAY - timedelta(days=1)
    first = next(e for e in watered.turn.effects if isinstance(e, RecordDay))
    assert {z.plant: z.given_l for z in first.root_zones} == {"tomato": 0.0, "sage": 0.0, "thyme": 0.0}


def test_water_given_today_counts_at_once_by_what_reaches_the_roots() -> None:
    books = balanced(given_l=((TODAY, "sage", 0.9),), days=1)
    before = {z.plant: z.depletion_mm for z in books.state.zones_now}
    after = ledger.zones_after_today(books.state, TODAY)
    canopy_m2 = next(p.canopy_m2 for p in books.state.site.plants if p.id == "sage")
    reached = ledger.APPLICATION_EFFICIENCY * 0.9 / canopy_m2
    assert after["sage"].depletion_mm == pytest.approx(before["sage"] - reached)
    assert (
        after["sage"].last_watered == TODAY
        and after["thyme"] == {z.plant: z for z in books.state.zones_now}["thyme"]
    )
    much = replace(books.state, given_l=((TODAY, "sage", 500.0),))
    assert ledger.zones_after_today(much, TODAY)["sage"].depletion_mm == 0.0


def test_rain_typed_of_today_counts_at_once_the_last_word_for_it() -> None:
    books = balanced(days=1, rain_typed=((TODAY, 9.0), (TODAY, 4.0), (TODAY - timedelta(days=1), 30.0)))
    before = {z.plant: z.depletion_mm for z in books.state.zones_now}
    after = ledger.zones_after_today(books.state, TODAY)
    dry = ledger.zones_after_today(replace(books.state, rain_typed=()), TODAY)
    for plant, lacked in before.items():
        assert dry[plant].depletion_mm == lacked
        assert lacked - 4.0 <= after[plant].depletion_mm < lacked


# --- the weather of a day


def test_without_a_temperature_the_days_around_speak_and_without_them_a_typical_day() -> None:
    books = balanced()
    gap = TODAY - timedelta(days=1)
    days = tuple(replace(d, tmin_c=None, tmax_c=None) if d.day == gap else d for d in books.state.weather)
    state = replace(books.state, weather=days)
    near = [ledger.weather_of(state, d.day)[1].et0_mm for d in days if d.day != gap]
    _weather, et0 = ledger.weather_of(state, gap)
    assert et0.et0_mm == pytest.approx(sum(near) / len(near), rel=1e-9)
    assert et0.method == f"mean of {len(near)} days around it" and et0.filled == ("tmin", "tmax")
    _weather, et0 = ledger.weather_of(replace(state, weather=()), gap)
    assert (et0.et0_mm, et0.method, et0.filled) == (4.0, "a typical summer day", ("tmin", "tmax"))


def test_the_record_of_a_day_says_how_its_reference_et_was_found() -> None:
    gap = TODAY - timedelta(days=1)
    books = balanced(days=2, weather=(DayWeather(gap, rain_mm=0.0),))
    ledger.balance_days(books.turn)
    (record,) = [e for e in books.turn.effects if isinstance(e, RecordDay)]
    assert {(z.et0_mm, z.et0_method) for z in record.root_zones} == {(4.0, "a typical summer day")}


@pytest.mark.parametrize(("depletion_mm", "stress"), [(0.0, 0.0), (1000.0, 1.0)])
def test_the_record_of_a_day_says_what_its_plants_lacked(depletion_mm: float, stress: float) -> None:
    """FAO-56, eq. 84: none at field capacity; once all that it reaches is used a plant can draw nothing."""
    books = balanced(days=2)
    zones = tuple(replace(z, depletion_mm=depletion_mm) for z in books.state.base_zones)
    books.turn.change(base_zones=zones)
    ledger.balance_days(books.turn)
    (record,) = [e for e in books.turn.effects if isinstance(e, RecordDay)]
    assert {z.stress for z in record.root_zones} == {stress}


def test_days_more_than_a_week_away_do_not_speak_for_a_day() -> None:
    books = balanced()
    for away, method in ((7, "mean of 1 days around it"), (8, "a typical summer day")):
        state = replace(books.state, weather=dry_days(TODAY - timedelta(days=away), 1))
        assert ledger.weather_of(state, TODAY)[1].method == method


def test_a_day_that_nobody_told_of_has_unknown_rain() -> None:
    state = replace(balanced().state, weather=())
    weather, _et0 = ledger.weather_of(state, TODAY - timedelta(days=1))
    assert weather.day == TODAY - timedelta(days=1) and weather.rain_mm is None


def test_rain_as_the_service_told_it_bears_no_other_name_and_typed_rain_bears_its_own() -> None:
    books = balanced()
    day = TODAY - timedelta(days=1)
    days = (DayWeather(day, rain_mm=3.0),)
    told = replace(books.state, weather=days, rain_known=frozenset({day}))
    weather, _et0 = ledger.weather_of(told, day)
    assert (weather.rain_mm, weather.rain_by, weather.rain_told_mm) == (3.0, "", None)
    weather, _et0 = ledger.weather_of(replace(told, rain_typed=((day, 7.0),)), day)
    assert (weather.rain_mm, weather.rain_by, weather.rain_told_mm) == (7.0, "typed or gauge", 3.0)


def test_the_forecast_s_own_figure_of_the_day_is_taken_where_it_has_one() -> None:
    books = balanced()
    day = TODAY - timedelta(days=1)
    outlook = Outlook(books.state.weather, "test", START, et0=(Et0Estimate(day, 6.25, 5.0, 7.5, "told"),))
    _weather, et0 = ledger.weather_of(replace(books.state, outlook=outlook), day)
    assert (et0.et0_mm, et0.method, et0.filled) == (6.25, "told", ())


def test_temperatures_of_past_years_serve_for_the_figure_and_are_not_kept_as_the_day_s_own() -> None:
    books = balanced()
    day = TODAY - timedelta(days=1)
    for source, kept in ((STORED_YEARS, False), ("another service", True)):
        borrowed = (Borrowed(source, START, ((day, "tmin_c"), (day, "tmax_c"))),)
        et0 = (Et0Estimate(day, 6.25, 5.0, 7.5, "told"),)
        outlook = Outlook(books.state.weather, "test", START, borrowed=borrowed, et0=et0)
        weather, _et0 = ledger.weather_of(replace(books.state, outlook=outlook), day)
        assert (weather.tmin_c is not None) == kept and (weather.tmax_c is not None) == kept
