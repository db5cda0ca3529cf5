"""What became of a zone's orders is told by what was written down."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta

from scheduler.control.effects import Booking, Intent
from scheduler.control.orders import EndReason, Order, RunOutcome
from scheduler.planning.plan import PlannedRun
from scheduler.report.orders_told import orders_told
from scheduler.site.examples import example_site

SITE = example_site("five-drums")
START = datetime(2012, 8, 4, 12, 0, tzinfo=UTC)  # 05:00 in Seattle
RUN = PlannedRun(
    zone="pots",
    start=START,
    run_s=1200.0,
    volume_l=7.9,
    level_start_m=0.4,
    level_end_m=0.39,
    shares=(),
    reasons=(),
)


def booked(order: str, open_s: float, why: EndReason | None = "time_up", note: str = "") -> Booking:
    ms = int(1000 * open_s)
    outcome = RunOutcome(order, 1, ms, ms, why) if why is not None else None
    return Booking(
        order, "pots", date(2012, 8, 4), START, open_s, outcome, (), open_s / 150.0, 0.0, 9.0, note
    )


def sent(order: str, after: timedelta, open_s: float, asked_by: str | None = None) -> Intent:
    made = Order("shed", "5e55", 1, order, 1, int(1000 * open_s), 60_000)
    return Intent(made, "pots", START + after, 0.4, (("tomato-1", 2.1),), 2.1, asked_by)


def test_a_run_as_planned_says_nothing() -> None:
    at_once = sent("a", timedelta(minutes=1), 1200.0)
    assert orders_told(SITE, RUN, [booked("a", 1200.0)], [at_once]) == []


def test_orders_that_opened_nothing_are_counted_by_what_was_written_down() -> None:
    bookings = [
        *(booked(f"o{n}", 0.0, None, "refused: too late") for n in range(9)),
        booked("p", 0.0, None, "it never began"),
        booked("q", 0.0, None),
    ]
    assert orders_told(SITE, RUN, bookings, []) == [
        "9 orders opened nothing: refused: too late",
        "1 order opened nothing: it never began",
        "1 order opened nothing: the reason was not written down",
    ]


def test_the_one_that_opened_late_and_for_less_says_when_and_for_how_much() -> None:
    late = sent("a", timedelta(hours=2, minutes=40), 320.0)
    (said,) = orders_told(SITE, RUN, [booked("z", 0.0, None, "x"), booked("a", 320.0)], [late])[1:]
    assert "went out at 07:40 PDT, 2 h 40 min after the planned start, for 5 min and 2.1 L" in said
    assert "what its window had left" in said


def test_a_run_that_a_person_asked_for_is_not_late() -> None:
    asked = sent("a", timedelta(hours=9), 320.0, asked_by="ana")
    assert orders_told(SITE, RUN, [booked("a", 320.0)], [asked]) == []


def test_a_run_cut_short_says_after_how_long_and_why() -> None:
    at_once = sent("a", timedelta(0), 1200.0)
    (said,) = orders_told(SITE, RUN, [booked("a", 600.0, "low_supply")], [at_once])
    assert said == "A run ended after 10 min: the supply voltage was low"
    (said,) = orders_told(SITE, RUN, [booked("a", 1200.0, None, "the node lost its record")], [at_once])
    assert "the most that can have flowed" in said and "lost its record" in said
