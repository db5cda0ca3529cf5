"""Copies of frozen values with some fields changed, for values that are copied many times a minute."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TypeVar

_Value = TypeVar("_Value")


def changed(value: _Value, fields: Mapping[str, object]) -> _Value:
    """A copy of a frozen dataclass without slots; as ``dataclasses.replace``, and some ten times quicker: the
    dictionary of its fields is copied, nothing is checked but the names. TypeError for a name it has not."""
    before = value.__dict__
    new = object.__new__(type(value))
    after = new.__dict__
    after.update(before)
    after.update(fields)
    if len(after) != len(before):
        raise TypeError(f"no such fields: {', '.join(sorted(fields.keys() - before.keys()))}")
    return new
