"""Reading on after a line that is no TOML, so that one slip does not hide the others.

A broken line is noted, then mended where the meaning is plain (a quantity without its quotes) or blanked.
Lines keep their numbers.
"""

from __future__ import annotations

import re
import tomllib
from dataclasses import dataclass
from datetime import date
from typing import Any

from scheduler.site.records import is_secret_key

_AT_LINE = re.compile(r"\s*\(at (?:line (\d+), column \d+|end of document)\)$")
# key = 85 cm   (also inside { ... })
_UNQUOTED = re.compile(
    r"(=\s*)([-+]?[\d.]+(?:/\d+)?\s*(?:%|°?[A-Za-z][\w/]*(?:\s+[A-Za-z]+)?))(?=\s*(?:[,}#\]]|$))"
)
_KEY = re.compile(r"^\s*([A-Za-z0-9_-]+)\s*=")
# key = 2026-5-1
_DATE = re.compile(r"^\s*[A-Za-z0-9_-]+\s*=\s*(\d{4})-(\d{1,2})-(\d{1,2})\s*(?:#.*)?$")
# key = “85 cm”   (typed in a word processor, or copied from one)
_CURLY = re.compile(r"=\s*[“”„‟«»‘’‚]")
_MOST_BROKEN_LINES = 20


@dataclass(frozen=True, slots=True)
class BrokenLine:
    line: int
    key: str
    read: str
    remedy: str


@dataclass(frozen=True, slots=True)
class Parsed:
    """``document`` None: beyond mending. ``unreadable``: keys of the lines that were left out."""

    document: dict[str, Any] | None
    text: str
    broken: tuple[BrokenLine, ...] = ()
    unreadable: frozenset[str] = frozenset()


def parse_toml(text: str) -> Parsed:
    """The document, or as much of it as can be read, and what was wrong with the lines."""
    lines = text.replace("\r\n", "\n").split("\n")
    broken: list[BrokenLine] = []
    unreadable: set[str] = set()
    for _ in range(_MOST_BROKEN_LINES):
        current = "\n".join(lines)
        try:
            return Parsed(tomllib.loads(current), current, tuple(broken), frozenset(unreadable))
        except tomllib.TOMLDecodeError as error:
            number, said = _where(error, len(lines))
        if any(b.line == number for b in broken):
            break
        line = lines[number - 1]
        broken.append(BrokenLine(number, _key(line), _shown(line), _remedy(line, said, lines[: number - 1])))
        mended = _UNQUOTED.sub(r'\1"\2"', line)
        if mended == line:
            key = _KEY.match(line)
            if key is None:  # a header, or a part of something longer: what follows cannot be placed
                break
            unreadable.add(key[1])
            mended = ""
        lines[number - 1] = mended
    return Parsed(None, "\n".join(lines), tuple(broken), frozenset(unreadable))


def _where(error: tomllib.TOMLDecodeError, last_line: int) -> tuple[int, str]:
    text = str(error)
    match = _AT_LINE.search(text)
    number = int(match[1]) if match and match[1] else last_line
    return min(number, last_line), _AT_LINE.sub("", text)


def _key(line: str) -> str:
    key = _KEY.match(line)
    return key[1] if key else "the whole line"


def _shown(line: str) -> str:
    if (key := _KEY.match(line)) and is_secret_key(key[1]):
        return f"{key[1]} = (not shown)"
    text = " ".join(line.split())
    return text if len(text) <= 60 else text[:57] + "..."


def _remedy(line: str, said: str, above: list[str]) -> str:
    unquoted = _UNQUOTED.search(line)
    if unquoted:
        return f'put a quantity in quotes: "{unquoted[2].strip()}"'
    if "overwrite" in said or "twice" in said or "more than once" in said:
        key = _KEY.match(line)
        if key is None:
            return "this table is given twice; keep one, or write [[ ]] at each where there may be several"
        return f"this key is given twice{_earlier(key, above)}; keep one"
    if "nclosed array" in said:
        return "a closing bracket ] or a comma is missing, here or above"
    if "nclosed inline table" in said:
        return "a closing brace } or a comma is missing; what stands in { } must be on one line"
    if re.match(r"^\s*[A-Za-z0-9_-]+\s*=\s*$", line):
        return "a value is missing behind the equals sign"
    if day := _DATE.match(line):
        return _date_remedy(day)
    if re.match(r"^\s*[A-Za-z0-9_-]+\s*=\s*0\d", line):
        return "a number or time written like this needs quotes"
    if _CURLY.search(line):
        return 'these are printed quotation marks: type the straight ones, such as "85 cm"'
    if line.count('"') % 2:
        return "a quotation mark is missing"
    if re.match(r"^\s*[A-Za-z0-9_-]+\s*=\s*[A-Za-z]", line):
        return "put a text in quotes (only true and false go without)"
    return f"this is not TOML ({said[0].lower() + said[1:]})"


def _date_remedy(found: re.Match[str]) -> str:
    """For a line whose value looks like a date and is none to TOML."""
    try:
        meant = date(int(found[1]), int(found[2]), int(found[3]))
    except ValueError:
        return "there is no such date: write year, month and day, such as 2026-05-15"
    return f"write month and day with two digits: {meant.isoformat()}"


def _earlier(key: re.Match[str], above: list[str]) -> str:
    """The line of the nearest earlier entry of the same key."""
    for number in range(len(above), 0, -1):
        match = _KEY.match(above[number - 1])
        if match and match[1] == key[1]:
            return f" (first on line {number})"
    return ""
