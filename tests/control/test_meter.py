"""A flow meter proves that water came, where it counts at all."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from scheduler.control.effects import Booking, Intent, Note, RecordBooking
from scheduler.control.meter import Metered, RunWater, by_meter, count_run, metered, see_meter
from scheduler.control.orders import EndReason, Order, RunOutcome, ValvePosition, ValveStatus
from scheduler.control.state import MeterBegin, NodeView, OpenIntent, Proof, Turn
from scheduler.sensing.flow import fresh_flow, joined
from scheduler.sensing.rest import RestLevel
from scheduler.site.model import DisplayUnits
from tests.support.driving import START, Driver
from tests.support.gardens import small_garden


def _run(driver: Driver, before: int, after: int | None) -> list[str]:
    """One run asked for; the meter's count before and after it. What the service notes of the meter."""
    already = len(driver.orders())
    driver.feed(replace(driver.node.says(driver.now), flow_pulses=before))
    driver.ask("water", "bed", 10.0)
    (order,) = driver.orders()[already:]
    driver.node.opens(order)
    driver.feed(replace(driver.node.says(driver.now), flow_pulses=before))
    driver.mono_s += order.open_ms / 1000
    driver.node.ends(order)
    notes = len(driver.all(Note))
    driver.feed(replace(driver.node.says(driver.now), flow_pulses=after))
    driver.wait(1200.0)
    return [n.text for n in driver.all(Note)[notes:] if "flow meter" in n.text]


def test_a_run_that_the_meter_counted_is_noted_with_its_pulses() -> None:
    driver = Driver(small_garden())
    driver.ready()
    assert _run(driver, 100, 350) == ["Zone bed: the flow meter counted 250 pulse(s)."]


def test_a_run_of_which_it_counted_nothing_is_noted_only_where_it_did_count_before() -> None:
    driver = Driver(small_garden())
    driver.ready()
    assert _run(driver, 100, 100) == []  # it may not turn at such a flow
    assert len(_run(driver, 100, 350)) == 1
    (text,) = _run(driver, 350, 350)
    assert "counted nothing" in text


def test_a_count_that_begins_anew_or_is_missing_says_nothing() -> None:
    driver = Driver(small_garden())
    driver.ready()
    assert _run(driver, 100, 7) == []
    assert _run(driver, 100, None) == []


# --- litres, where the site file says what a pulse is

BEFORE, WANTED_L = 1000, 10.0


def _booked(
    counted: int,
    pulse_l: float | None,
    *,
    why: EndReason = "time_up",
    flow_sd: float = 0.03,
    at_opening: int | None = 0,
    seen_late_s: float = 0.0,
    told_late_s: float = 0.0,
    reboot: bool = False,
    for_test: bool = False,
    units: DisplayUnits = "metric",
) -> tuple[Booking, float]:
    """A run of 10 L by the curve, past a meter that counts so many pulses; and what the curve says.

    ``at_opening``: what it counted since the last report before the order, all of it water of others.
    """
    site = small_garden()
    curve_l = 0.0
    for pulse in (None, pulse_l):
        driver = Driver(replace(site, node=replace(site.node, meter_pulse_l=pulse), units=units))
        driver.ready()
        flows = ((z.id, replace(fresh_flow(z, None), sd=flow_sd)) for z in site.zones)
        driver.state = replace(driver.state, flow=joined(flows))
        driver.feed(replace(driver.node.says(driver.now), flow_pulses=BEFORE))
        driver.mono_s += 200.0
        if for_test:
            driver.ask("open_for", "bed", 600.0)
        else:
            driver.ask("water", "bed", WANTED_L)
        (order,) = driver.orders()
        driver.node.opens(order)
        began = None if at_opening is None else BEFORE + at_opening
        driver.mono_s += seen_late_s
        said = driver.node.says(driver.now)
        valves = tuple(replace(v, open_ms=int(seen_late_s * 1000)) for v in said.valves)
        driver.feed(replace(said, valves=valves, flow_pulses=began))
        driver.mono_s += order.open_ms / 1000 - seen_late_s + told_late_s
        driver.node.ends(order, why=why)
        if reboot:
            ended = driver.node.outcomes
            driver.node.reboots(driver.mono_s - 1.0)
            driver.node.outcomes = ended
        driver.feed(replace(driver.node.says(driver.now), flow_pulses=BEFORE + (at_opening or 0) + counted))
        booking = driver.all(RecordBooking)[0].booking
        curve_l = booking.volume_l if pulse is None else curve_l
    return booking, curve_l


