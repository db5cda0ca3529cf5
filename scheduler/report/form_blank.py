"""A test as a file to fill in: every entry with its question and an example, what is laid down beforehand
written out. ``form_file`` reads it back; an entry left empty is one that was not measured."""

from __future__ import annotations

from textwrap import wrap

from scheduler.report.form_examples import Spoken, with_examples
from scheduler.report.forms import Form, Moment, form_of
from scheduler.site.fields import Field, Flag, Number
from scheduler.site.model import Site
from scheduler.survey.tests_done import TestKind

# Width of a line of words, and where the words behind an entry begin.
_WIDTH, _WORDS_AT = 108, 26


def blank_test(site: Site, kind: TestKind, zone: str | None) -> str:
    """The file of one step in a garden, as TOML. ``zone`` None: a test of the barrels or the sensor. KeyError
    for an unknown zone."""
    form = with_examples(site, form_of(site, kind, zone), zone)
    moment = Moment(site.place.timezone)
    lines = _words(f"{form.title}. {form.words}") + _words(f"Caution: {form.cautions}")
    lines += _words("Type between the quotes; what stays empty was not measured.")
    lines.append(f'test = "{form.step}"')
    if zone is not None:
        lines.append(f'zone = "{zone}"')
    lines.append(_entry(Field("date", moment, "When it ended (empty: now)")))
    lines += [_entry(f) for f in form.head]
    return "\n".join([*lines, *_rows(form)]) + "\n"


def _words(text: str) -> list[str]:
    return [f"# {line}" for line in wrap(text, _WIDTH)]


def _rows(form: Form) -> list[str]:
    """What is laid down beforehand, row by row; else one row to copy."""
    lines: list[str] = []
    for name, value in form.given:
        lines += ["", f"[[{form.rows}]]", f'{name} = "{value}"']
        lines += [_entry(f, value) for f in form.asked_in_row]
    if form.rows and not form.given:
        least = f", {form.least} or more" if form.least > 1 else ""
        lines += ["", *_words(f"One of these for each {form.rows}{least}: copy the lines.")]
        off = "" if form.least else "# "
        for number in range(1, max(form.least, 1) + 1):
            rows = [_entry(f, f"{form.rows} {number}") for f in form.asked_in_row]
            lines += [f"{off}{line}" for line in (f"[[{form.rows}]]", *rows)]
    return lines


def _entry(asked: Field, place: str = "") -> str:
    said = "; ".join(part for part in (asked.about, _how(asked, place)) if part)
    return f"{f'{asked.name} = {_EMPTY}':{_WORDS_AT}}# {said}"


_EMPTY = '""'


def _how(asked: Field, place: str) -> str:
    """How to write it, where the question does not say."""
    kind = asked.kind.kind if isinstance(asked.kind, Spoken) else asked.kind
    if isinstance(kind, Flag):
        usual = {True: "; empty: true", False: "; empty: false"}.get(asked.default, "")
        return f"true or false, without quotes{usual}"
    if isinstance(kind, Number):
        return "a number, without quotes"
    if isinstance(kind, Moment):
        return f'such as "{kind.schema()["examples"][0]}"'
    example = asked.kind.example_at(place) if isinstance(asked.kind, Spoken) else ""
    if example:
        return f'such as "{example}"'
    return f"empty: {asked.default}" if asked.default is not None else ""
