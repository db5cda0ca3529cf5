"""Quantities against the definitions of their units."""

from __future__ import annotations

import subprocess
import sys

import pytest
from hypothesis import given
from hypothesis import strategies as st

from scheduler.site import quantities as q
from scheduler.site.errors import QuantityError
from scheduler.site.showing import show_whole_length, show_whole_volume

# Exact. NIST Handbook 44 Appendix C: inch 25.4 mm, gallon 231 in3. UK Weights and Measures Act 1985:
# gallon 4.54609 L. psi: pound 0.45359237 kg, gravity 9.80665 m/s2; water taken at 1000 kg/m3.
DEFINITIONS = [
    ("1 in", "length", 0.0254),
    ("3 ft 6 in", "length", 42 * 0.0254),
    ("5/8 in", "length", 0.625 * 0.0254),
    ("1 1/2 in", "length", 0.0381),
    # As a tape measure and its user write them.
    ("3' 6\"", "length", 42 * 0.0254),
    ("3′6″", "length", 42 * 0.0254),
    ("3' 6''", "length", 42 * 0.0254),
    ('-24-1/2"', "length", -24.5 * 0.0254),
    ("24 - 1/2 in.", "length", 24.5 * 0.0254),
    ("3 ft. 6 in.", "length", 42 * 0.0254),
    ("12 sq. ft.", "area", 12 * 0.3048**2),
    ("-35 cm", "length", -0.35),
    ("1 gal", "volume", 231 * 0.254**3),
    ("1 US gal", "volume", 231 * 0.254**3),
    ("128 fl oz", "volume", 231 * 0.254**3),
    ("1 fluid ounce", "volume", 231 * 0.254**3 / 128),
    ("128 US fl oz", "volume", 231 * 0.254**3),
    ("128 u.s. fluid ounces", "volume", 231 * 0.254**3),
    ("128 fl. oz.", "volume", 231 * 0.254**3),
    ("128 FL.OZ.", "volume", 231 * 0.254**3),
    ("1 gal 64 US fl. oz.", "volume", 1.5 * 231 * 0.254**3),
    ("128 fl. oz./h", "flow", 231 * 0.254**3),
    ("1 imp gal", "volume", 4.54609),
    ("2 imperial gallons", "volume", 9.09218),
    ("1 m3", "volume", 1000.0),
    ("1 gph", "flow", 231 * 0.254**3),
    ("1 gpm", "flow", 60 * 231 * 0.254**3),
    ("2 L/h", "flow", 2.0),
    ("1 L per min", "flow", 60.0),
    ("12 ft2", "area", 12 * 0.3048**2),
    ("12 sq ft", "area", 12 * 0.3048**2),
    ("1 psi", "head", 0.45359237 / 0.0254**2 / 1000),
    ("9.80665 kPa", "head", 1.0),
    ("212 F", "temperature", 100.0),
    ("-40 °F", "temperature", -40.0),
    ("85 %", "share", 0.85),
    ("1 h 30 min", "duration", 5400.0),
    ("0.02 in", "rain", 0.508),
]


@pytest.mark.parametrize(("text", "dimension", "value"), DEFINITIONS)
def test_a_quantity_is_worth_what_its_unit_is_defined_as(
    text: str, dimension: q.Dimension, value: float
) -> None:
    assert q.parse(text, dimension) == pytest.approx(value, rel=1e-11)


@pytest.mark.parametrize(
    ("text", "dimension", "remedy"),
    [
        (3, "length", "bare number"),
        (True, "length", "as a text"),
        ("3", "length", "unit is missing"),
        ("3 L", "length", "no unit of a length"),
        ("3 furlong", "length", "no unit known"),
        ("1,5 m", "length", "as a point"),
        ("4 UK gal", "volume", "imp gal"),
        ("8 imp fl oz", "volume", "the US one"),
        ("8 imp. fl. oz.", "volume", "the US one"),
        ("8 imperial fluid ounces", "volume", "the US one"),
        ("8 UK fl oz", "volume", "the US one"),
        ("8 US oz", "volume", "no unit known"),
        ("8 fl", "volume", "no unit known"),
        ("8 fl oz", "length", "no unit of a length"),
        ("4 l/H", "flow", "case-sensitive"),
        ("1e999 m", "length", "too large"),
        ("nan m", "length", "number and unit"),
        ("", "length", "such as"),
        ("1/0 in", "length", "divided"),
        ("3' 6", "length", "number and unit"),  # six what?
        ("2 - 3 in", "length", "number and unit"),  # a span is no length
        ("90'", "duration", "no unit of a time"),
    ],
)
def test_what_cannot_be_read_is_refused_with_a_remedy(
    text: object, dimension: q.Dimension, remedy: str
) -> None:
    with pytest.raises(QuantityError, match=remedy):
        q.parse(text, dimension)


