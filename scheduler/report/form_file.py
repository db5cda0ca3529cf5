"""A test written in a TOML file: the same entries as at the terminal, every mistake told at once. An empty
text is an entry that was not measured, as at the terminal; ``form_blank`` writes a file to fill in."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from scheduler.report.forms import GARDEN_STEPS, STEPS, Form, Moment, form_of, record_of
from scheduler.site.errors import NOTHING, SiteFileError, SiteProblem
from scheduler.site.fields import Field, Flag, Number, Section, Table, Text, Word, as_read, did_you_mean
from scheduler.site.mending import parse_toml
from scheduler.site.model import Site
from scheduler.site.records import Findings, Record, read_records
from scheduler.site.toml_lines import toml_lines
from scheduler.survey.sense import questions
from scheduler.survey.tests_done import TestRecord

# A test of a hundred cans stays far below this.
_MOST_BYTES = 500_000


@dataclass(frozen=True, slots=True)
class FiledTest:
    """``sure``: the person says that what is questioned is so."""

    record: TestRecord
    sure: bool


def read_test(
    path: Path, site: Site, step: str | None, zone: str | None, who: str, now: datetime
) -> FiledTest:
    """The test that a file tells. ``step``, ``zone`` and ``who`` stand where the file does not say.

    SiteFileError with every problem of the file: its TOML, its keys and units, what cannot be.
    """
    name = str(path)
    try:
        if path.stat().st_size > _MOST_BYTES:
            raise _whole(name, f"{path.stat().st_size} bytes", "this is too large to be a test")
        text = path.read_text(encoding="utf-8-sig")
    except UnicodeDecodeError as error:
        raise _whole(name, f"byte {error.start}", "save the file as UTF-8 text") from error
    except OSError as error:
        raise _whole(name, "", f"cannot be read ({error.strerror})") from error
    parsed = parse_toml(text)
    findings = Findings(name, {}, unreadable=parsed.unreadable)
    for broken in parsed.broken:
        findings.problems.append(SiteProblem(name, broken.line, broken.key, broken.read, broken.remedy))
    if parsed.document is None:
        raise SiteFileError(findings.sorted())
    findings.lines = toml_lines(parsed.text)
    document = _filled(parsed.document)
    if zone is None and len(site.zones) == 1:
        zone = site.zones[0].id
    found = _read(document, findings, site, step, zone, who, now)
    if found is None:
        raise SiteFileError(findings.sorted())
    return found


def _filled(table: dict[str, Any]) -> dict[str, Any]:
    """Without the entries that were left empty; rows keep their places."""
    return {
        key: [_filled(row) if isinstance(row, dict) else row for row in value]
        if isinstance(value, list)
        else value
        for key, value in table.items()
        if value != ""
    }


def _whole(name: str, read: str, remedy: str) -> SiteFileError:
    return SiteFileError([SiteProblem(name, None, "the file", read, remedy)])


def _read(
    document: dict[str, Any],
    findings: Findings,
    site: Site,
    step: str | None,
    zone: str | None,
    who: str,
    now: datetime,
) -> FiledTest | None:
    form = _form(document, findings, site, step, zone)
    if form is None:
        return None
    zone = None if form.kind in GARDEN_STEPS else str(document.get("zone", zone))
    record = read_records(document, _section(site, form), findings)
    rows = [dict(row.values) for row in record.many(form.rows)] if form.rows else []
    if form.rows and not findings.problems and len(rows) < form.least:
        record.wrong(form.rows, f"give {form.least} or more of [[{form.rows}]]")
    if findings.problems:
        return None
    head = {f.name: record.get(f.name) for f in form.head if record.get(f.name) is not None}
    at = record.get("date")
    if at is None:
        at = max(row["at"] for row in rows) if form.kind == "leak_at_rest" else now
    try:
        made = record_of(
            form,
            head,
            rows,
            zone=zone,
            at=at,
            who=record.get("who") or who,
            note=record.get("note") or "",
            replaces=record.get("replaces"),
            trims_before=(record.get("round") or 1) - 1,
        )
    except ValidationError as error:
        _note_invalid(record, form, error)
        return None
    for question in questions(site, made):
        if question.refused:
            line, read = _where(findings, document, form, question.about)
            findings.problems.append(SiteProblem(findings.file, line, question.about, read, question.text))
    return None if findings.problems else FiledTest(made, bool(record.get("sure")))


def _form(
    document: dict[str, Any], findings: Findings, site: Site, step: str | None, zone: str | None
) -> Form | None:
    said = document.get("test", step)
    if not isinstance(said, str) or said not in STEPS:
        read = f'"{said}"' if said is not None else NOTHING
        findings.add(
            ("test",), "test", read, f"write which test it is: {did_you_mean(str(said or ''), STEPS)}"
        )
        return None
    if step is not None and said != step:
        findings.add(("test",), "test", f'"{said}"', f"the command was told {step}")
        return None
    kind = STEPS[said]
    asked = document.get("zone", zone)
    zones = [z.id for z in site.zones]
    if kind not in GARDEN_STEPS and asked not in zones:
        read = f'"{asked}"' if asked is not None else NOTHING
        findings.add(
            ("zone",), "zone", read, f"write which zone it is: {did_you_mean(str(asked or ''), zones)}"
        )
        return None
    return form_of(site, kind, asked)


def _section(site: Site, form: Form) -> Section:
    common = [
        Field("test", Word(tuple(STEPS)), "which test"),
        Field("date", Moment(site.place.timezone), "when it ended"),
        Field("who", Text(), "who did it"),
        Field("note", Text(), "anything else"),
        Field("sure", Flag(), "what is questioned is so"),
        Field("replaces", Number(1, 1e9, whole=True), "number of the record that this one corrects"),
    ]
    if form.kind not in GARDEN_STEPS:
        common.append(Field("zone", Word(tuple(z.id for z in site.zones)), "which zone"))
    if form.kind in ("catch_cans", "trim"):
        common.append(Field("round", Number(1, 99, whole=True), "trimming round, from 1"))
    if form.rows:
        table = Table(Section(form.title, form.row), "list", f"[[{form.rows}]]")
        common.append(Field(form.rows, table, "the readings", required=form.least > 0))
    return Section(form.title, (*common, *form.head))


def _note_invalid(record: Record, form: Form, error: ValidationError) -> None:
    for said in error.errors():
        where = ".".join(str(part) for part in said["loc"][1:]) or form.step
        record.findings.add((), where, "it", said["msg"].removeprefix("Value error, "))


def _where(findings: Findings, document: dict[str, Any], form: Form, about: str) -> tuple[int | None, str]:
    """Line and text of "can 3" or of a key, as far as they are found."""
    word, _, number = about.partition(" ")
    index = number.split(",")[0].strip()
    rows = document.get(form.rows) or []
    if form.rows and index.isdigit() and 0 < int(index) <= len(rows):
        written = ", ".join(f"{k} {as_read(v)}" for k, v in rows[int(index) - 1].items())
        return findings.line((form.rows, int(index) - 1)), written
    if word in document:
        return findings.line((word,)), as_read(document[word])
    return None, "the entries"