def test_a_run_that_the_meter_agrees_with_is_booked_by_the_meter() -> None:
    booking, curve_l = _booked(1030, 0.01)
    assert curve_l == pytest.approx(10.0, rel=0.02)
    assert booking.volume_l == pytest.approx(10.3) and booking.note == "metered"
    # 1030 pulses of 0.01 L; one less, and 5 % (OIML R 49-1, class 2, from memory).
    assert booking.volume_low_l == pytest.approx(1029 * 0.01 * 0.95)
    assert sum(litres for _plant, litres in booking.given_l) == pytest.approx(10.3, rel=1e-6)


def test_a_meter_that_slips_leaves_the_curves_own_most_within_the_bounds() -> None:
    booking, curve_l = _booked(970, 0.01)
    assert booking.note == "metered" and booking.volume_high_l > curve_l > booking.volume_l


@pytest.mark.parametrize("counted", [1, 2, 3])
def test_a_coarse_meter_books_nothing_of_its_own(counted: int) -> None:
    booking, curve_l = _booked(counted, 5.0)
    assert booking.volume_l == curve_l and booking.note == ""


def test_before_the_level_has_proven_the_curve_a_meter_is_not_believed() -> None:
    booking, curve_l = _booked(800, 0.01, flow_sd=0.1)
    assert booking.volume_l == curve_l and booking.note == ""
    assert booking.volume_low_l <= 8.0


@pytest.mark.parametrize("says_l", [1.0, 40.0])
def test_a_meter_that_contradicts_the_curve_is_told_and_both_are_within_the_bounds(says_l: float) -> None:
    booking, curve_l = _booked(round(100 * says_l), 0.01)
    assert booking.volume_l == curve_l
    assert booking.note == f"the flow meter says {says_l:.1f} L"
    assert booking.volume_low_l < min(says_l, curve_l) and booking.volume_high_l > max(says_l, curve_l)


def test_what_a_meter_says_against_the_curve_is_told_in_the_garden_s_own_units() -> None:
    booking, _curve_l = _booked(4000, 0.01, units="us")  # 40 L of 3.785 L to the US gallon
    assert booking.note == "the flow meter says 10.6 gal"


def test_water_of_others_before_the_valve_opened_is_not_the_runs() -> None:
    booking, _curve_l = _booked(1000, 0.01, at_opening=300)
    assert booking.volume_l == pytest.approx(10.0) and booking.note == "metered"


@pytest.mark.parametrize(
    "late", [{"seen_late_s": 60.0}, {"told_late_s": 120.0}, {"at_opening": None}, {"reboot": True}]
)
def test_a_count_whose_begin_or_end_was_not_heard_in_time_says_nothing(late: dict[str, Any]) -> None:
    booking, curve_l = _booked(1030, 0.01, **late)
    assert booking.volume_l == curve_l and booking.note == ""


@pytest.mark.parametrize(("counted", "pulse_l"), [(1030, None), (0, 0.01), (-20, 0.01)])
def test_without_a_known_pulse_or_a_count_that_grew_the_curve_is_booked(
    counted: int, pulse_l: float | None
) -> None:
    booking, curve_l = _booked(counted, pulse_l)
    assert booking.volume_l == curve_l and booking.note == ""


def test_a_run_for_a_test_says_so_also_where_it_is_metered() -> None:
    _booking, curve_l = _booked(1, 0.01, for_test=True)
    booking, _curve_l = _booked(round(100 * curve_l), 0.01, for_test=True)
    assert booking.note == "opened for a test; metered" and booking.given_l == ()


def test_where_the_curve_knows_of_no_water_the_meters_is_booked_and_told() -> None:
    water = by_meter(RunWater({"sage": 0.0}, 0.0, 0.0, 0.0), Metered(4.0, 3.8, 4.2), 0.03, "metric")
    assert (water.volume_l, water.low_l, water.high_l) == (4.0, 0.0, 4.2)
    assert water.note == "the flow meter says 4.0 L" and water.litres == {"sage": 0.0}