@given(st.floats(0.001, 1e6))
def test_units_of_one_dimension_agree(value: float) -> None:
    assert q.parse(f"{value!r} ft", "length") == pytest.approx(
        12 * q.parse(f"{value!r} in", "length"), rel=1e-10
    )
    assert q.parse(f"{value!r} gpm", "flow") == pytest.approx(
        60 * q.parse(f"{value!r} gph", "flow"), rel=1e-10
    )


SHOWN: list[tuple[q.Dimension, object]] = [
    ("volume", q.show_volume),
    ("flow", q.show_flow),
    ("length", q.show_length),
    ("area", q.show_area),
    ("head", q.show_pressure),
]


@given(st.sampled_from(SHOWN), st.sampled_from(["metric", "us"]), st.floats(1.0, 5e4))
def test_what_is_shown_reads_back_as_the_same_to_the_digits_shown(
    shown: tuple, units: str, value: float
) -> None:  # type: ignore[type-arg]
    """Three digits, but no more than two decimals, so the coarsest step allows 0.5 % or half a last digit."""
    dimension, show = shown
    text = show(value, units)
    last_digit = 10.0 ** -(len(text.split()[0].partition(".")[2]))
    step = q.parse(f"{last_digit} {text.split()[1]}", dimension)
    assert abs(q.parse(text, dimension) - value) <= 0.5001 * step


def test_the_unknown_is_shown_as_unknown() -> None:
    for show in (q.show_volume, q.show_length, q.show_flow, q.show_rain, q.show_area, q.show_temperature):
        assert show(None) == show(float("nan")) == "unknown"  # type: ignore[operator]
    assert q.show_duration(None) == q.show_share(None) == "unknown"


@pytest.mark.parametrize(
    ("shown", "text"),
    [
        (q.show_volume(1040.4), "1040 L"),
        (q.show_volume(4.21), "4.2 L"),
        (show_whole_volume(29.0), "29 L"),
        (show_whole_volume(29.0, "us"), "7.7 gal"),
        (q.show_volume(208.198, "us"), "55.0 gal"),
        (q.show_length(0.423), "42.3 cm"),
        (show_whole_length(0.7), "70 cm"),
        (show_whole_length(0.7, "us"), "28 in"),
        (q.show_length(-0.0001), "0.0 cm"),
        (q.show_length(1.5, "us"), "4.9 ft"),
        (q.show_share(0.85), "85 %"),
        (q.show_duration(45), "45 s"),
        (q.show_duration(1020), "17 min"),
        (q.show_duration(7500), "2 h 05 min"),
        (q.show_temperature(20, "us"), "68 °F"),
    ],
)
def test_a_number_is_shown_with_its_unit_and_sensible_digits(shown: str, text: str) -> None:
    assert shown == text


@pytest.mark.parametrize(
    ("text", "degrees"), [("47.45 N", 47.45), ("122.3 W", -122.3), ("-122.3 deg", -122.3)]
)
def test_a_bearing_has_its_side(text: str, degrees: float) -> None:
    assert q.parse_bearing(text, "latitude" if "N" in text else "longitude") == degrees


@pytest.mark.parametrize("text", ["47.45", 47.45, "47 E", "91 N"])
def test_a_bearing_without_its_side_or_beyond_the_pole_is_refused(text: object) -> None:
    with pytest.raises(QuantityError):
        q.parse_bearing(text, "latitude")


@pytest.mark.parametrize(
    ("target", "name"), [(target, name) for target, names in q._USUAL_FACTORS.items() for name in names]
)
def test_the_usual_units_are_worth_what_the_list_of_units_says(target: str, name: str) -> None:
    one = q._registry().Quantity(1.0, name)
    assert q._USUAL_FACTORS[target][name] == pytest.approx(float(one.to(target).magnitude), rel=1e-15)


def test_reading_the_usual_units_loads_no_unit_library() -> None:
    code = (
        "import sys; from scheduler.site.quantities import parse; "
        "assert parse('3 ft 6 in', 'length') == 1.0668; print('pint' in sys.modules)"
    )
    run = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert run.stdout.strip() == "False"


def test_showing_a_figure_loads_no_unit_library() -> None:
    code = (
        "import sys; from scheduler.site.quantities import show_volume; "
        "show_volume(3); print('pint' in sys.modules)"
    )
    run = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert run.stdout.strip() == "False"
