"""The virtual garden neither makes nor loses water, and hides what it was told to hide."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from scheduler.rehearsal.garden import TrueGarden
from scheduler.rehearsal.hidden import NOTHING_HIDDEN, Hidden, Part, draw_truth, stream
from scheduler.sensing.scale import level_from_raw
from scheduler.site.model import Site

START = datetime(2031, 7, 1, 7, tzinfo=UTC)
FIRST = date(2031, 7, 1)


def garden_of(site: Site, days, *, seed: int = 1, hidden: Hidden = Hidden(), **options) -> TrueGarden:  # noqa: B008
    end = START + timedelta(days=max(1, len(days)))
    return TrueGarden(site, draw_truth(site, seed, hidden), days, START, end, **options)


def water(garden: TrueGarden, zone: str, minutes: float) -> None:
    garden.open_valve(zone)
    garden.advance(garden.clock + timedelta(minutes=minutes))
    garden.close_valve(zone)
    garden.advance(garden.travel_end(zone))


def test_water_is_neither_made_nor_lost_through_rain_runs_and_overflow(site, make_weather) -> None:
    days = make_weather(FIRST, 12, {1: 25.0, 4: 3.0, 5: 60.0})
    garden = garden_of(site, days)
    for day in range(11):
        for zone in ("bed", "slope"):
            water(garden, zone, 7.0 + 11.0 * day)
        garden.advance(START + timedelta(days=day + 1))
    assert garden.overflow_l > 50.0 and garden.leak_l > 50.0 and garden.emitted_l > 200.0
    assert abs(garden.imbalance_l) < 1e-6


@settings(max_examples=15, deadline=None)
@given(
    moves=st.lists(
        st.tuples(st.sampled_from(["bed", "slope"]), st.floats(0.01, 90.0), st.floats(0.0, 60.0)), max_size=6
    ),
    share=st.floats(0.0, 1.0),
)
def test_no_sequence_of_openings_makes_or_loses_water(shared_garden, moves, share) -> None:
    garden = shared_garden(share)
    for zone, open_min, pause_min in moves:
        water(garden, zone, open_min)
        garden.advance(garden.clock + timedelta(minutes=pause_min))
        assert garden.volume_l >= -1e-9
        assert abs(garden.imbalance_l) < 1e-6


@pytest.fixture(scope="module")
def shared_garden(site, make_weather):
    days = make_weather(FIRST, 3, {0: 12.0})
    first = garden_of(site, days)

    def build(share: float) -> TrueGarden:
        return garden_of(site, days, start_level_m=share * first.brim_m, zones=first.zones)

    return build


def test_the_same_seed_gives_the_same_truth_and_another_seed_another(site) -> None:
    one, again, other = (draw_truth(site, seed, Hidden()) for seed in (3, 3, 4))
    assert one == again
    assert one.coefficient_factor != other.coefficient_factor


def test_a_fault_more_shifts_no_other_part(site) -> None:
    plain = draw_truth(site, 3, Hidden())
    more = draw_truth(site, 3, replace(Hidden(), clogging_spread=0.5, travel_sd=0.0, level_offset_m=0.02))
    assert more.clogging_loss != plain.clogging_loss
    assert more.coefficient_factor == plain.coefficient_factor
    assert more.emptied_share == plain.emptied_share
    assert stream(3, Part.RAIN).random() != stream(3, Part.SENSOR).random()


def test_nothing_hidden_hides_nothing(site) -> None:
    truth = draw_truth(site, 9, NOTHING_HIDDEN)
    assert set(truth.coefficient_factor.values()) == {1.0}
    assert truth.level_offset_m == 0.0
    assert truth.emptied_share == {z.id: z.emptied_share for z in site.zones}


def test_the_sensor_reads_the_true_level_with_the_offset_and_noise_that_were_asked(
    site, make_weather
) -> None:
    garden = garden_of(site, make_weather(FIRST, 2), start_level_m=0.5)
    levels = []
    for _ in range(400):
        reading = garden.reading()
        levels.append(level_from_raw(site, float(np.median(reading.pings)), reading.air_c))
    error = np.array(levels) - garden.level_m
    # 400 readings: the mean is known to 4.2 mm / 20, three times that allowed; the sd to 1/sqrt(800).
    assert abs(abs(error.mean()) - 0.005) < 0.0007
    assert 0.0036 < error.std() < 0.0048


def test_a_low_level_gives_less_in_the_same_time(site, make_weather) -> None:
    given = []
    for level in (0.75, 0.4, 0.1):
        garden = garden_of(site, make_weather(FIRST, 2), start_level_m=level)
        water(garden, "bed", 30.0)
        given.append(garden.plant_l["tomatoes"])
    assert given[0] > given[1] > given[2] > 0.0


def test_clogging_grows_through_the_season_to_what_was_asked(site, make_weather) -> None:
    hidden = replace(NOTHING_HIDDEN, clogging_loss=0.15)
    garden = garden_of(site, make_weather(FIRST, 10), hidden=hidden)
    zone = garden.zones["bed"]
    fresh, end = zone.flow_lph(0.6, 0.0), zone.flow_lph(0.6, 1.0)
    assert end / fresh == pytest.approx(0.85)
    assert garden.progress == 0.0
    garden.advance(START + timedelta(days=5))
    assert garden.progress == pytest.approx(0.5)


def test_far_emitters_wait_for_the_line_to_fill_and_the_lowest_gets_the_drain(site, make_weather) -> None:
    empty = replace(site, zones=tuple(replace(z, emptied_share=0.9) for z in site.zones))
    garden = garden_of(empty, make_weather(FIRST, 2), hidden=NOTHING_HIDDEN)
    garden.open_valve("bed")
    for _ in range(600):
        garden.advance(garden.clock + timedelta(seconds=0.5))
        if garden.plant_l["tomatoes"] > 0.0:
            break
    assert garden.plant_l["tomatoes"] > 0.0
    assert garden.plant_l["beans"] == 0.0  # the far end, 8 m further on
    garden.advance(garden.clock + timedelta(minutes=10))
    garden.close_valve("bed")
    before = dict(garden.plant_l)
    garden.advance(garden.travel_end("bed") + timedelta(seconds=1))
    gained = {p: garden.plant_l[p] - before[p] for p in before}
    assert gained["beans"] > gained["tomatoes"] / 2.0  # one low emitter against two higher ones
    assert garden.lines_took_l == pytest.approx(0.0, abs=1e-9)  # what filled the lines has drained again


def test_a_valve_takes_its_travel_time_and_closes_from_half_way_too(site, make_weather) -> None:
    garden = garden_of(site, make_weather(FIRST, 2), hidden=NOTHING_HIDDEN)
    garden.open_valve("bed")
    garden.advance(garden.clock + timedelta(seconds=4))
    assert garden.position("bed") == pytest.approx(0.5)
    garden.close_valve("bed")
    garden.advance(garden.clock + timedelta(seconds=5))
    assert garden.position("bed") == 0.0 and not garden.flowing()
    assert garden.runs[0].open_s == pytest.approx(4.0)


def test_a_leak_empties_at_its_rate_and_never_below_the_outlet(site, make_weather) -> None:
    garden = garden_of(site, make_weather(FIRST, 2), start_level_m=0.02)
    before = garden.volume_l
    garden.advance(START + timedelta(hours=10))
    assert before - garden.volume_l == pytest.approx(3.0)
    garden.advance(START + timedelta(days=3))
    assert garden.volume_l >= 0.0