# --- the counts, each at its edge

ORDER = Order("shed", "s", 1, "o-1", 1, 600_000, 10**9)


def a_turn(*, meter: MeterBegin | None = None, pulses: int | None = 500, **changes: Any) -> tuple[Turn, Any]:
    """One order under way for the pots; the node up for 1000 s, its meter at ``pulses``."""
    driver = Driver(small_garden())
    driver.ready()
    held = OpenIntent(Intent(ORDER, "pots", START, 0.5, (("tomato", 1.0),), 1.0), 0.0, meter=meter)
    held = replace(held, **{k: changes.pop(k) for k in ("seen_running",) if k in changes})
    node = NodeView("s", 1_000_000, 0.0, 1, (), flow_pulses=pulses)
    return Turn(driver.state.changed({"intents": (held,), "node": node} | changes), driver.now), held


@pytest.mark.parametrize(
    ("position", "open_ms", "order_id", "pulses", "seen"),
    [
        ("opening", 0, "o-1", 500, True), ("open", 10_000, "o-1", 500, True),
        ("open", 10_001, "o-1", 500, False), ("closing", 0, "o-1", 500, False),
        ("open", 0, "else", 500, False), ("open", 0, "o-1", None, False),
    ],
)  # fmt: skip
def test_where_the_meter_stood_is_kept_within_ten_seconds_of_an_order_s_opening(
    position: ValvePosition, open_ms: int, order_id: str, pulses: int | None, seen: bool
) -> None:
    for changes, may in (({}, True), ({"seen_running": True}, False)):
        turn, _held = a_turn(**changes)
        heard = replace(
            Driver(small_garden()).node.says(turn.now), session="s", uptime_ms=700_000, flow_pulses=pulses,
            valves=(ValveStatus(1, position, order_id, open_ms),),
        )  # fmt: skip
        see_meter(turn, heard)
        kept = MeterBegin("s", 700_000 - open_ms, 500) if seen and may else None
        assert [h.meter for h in turn.state.intents] == [kept]
    first = MeterBegin("s", 5, 7)
    turn, _held = a_turn(meter=first)
    see_meter(turn, heard)
    assert turn.state.intents[0].meter == first  # once is enough


def counted_l(
    pulses: int | None, begin: MeterBegin | None, open_ms: int = 600_000, **changes: Any
) -> float | None:
    turn, held = a_turn(meter=begin, pulses=pulses, **changes)
    site = replace(turn.state.site, node=replace(turn.state.site.node, meter_pulse_l=0.5))
    turn.change(site=site)
    found = metered(turn, held, RunOutcome("o-1", 1, open_ms, open_ms, "time_up"))
    return found.volume_l if found is not None else None


def test_pulses_count_until_ten_seconds_after_the_valve_was_shut() -> None:
    """600 s open, 8 s to close; the node has been up for 1000 s."""
    assert counted_l(500, MeterBegin("s", 382_000, 400)) == 50.0  # 1000 - 382 - 600 - 8 = 10
    assert counted_l(500, MeterBegin("s", 381_999, 400)) is None
    assert counted_l(500, MeterBegin("t", 390_000, 400)) is None  # it counts from 0 since
    assert counted_l(500, None) is None and counted_l(None, MeterBegin("s", 390_000, 400)) is None
    assert counted_l(500, MeterBegin("s", 390_000, 400), node=None) is None
    assert counted_l(500, MeterBegin("s", 390_000, 499)) == 0.5
    assert counted_l(500, MeterBegin("s", 390_000, 500)) is None  # it did not turn


def test_the_bounds_of_a_count_are_a_pulse_and_five_per_cent() -> None:
    turn, held = a_turn(meter=MeterBegin("s", 390_000, 400))
    turn.change(site=replace(turn.state.site, node=replace(turn.state.site.node, meter_pulse_l=0.5)))
    found = metered(turn, held, RunOutcome("o-1", 1, 600_000, 600_000, "time_up"))
    # 99 and 101 pulses of 0.5 L, less and more 5 % (OIML R 49-1, class 2, from memory).
    assert found == Metered(50.0, pytest.approx(49.5 * 0.95), pytest.approx(50.5 * 1.05))


