"""JSON from strangers: RFC 8259 to the letter, no repeated names, and bounded in every direction."""

from __future__ import annotations

import json
import re
from typing import NoReturn, TypeAlias

# Bounds on what a forecast reply may be; sixteen days of hours are 385 at most.
MAX_DEPTH = 16
MAX_ARRAY = 400
MAX_DIGITS = 20

Json: TypeAlias = "bool | int | float | str | list[Json] | dict[str, Json] | None"

_STRING_OR_BRACKET = re.compile(r'"(?:[^"\\]|\\.)*"|[\[\]{}]')


class NotStrictError(ValueError):
    """What is wrong with the text, in plain words."""


def parse_strict(raw: bytes) -> Json:
    """The value; raises NotStrictError: bad UTF-8, NaN, repeated names, too deep, too long."""
    try:
        text = raw.decode("utf-8")
    except UnicodeDecodeError as error:
        raise NotStrictError(f"it is not UTF-8 at byte {error.start}") from error
    _check_depth(text)
    try:
        value: Json = json.loads(
            text,
            parse_constant=_no_constant,
            parse_float=_bounded_float,
            parse_int=_bounded_int,
            object_pairs_hook=_no_repeats,
        )
    except json.JSONDecodeError as error:
        raise NotStrictError(f"it is not JSON at character {error.pos} ({error.msg})") from error
    _check_arrays(value)
    return value


def _check_depth(text: str) -> None:
    """Before parsing, so that no nesting reaches the parser's own stack."""
    depth = 0
    for match in _STRING_OR_BRACKET.finditer(text):
        mark = match.group()
        if mark in "[{":
            depth += 1
            if depth > MAX_DEPTH:
                raise NotStrictError(f"it is nested deeper than {MAX_DEPTH}")
        elif mark in "]}":
            depth -= 1


def _check_arrays(value: Json) -> None:
    if isinstance(value, list):
        if len(value) > MAX_ARRAY:
            raise NotStrictError(f"it has an array of {len(value)} elements, more than {MAX_ARRAY}")
        for element in value:
            _check_arrays(element)
    elif isinstance(value, dict):
        for element in value.values():
            _check_arrays(element)


def _no_constant(name: str) -> NoReturn:
    raise NotStrictError(f"it has {name}, which is no number")


def _bounded_float(text: str) -> float:
    if sum(c.isdigit() for c in text) > MAX_DIGITS:
        raise NotStrictError(f"it has a number of more than {MAX_DIGITS} digits")
    value = float(text)
    if value in (float("inf"), float("-inf")):
        raise NotStrictError(f"it has the number {text}, too large to be one")
    return value


def _bounded_int(text: str) -> int:
    if len(text.lstrip("-")) > MAX_DIGITS:
        raise NotStrictError(f"it has a number of more than {MAX_DIGITS} digits")
    return int(text)


def _no_repeats(pairs: list[tuple[str, Json]]) -> dict[str, Json]:
    result = dict(pairs)
    if len(result) != len(pairs):
        names = [name for name, _ in pairs]
        twice = next(n for n in names if names.count(n) > 1)
        raise NotStrictError(f"it has the name {twice[:40]!r} twice in one object")
    return result
