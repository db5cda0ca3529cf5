"""Every change of phase the controller can make, as one table.

How to edit: a row is (phase, what was seen) -> phase. What is not in the table cannot happen: it raises
and changes nothing. Phases: ``unheard`` the node has not spoken; ``at_rest`` every valve is proven shut;
``ordered`` an order is under way, no valve has moved; ``running`` the node holds a valve open on our
order; ``unproven`` a valve is not where it should be.
"""

from __future__ import annotations

from typing import Literal

from scheduler.control.state import Phase

Sight = Literal[
    "all_shut",  # an authentic state: every valve closed
    "our_run",  # an authentic state: a valve moving or open on an order of ours
    "stray",  # a valve moving or open on no order of ours, or position unknown
    "fault",  # the node says that a valve is in fault
    "order_sent",
    "order_over",  # the order is booked or void
    "overdue",  # an order's time is over and no closed valve was reported
    "silent",  # nothing heard for too long
]


class IllegalTransition(RuntimeError):
    """The table has no such row: a defect of ours, never of the garden."""


TRANSITIONS: dict[tuple[Phase, Sight], Phase] = {
    ("unheard", "all_shut"): "at_rest",
    ("unheard", "our_run"): "running",
    ("unheard", "stray"): "unproven",
    ("unheard", "fault"): "unproven",
    ("unheard", "silent"): "unheard",
    ("unheard", "overdue"): "unheard",
    ("unheard", "order_over"): "unheard",
    ("at_rest", "all_shut"): "at_rest",
    ("at_rest", "our_run"): "running",
    ("at_rest", "stray"): "unproven",
    ("at_rest", "fault"): "unproven",
    ("at_rest", "silent"): "unheard",
    ("at_rest", "order_sent"): "ordered",
    ("at_rest", "order_over"): "at_rest",
    ("ordered", "all_shut"): "ordered",
    ("ordered", "our_run"): "running",
    ("ordered", "stray"): "unproven",
    ("ordered", "fault"): "unproven",
    ("ordered", "silent"): "unheard",
    ("ordered", "order_over"): "at_rest",
    ("ordered", "overdue"): "unproven",
    ("running", "all_shut"): "running",  # shut, but its outcome is still to come
    ("running", "our_run"): "running",
    ("running", "stray"): "unproven",
    ("running", "fault"): "unproven",
    ("running", "silent"): "unheard",
    ("running", "order_over"): "at_rest",
    ("running", "overdue"): "unproven",
    ("unproven", "all_shut"): "at_rest",
    ("unproven", "our_run"): "running",
    ("unproven", "stray"): "unproven",
    ("unproven", "fault"): "unproven",
    ("unproven", "silent"): "unheard",
    ("unproven", "order_over"): "unproven",
    ("unproven", "overdue"): "unproven",
}


def next_phase(phase: Phase, sight: Sight) -> Phase:
    """The phase after ``sight``; IllegalTransition when the table has no such row."""
    try:
        return TRANSITIONS[phase, sight]
    except KeyError:
        raise IllegalTransition(f"{sight!r} cannot be seen in phase {phase!r}") from None