@pytest.mark.parametrize(
    ("counted", "open_ms", "known", "poor", "then"),
    [
        (0, 600_000, True, (), (("pots", 1),)),
        (0, 600_000, True, (("bed", 1), ("pots", 2)), (("bed", 1), ("pots", 3))),
        (0, 600_000, True, (("pots", -2),), (("pots", 1),)),  # over before, short now
        (0, 60_000, True, (), (("pots", 1),)),
        (0, 59_999, True, (), ()),  # it may not have turned yet
        (0, 600_000, False, (), ()),  # it never counted there
        (1, 600_000, True, (), ()),
    ],
)
def test_a_run_of_which_a_meter_that_counts_counted_nothing_is_a_poor_one(
    counted: int, open_ms: int, known: bool, poor: Any, then: Any
) -> None:
    begin = MeterBegin("s", 1_000_000 - open_ms - 8000, 500 - counted)
    turn, held = a_turn(meter=begin, poor_runs=poor, metered=frozenset({"pots"} if known else ()))
    count_run(turn, held, RunOutcome("o-1", 1, open_ms, open_ms, "time_up"))
    assert turn.state.poor_runs == then
    proof = Proof("o-1", "pots", 1.0, 1.0, RestLevel(0.5, 0.001, 9, START), START, 0.0, START, None)
    turn, held = a_turn(meter=begin, poor_runs=poor, metered=frozenset({"pots"}), proof=proof)
    count_run(turn, held, RunOutcome("o-1", 1, open_ms, open_ms, "time_up"))
    assert turn.state.poor_runs == poor  # the level judges the same run


def test_one_pulse_proves_that_the_zone_s_runs_are_counted() -> None:
    turn, held = a_turn(meter=MeterBegin("s", 390_000, 499))
    count_run(turn, held, RunOutcome("o-1", 1, 600_000, 600_000, "time_up"))
    assert turn.state.metered == {"pots"}


CURVE = RunWater({"sage": 6.0, "thyme": 4.0}, 10.0, 9.0, 11.0)


@pytest.mark.parametrize(
    ("meter", "sd", "wanted"),
    [
        # Just beside each other, and just not: the one contradicts, the other is only no finer.
        (Metered(8.0, 7.0, 8.999), 0.03, (10.0, 7.0, 11.0, "the flow meter says 8.0 L")),
        (Metered(8.0, 7.0, 9.0), 0.03, (10.0, 9.0, 11.0, "")),
        (Metered(12.0, 11.001, 13.0), 0.03, (10.0, 9.0, 13.0, "the flow meter says 12.0 L")),
        (Metered(12.0, 11.0, 13.0), 0.03, (10.0, 9.0, 11.0, "")),
        # As wide as the curve's own bounds, and a little finer; known as well as a meter is true, and less.
        (Metered(9.5, 8.5, 10.5), 0.03, (10.0, 9.0, 11.0, "")),
        (Metered(9.5, 8.6, 10.5), 0.03, (9.5, 9.0, 11.0, "metered")),
        (Metered(9.5, 9.2, 9.8), 0.05, (9.5, 9.2, 11.0, "metered")),
        (Metered(9.5, 9.2, 9.8), 0.0501, (10.0, 9.0, 11.0, "")),
        # Never more than the most by the curve, nor a low end above what is booked.
        (Metered(11.4, 10.9, 11.9), 0.03, (11.0, 10.9, 11.0, "metered")),
        (None, 0.03, (10.0, 9.0, 11.0, "")),
    ],
)
def test_a_meter_is_believed_where_it_agrees_and_is_the_finer_of_the_two(
    meter: Metered | None, sd: float, wanted: tuple[float, float, float, str]
) -> None:
    found = by_meter(CURVE, meter, sd, "metric")
    assert (found.volume_l, found.low_l, found.high_l, found.note) == wanted
    assert found.litres == pytest.approx({"sage": 0.6 * wanted[0], "thyme": 0.4 * wanted[0]})


def test_also_of_less_than_a_litre_the_meter_is_believed_where_it_agrees() -> None:
    found = by_meter(RunWater({"sage": 0.8}, 0.8, 0.7, 0.9), Metered(0.81, 0.79, 0.83), 0.03, "metric")
    assert (found.volume_l, found.low_l, found.high_l, found.note) == (0.81, 0.79, 0.9, "metered")
