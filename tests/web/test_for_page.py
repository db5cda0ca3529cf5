"""A sentence that points to a command points to the page's own form there."""

from __future__ import annotations

import pytest

from scheduler.web.for_page import for_page, for_round


@pytest.mark.parametrize(
    ("said", "shown"),
    [
        (
            "Measure by hand and enter it: fallinghead measured.",
            "Measure by hand and enter it (Tell and ask).",
        ),
        (
            "Water taken by hand: fallinghead took, fallinghead topped-up. Else look for spiders.",
            "Water taken by hand (Tell and ask). Else look for spiders.",
        ),
        ("A better rank would help (fallinghead rank).", "A better rank would help."),
        (
            "60.0 L +- 8.0 L went on 1 day.",
            "\N{NO-BREAK SPACE}".join(("60.0", "L", "±", "8.0", "L went on 1 day.")),
        ),
        ("None is known (--past names a file).", "None is known."),
        ("Local codes come first. Then tell: fallinghead topped-up LITRES.", "Local codes come first."),
        ("Take the filter in; then tell it: fallinghead winter drained.", "Take the filter in."),
        ("It goes by rank. To choose another way: fallinghead ration.", "It goes by rank."),
        ("Set `units` there.", "Set units there."),
        # At the Pi alone.
        ("Start it: systemctl start fallinghead.", "Start it: systemctl start fallinghead."),
        ("Read the node's own log: fallinghead node log.", "Read the node's own log: fallinghead node log."),
        ("Fallinghead: took 3 L.", "Fallinghead: took 3 L."),
    ],
)
def test_a_command_becomes_the_form(said: str, shown: str) -> None:
    assert for_page(said) == shown


@pytest.mark.parametrize(
    ("said", "shown"),
    [
        ("Measure by hand and enter it: fallinghead measured.", "Measure by hand and enter it."),
        ("Ask whether it may go on (fallinghead resume).", "Ask whether it may go on."),
        ("a.toml:3: read 4 (and 2 more: fallinghead check /srv/a b/a.toml)", "a.toml:3: read 4 (and 2 more)"),
    ],
)
def test_of_another_garden_no_form_of_this_page_is_named(said: str, shown: str) -> None:
    assert for_round(said) == shown
