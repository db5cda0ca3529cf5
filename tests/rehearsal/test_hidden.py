"""What a rehearsal hides is told in words of the garden, with units, and to a program by its names."""

from __future__ import annotations

from dataclasses import fields, replace

from scheduler.rehearsal.hidden import NOTHING_HIDDEN, Hidden


def test_what_is_hidden_is_told_in_words_with_units() -> None:
    said = Hidden().words("metric")
    assert "each emitter's flow differs by 1.5 % (sd)" in said
    assert "clogging takes 15 % of the flow by the last day" in said
    assert "the level is read with 4 mm of noise (sd)" in said
    assert "a leak takes 0.3 L/h, day and night" in said
    assert "filling the lines costs 15 % more water than reckoned" in said
    text = "; ".join(said)
    assert "_" not in text and "=" not in text


def test_a_garden_in_us_units_is_told_in_them() -> None:
    text = "; ".join(Hidden().words("us"))
    assert "gph" in text and " in of noise" in text and " mm" not in text and "L/h" not in text


def test_what_is_not_there_is_left_out() -> None:
    assert NOTHING_HIDDEN.words("metric") == ()
    assert replace(NOTHING_HIDDEN, leak_lph=2.0).words("metric") == ("a leak takes 2.0 L/h, day and night",)
    less = replace(NOTHING_HIDDEN, priming_loss_factor=0.75).words("metric")
    assert less == ("filling the lines costs 25 % less water than reckoned",)


def test_every_size_is_told() -> None:
    for field in fields(Hidden):
        assert len(replace(NOTHING_HIDDEN, **{field.name: 0.3}).words("metric")) == 1, field.name


def test_a_program_reads_the_names_of_the_sizes() -> None:
    assert Hidden().lines()[0] == "coefficient_sd = 0.015"
