"""What is worked out of a value is kept by its identity; a copy differs in the named fields alone."""

from __future__ import annotations

from dataclasses import dataclass, replace

import pytest

from scheduler.site.copying import changed
from scheduler.site.kept import KEPT_MOST, kept


@dataclass(frozen=True)
class _Thing:
    a: int
    b: str = ""


def test_the_same_thing_is_worked_out_once_and_an_equal_one_anew() -> None:
    asked: list[_Thing] = []

    @kept
    def work(thing: _Thing) -> int:
        asked.append(thing)
        return 2 * thing.a

    one, other = _Thing(3), _Thing(3)
    assert [work(one), work(one), work(other)] == [6, 6, 6]
    assert len(asked) == 2
    assert asked[0] is one
    assert asked[1] is other


def test_a_forgotten_thing_is_worked_out_again_and_rightly() -> None:
    @kept
    def work(thing: _Thing) -> int:
        return thing.a

    things = [_Thing(n) for n in range(3 * KEPT_MOST)]
    for _ in range(2):
        assert [work(t) for t in things] == list(range(3 * KEPT_MOST))


def test_a_thing_that_is_gone_leaves_nothing_to_one_in_its_place() -> None:
    """Python gives the address of a freed object to the next one: a known thing is never freed."""

    @kept
    def work(thing: _Thing) -> int:
        return thing.a

    assert [work(_Thing(n)) for n in range(1000)] == list(range(1000))


def test_a_copy_has_the_new_fields_and_the_original_keeps_its_own() -> None:
    thing = _Thing(1, "x")
    assert changed(thing, {"a": 2}) == replace(thing, a=2)
    assert thing == _Thing(1, "x")
    with pytest.raises(TypeError, match="no such fields: c"):
        changed(thing, {"c": 1})
