"""No order id is used twice, in whatever life of the service."""

from __future__ import annotations

from scheduler.control.effects import SendOrder
from scheduler.control.state import Saved
from tests.support.driving import Driver
from tests.support.gardens import small_garden


def test_an_id_that_was_written_down_and_never_sent_is_not_used_again() -> None:
    """The service dies between intent and order; its next life books nothing for it, and orders anew."""
    site = small_garden()
    before = Driver(site)
    order = before.to_first_order()
    intent = before.state.intents[0].intent
    after = Driver(site, Saved(open_intents=(intent,)), start=before.now.wall)
    after.node.booted_at_s = before.node.booted_at_s - before.mono_s  # the node went on, and never had it
    after.ready()
    after.wait(120)
    assert order.order_id in after.state.booked
    after.dry_out()
    after.wait(3600)
    again = [e.order for e in after.effects if isinstance(e, SendOrder)]
    assert again and again[0].session == order.session
    assert order.order_id not in {o.order_id for o in again}
