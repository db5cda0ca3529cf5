"""The openings of a run are known again from the store: which are over, and when the next may be."""

from __future__ import annotations

from dataclasses import replace
from datetime import time
from pathlib import Path
from typing import get_args

from scheduler.control.controller import begin
from scheduler.control.effects import Record, RecordIntent, SendOrder
from scheduler.site.model import WateringWindow
from scheduler.store.store import Store, store_url
from tests.support.driving import Driver
from tests.support.gardens import small_garden

SITE = replace(small_garden(), windows=(WateringWindow(time(5), time(14)),))


def _until_bed_is_watered(driver: Driver) -> None:
    """The node does what it is told, but its first order for the bed opens nothing."""
    driver.ready()
    driver.dry_out(25.0)
    tries = 0
    while tries < 2:
        seen = len(driver.effects)
        driver.wait(300.0)
        for order in [e.order for e in driver.effects[seen:] if isinstance(e, SendOrder)]:
            zone = next(
                i.intent.zone for i in driver.all(RecordIntent) if i.intent.order.order_id == order.order_id
            )
            tries += zone == "bed"
            if zone == "bed" and tries == 1:
                continue
            driver.node.opens(order)
            driver.hear()
            driver.wait(order.open_ms / 1000.0, every_s=60.0)
            driver.node.ends(order)
            driver.hear()
        assert driver.mono_s < 9 * 3600.0


def test_what_was_begun_today_is_begun_after_a_start_too(tmp_path: Path) -> None:
    driver = Driver(SITE)
    _until_bed_is_watered(driver)
    assert driver.state.plan is not None
    left = [r for r in driver.state.plan.runs if r.zone == "bed" and r.pulse > 1]
    zone = SITE.place.timezone
    with Store(store_url(tmp_path / "garden.db"), SITE.id) as store:
        store.write([e for e in driver.effects if isinstance(e, get_args(Record))])
        saved = store.load_saved(driver.now.wall, zone)
    assert [o.zone for o in saved.opened].count("bed") == 1  # the one that opened nothing is no opening
    state, _ = begin(SITE, saved, driver.now, driver.state.model)
    assert state.rests is not None
    day, rests = state.rests
    assert day == driver.now.wall.astimezone(zone).date()
    assert set(rests) == {"bed"} and rests["bed"].openings == 1
    assert rests["bed"].rest_l == {
        s.plant: sum(o.given_l for r in left for o in r.shares if o.plant == s.plant) for s in left[0].shares
    }
    # The later ones are put back by the same delay.
    assert abs((rests["bed"].next_from - left[0].start).total_seconds()) < 1.0
