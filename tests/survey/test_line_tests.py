"""Walk, flush, prime time and poured litres each end in plain words."""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import UTC, datetime

import pytest
from fluids.friction import Swamee_Jain_1976
from scipy.optimize import brentq

from scheduler.hydraulics.network import zone_network
from scheduler.hydraulics.priming import priming
from scheduler.hydraulics.solve import solve
from scheduler.planning.garden import garden_model
from scheduler.site.errors import UsageError
from scheduler.survey.analysis import TurnsResult, analyse
from scheduler.survey.let_out import let_out, open_end_lph
from scheduler.survey.line_tests import flush, poured, prime_time, wet_walk
from scheduler.survey.sense_entries import flush_speed_ms
from scheduler.survey.tests_done import (
    Flush,
    LineFlushed,
    Poured,
    PourRead,
    PrimeTime,
    Trim,
    TurnDone,
    WetPlace,
    WetWalk,
)
from tests.support.gardens import small_garden
from tests.support.sensible_records import good_records

AT = datetime(2012, 5, 20, tzinfo=UTC)
SITE = small_garden()
MORE = {"at": AT, "who": "Ida"}


@pytest.mark.parametrize("record", good_records(), ids=lambda r: r.kind)
def test_every_kind_of_record_has_a_verdict_in_sentences(record) -> None:
    verdict = analyse(SITE, record).verdict
    assert verdict and verdict[-1] == "." and verdict[0].isupper()


def test_a_place_left_leaking_comes_first() -> None:
    places = (
        WetPlace(where="tee at 3 m", mended=True),
        WetPlace(where="end cap", mended=False, flow_lph=1.5),
    )
    found = wet_walk(SITE, WetWalk(zone="pots", places=places, valve_drips=True, **MORE))
    assert found.open_places == ("end cap",) and found.mended == 1 and found.lost_lph == 1.5
    assert found.verdict.startswith("Still leaking (1.5 L/h in all): end cap.")
    assert "grit" in found.verdict


def test_a_leak_that_nobody_caught_is_unknown_not_nothing() -> None:
    places = (WetPlace(where="end cap", mended=False),)
    found = wet_walk(SITE, WetWalk(zone="pots", places=places, **MORE))
    assert found.lost_lph is None and "Nobody looked" in found.verdict


def test_a_dry_walk() -> None:
    assert wet_walk(SITE, WetWalk(zone="pots", valve_drips=False, **MORE)).verdict == "Dry along the lines."


def test_flush_speed_of_a_gallon_a_minute_in_a_five_eighths_line() -> None:
    # The extension services: about 1 ft/s at the open end takes 1 gpm in a 5/8 in line (bore 0.62 in or so).
    line = replace(SITE.zones[0].lines[0], bore_m=0.0158)
    assert flush_speed_ms(line, 3.785 / 60.0) == pytest.approx(0.3048, rel=0.08)


def test_what_flushing_left_to_do() -> None:
    lines = (LineFlushed(line="pots-line", clear=False, run_s=60.0, volume_l=1.0),)
    found = flush(SITE, Flush(zone="pots", lines=lines, **MORE))
    assert found.again == found.slow == ("pots-line",)
    assert "flush again: pots-line" in found.verdict and "1.0 L used" in found.verdict
    lines = (LineFlushed(line="pots-line", clear=True),)
    assert flush(SITE, Flush(zone="pots", lines=lines, **MORE)).verdict == "Every line ran clear."


