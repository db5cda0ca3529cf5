"""The site file as records: every key read by the table of sections, every mistake noted with its line."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from difflib import get_close_matches
from typing import Any

from scheduler.site.errors import NOTHING, QuantityError, SiteProblem
from scheduler.site.fields import IDENT_PATTERN, Field, Section, Table, Zone, as_read, did_you_mean, nearest
from scheduler.site.model import DisplayUnits
from scheduler.site.showing import show_length, show_volume
from scheduler.site.toml_lines import Path
from scheduler.site.zone_names import zone_remedy

# So many lines are named of a slip that stands in more (our choice).
LINES_TOLD = 5
# Names under which people keep secrets.
_SECRET_KEY = re.compile(
    r"pass(word|wd|phrase)?$|secret|token|api_?key|(^|_)key$|credential|pin$", re.IGNORECASE
)
# The same, to catch them when misspelt.
_SECRETS = ("password", "passphrase", "secret", "token", "credentials")
_SECRET_URL = re.compile(r"\w+://[^/\s@]+@|^[^/\s@:]+:[^/\s@]+@\S+$")
_KEEP_OUT = (
    "take it out of the site file: "
    "a secret belongs in the environment, or in a file that only the service reads"
)


@dataclass(slots=True)
class Findings:
    """The problems of one file as they are found."""

    file: str
    lines: Mapping[Path, int]
    problems: list[SiteProblem] = field(default_factory=list)
    # Keys on lines that could not be parsed: known to stand there, so not reported as missing too.
    unreadable: frozenset[str] = frozenset()
    # In which the figures of what is said are shown: the file's own, as soon as they are read.
    units: DisplayUnits = "metric"

    def add(self, path: Path, key: str, read: str, remedy: str) -> None:
        self.problems.append(SiteProblem(self.file, self.line(path), key, read, remedy))

    def line(self, path: Path) -> int | None:
        """The line of a path, or of the nearest table around it."""
        while path:
            if path in self.lines:
                return self.lines[path]
            path = path[:-1]
        return None

    def sorted(self) -> tuple[SiteProblem, ...]:
        """By line. What is written the same in many places is one slip, and one problem."""
        alike: dict[tuple[object, ...], list[SiteProblem]] = {}
        for number, problem in enumerate(sorted(self.problems, key=lambda p: (p.line is None, p.line or 0))):
            name = problem.key.rpartition(", ")[2]
            # What is missing is missing in each place; only what is written can be the same slip.
            one = (number,) if problem.read == NOTHING else (name, problem.read, problem.remedy)
            alike.setdefault(one, []).append(problem)
        return tuple(_as_one(problems) for problems in alike.values())


@dataclass(slots=True)
class Record:
    """One table as read. ``get`` gives None for what is not given, or was given wrongly."""

    section: Section
    path: Path
    label: str  # for people: 'zone "pots", line "main"'
    findings: Findings
    values: dict[str, Any] = field(default_factory=dict)
    given: frozenset[str] = frozenset()
    as_written: Mapping[str, str] = field(default_factory=dict)

    def get(self, name: str) -> Any:
        value = self.values.get(name)
        if value is None and name not in self.given:
            found = self.section.find(name)
            return found.default if found else None
        return value

    def one(self, name: str) -> Record | None:
        value = self.values.get(name)
        return value if isinstance(value, Record) else None

    def many(self, name: str) -> tuple[Record, ...]:
        value = self.values.get(name)
        return value if isinstance(value, tuple) and all(isinstance(v, Record) for v in value) else ()

    def wrong(self, name: str, remedy: str, read: str | None = None) -> None:
        """Note a problem of one key (or, with an empty name, of the whole table)."""
        shown = read if read is not None else self.shown(name)
        self.findings.add((*self.path, name) if name else self.path, self.key(name), shown, remedy)

    def key(self, name: str) -> str:
        return ", ".join(part for part in (self.label, name) if part)

    def shown_length(self, length_m: float | None) -> str:
        """A length as this file shows its figures."""
        return show_length(length_m, self.findings.units)

    def shown_volume(self, volume_l: float | None) -> str:
        return show_volume(volume_l, self.findings.units)

    def shown(self, name: str) -> str:
        return self.as_written.get(name, NOTHING)


def _as_one(problems: Sequence[SiteProblem]) -> SiteProblem:
    """The first of those alike, with how many there are and where the first of them stand."""
    first, lines = problems[0], [str(p.line) for p in problems if p.line is not None]
    if len(problems) == 1:
        return first
    shown = ", ".join(lines[:LINES_TOLD]) + (", ..." if len(lines) > LINES_TOLD else "")
    where = f", lines {shown}" if lines else ""
    return replace(first, remedy=f"{first.remedy} (so in {len(problems)} places{where})")


def read_records(document: Mapping[str, Any], site: Section, findings: Findings) -> Record:
    """The whole file as one record of records."""
    return _read_table(dict(document), site, (), "", findings)


def _read_table(raw: dict[str, Any], section: Section, path: Path, label: str, findings: Findings) -> Record:
    written = {name: as_read(value) for name, value in raw.items()}
    record = Record(section, path, label, findings, given=frozenset(raw), as_written=written)
    refused: dict[str, QuantityError] = {}
    for name, value in raw.items():
        found = section.find(name)
        if _is_secret(name, value, found):
            record.wrong(name, _KEEP_OUT, read="a secret (not shown)")
        elif found is None:
            record.wrong(name, _unknown_key(name, section))
        elif isinstance(found.kind, Table):
            record.values[name] = _read_nested(value, found, record)
        else:
            try:
                record.values[name] = found.kind.read(value)
            except QuantityError as error:
                refused[name] = error
    for name, refusal in refused.items():
        record.wrong(name, _remedy(record, name, raw[name], refusal), read=refusal.read)
    _note_missing(record)
    return record


def _remedy(record: Record, name: str, value: object, error: QuantityError) -> str:
    """What a refused value should be; which time zone was meant, the place beside it may tell."""
    found = record.section.find(name)
    if found is None or not isinstance(found.kind, Zone):
        return error.remedy
    return zone_remedy(value, record.values.get("latitude"), record.values.get("longitude"))


def is_secret_key(name: str) -> bool:
    """Whether a key looks like one that holds a secret, misspelt or not."""
    return bool(_SECRET_KEY.search(name) or get_close_matches(name.lower(), _SECRETS, 1, 0.8))


def _is_secret(name: str, value: object, found: Field | None) -> bool:
    if found is None and is_secret_key(name):
        return True
    return isinstance(value, str) and _SECRET_URL.search(value) is not None


def _meant(name: str, section: Section) -> str | None:
    called = next((f.name for f in section.fields if name in f.also_called), None)
    return called or nearest(name, [f.name for f in section.fields])


def _unknown_key(name: str, section: Section) -> str:
    guess = _meant(name, section)
    if guess:
        return f"there is no such key here; did you mean {guess!r}?"
    return f"there is no such key here; {did_you_mean(name, [f.name for f in section.fields])}"


def misspelt(record: Record) -> frozenset[str]:
    """Keys that are not given, but were perhaps meant by one that is not known."""
    unknown = [name for name in record.given if record.section.find(name) is None]
    return frozenset(guess for name in unknown if (guess := _meant(name, record.section)) is not None)


def _note_missing(record: Record) -> None:
    maybe_misspelt = misspelt(record)
    for wanted in record.section.fields:
        if not wanted.required or wanted.name in record.given:
            continue
        if wanted.name in record.findings.unreadable or wanted.name in maybe_misspelt:
            continue
        record.wrong(wanted.name, f"it is missing: add {_how_to_write(wanted)} ({wanted.about})")


def _how_to_write(wanted: Field) -> str:
    if isinstance(wanted.kind, Table):
        keys = [_how_to_write(f) for f in wanted.kind.section.fields if f.required]
        return f"{wanted.kind.header} with {', '.join(keys)}" if keys else wanted.kind.header
    examples = wanted.kind.schema().get("examples") or wanted.kind.schema().get("enum")
    if examples:
        return f'{wanted.name} = "{examples[0]}"'
    return f"{wanted.name} = ..."


def _read_nested(value: object, found: Field, parent: Record) -> Any:
    table = found.kind
    assert isinstance(table, Table)
    path = (*parent.path, found.name)
    if table.many == "one" and isinstance(value, dict):
        return _read_table(value, table.section, path, parent.key(found.name), parent.findings)
    if table.many == "list" and isinstance(value, list) and all(isinstance(v, dict) for v in value):
        if not value and found.required:
            parent.wrong(found.name, f"give at least one {table.header}")
        return tuple(
            _read_table(
                v, table.section, (*path, n), parent.key(_numbered(found.name, v, n)), parent.findings
            )
            for n, v in enumerate(value)
        )
    if table.many == "named" and isinstance(value, dict):
        return tuple(_read_named(value, table, path, parent))
    parent.wrong(found.name, f"write it as {table.header}")
    return None


def _numbered(name: str, raw: dict[str, Any], index: int) -> str:
    """How people find it: by its id, else by its number."""
    ident = raw.get("id") or raw.get("name")
    singular = {"points": "point", "inline": "inline", "table": "table row"}.get(name, name)
    if isinstance(ident, str) and len(ident) <= 40:
        return f'{singular} "{ident}"'
    return f"{singular} {index + 1}"


def _read_named(value: dict[str, Any], table: Table, path: Path, parent: Record) -> Iterator[Record]:
    for name, raw in value.items():
        key = f'{path[-1]} "{name}"'
        if not isinstance(raw, dict):
            parent.findings.add((*path, name), parent.key(key), as_read(raw), f"write it as {table.header}")
            continue
        if not re.fullmatch(IDENT_PATTERN, name):
            parent.findings.add(
                (*path, name), parent.key(key), name, "name it in small letters, digits and hyphens"
            )
        record = _read_table(raw, table.section, (*path, name), parent.key(key), parent.findings)
        record.values["id"] = name
        yield record