def test_an_open_end_runs_as_the_energy_of_the_water_allows() -> None:
    """One level line with its emitters closed: what stands above the end is lost to friction (factor by the
    ``fluids`` library), to the fittings, and leaves as speed."""
    zone = SITE.zones[0]
    line = zone.lines[0]
    points = tuple(
        replace(p, drop_m=0.0, emitters=tuple(replace(e, coefficient_lph=0.0) for e in p.emitters))
        for p in line.points
    )
    site = replace(SITE, zones=(replace(zone, lines=(replace(line, points=points),)), *SITE.zones[1:]))
    network = zone_network(site, site.zones[0])

    def missing_m(flow_m3s: float) -> float:
        lost = 0.0
        for length, bore, rough, k in zip(
            network.pipe_length_m,
            network.pipe_bore_m,
            network.pipe_roughness_m,
            network.pipe_loss_k,
            strict=True,
        ):
            speed = flow_m3s / (math.pi / 4.0 * bore**2)
            f = Swamee_Jain_1976(Re=speed * bore / 1.0034e-6, eD=rough / bore)
            lost += (f * length / bore + k) * speed**2 / (2.0 * 9.80665)
        return 0.7 - lost - (flow_m3s / (math.pi / 4.0 * line.bore_m**2)) ** 2 / (2.0 * 9.80665)

    expected_lph = 3.6e6 * float(brentq(missing_m, 1e-5, 1e-2))
    reynolds = expected_lph / 3.6e6 * 4.0 / (math.pi * line.bore_m * 1.0034e-6)
    assert reynolds > 4000.0  # else Swamee and Jain's factor does not hold
    assert open_end_lph(site, zone.id, line.id, 0.7) == pytest.approx(expected_lph, rel=2e-3)


def test_what_was_let_out_is_caught_or_worked_out_or_unknown() -> None:
    zone, line = SITE.zones[0], SITE.zones[0].lines[0].id
    caught = LineFlushed(line=line, clear=True, run_s=60.0, volume_l=20.0)
    timed = LineFlushed(line=line, clear=True, run_s=90.0)
    neither = LineFlushed(line=line, clear=True)
    found = let_out(SITE, Flush(zone=zone.id, level_m=0.7, lines=(caught, timed, neither), **MORE))
    assert found.measured_l == 20.0 and found.unknown == (line,)
    assert found.worked_out_l == pytest.approx(open_end_lph(SITE, zone.id, line, 0.7) / 40.0)
    # Several times what its emitters give.
    assert open_end_lph(SITE, zone.id, line, 0.7) > 3.0 * solve(zone_network(SITE, zone), 0.7).total_lph
    assert let_out(SITE, Flush(zone=zone.id, lines=(timed,), **MORE)).unknown == (line,)
    with pytest.raises(KeyError):
        open_end_lph(SITE, zone.id, "no line", 0.7)


def test_prime_time_against_the_drawn_lines() -> None:
    expected = priming(zone_network(SITE, SITE.zones[0]), 0.7, 1.0).fill_s

    def found(seconds: float):
        return prime_time(SITE, PrimeTime(zone="pots", level_m=0.7, prime_s=seconds, **MORE))

    assert found(expected).fits is True
    assert found(10.0 * expected).fits is False and "look for air" in found(10.0 * expected).verdict


def test_poured_litres_against_the_drawn_ones() -> None:
    # Barrels that hold a tenth more than their tape measures: 1.1 times the litres at each level.
    stage = garden_model(SITE).stage
    pours = tuple(
        PourRead(added_l=66.0, level_m=stage.level_m(litres / 1.1)) for litres in (44.0, 110.0, 176.0, 242.0)
    )
    found = poured(SITE, Poured(pours=pours, **MORE))
    assert found.full_l / found.drawn_full_l == pytest.approx(1.1, abs=0.03)
    assert "more than drawn" in found.verdict


def test_poured_litres_that_cannot_be_are_one_sentence() -> None:
    pours = (PourRead(added_l=0.0, level_m=0.5), PourRead(added_l=40.0, level_m=0.3))
    with pytest.raises(UsageError, match="poured in"):
        poured(SITE, Poured(pours=pours, **MORE))


def test_a_round_of_turns_tells_what_each_gave() -> None:
    # 0.2 L in a minute are 12 L/h.
    turns = (TurnDone(emitter="p1", volume_l=0.2, run_s=60.0), TurnDone(emitter="p2", wide_open=True))
    found = analyse(SITE, Trim(zone="pots", turns=turns, round=2, **MORE))
    assert isinstance(found, TurnsResult)
    assert found.readings_lph == {"p1": pytest.approx(12.0), "p2": None}
    assert found.wide_open == ("p2",) and "Round 2, turned: p1 (12.0 L/h), p2." in found.verdict
