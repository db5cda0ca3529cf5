"""The line map against what tomllib reads from the same text."""

from __future__ import annotations

import tomllib
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from scheduler.site.toml_lines import toml_lines


def value_paths(value: Any, path: tuple[str | int, ...] = ()) -> set[tuple[str | int, ...]]:
    """Every path below the top that tomllib's result has."""
    children: list[tuple[str | int, Any]] = []
    if isinstance(value, dict):
        children = list(value.items())
    elif isinstance(value, list):
        children = list(enumerate(value))
    found = {path} if path else set()
    for key, child in children:
        found |= value_paths(child, (*path, key))
    return found


TRICKY = (
    """\
# a comment with [brackets] = "and quotes
id = "one" # trailing "quote
"quoted key" = 'it"""
    + """'s
"""
)

EVERYTHING = r'''# [not.a.table]
title = "a # no comment"     # a comment, with = and [
'lit eral' = 'C:\path\'
"es\"caped" = "say \"hi\" \\"
a.b.c = 1
a."d.e" = [1, 2,
  3, # three ]
]

[tank]
long = """
[[zone]]
x = 1 \" """
raw = \'\'\'
it is "" '' here\'\'\'
more = """ends in two quotes"""""
when = 2012-05-15T04:00:00Z

[[zone]]
id = "first"
  [zone.valve]
  kv = "6 m3/h"
  [[zone.line]]
  points = [
    { at = "0 m", drop = "1 m" },

    { at = "2 m", inner = { x = 1, y.z = [ { q = 1 }, {q = 2} ] } },
  ]
  [[zone.line]]
  id = "b"
[[zone]]
[[zone.line]]
id = "c"
[zone.line.deep.er]
k = true
[emitter.bubbler]
form = "bubbler"
'''.replace(r"\'\'\'", "'''")


def test_every_path_that_tomllib_reads_has_a_line_and_no_other() -> None:
    assert set(toml_lines(EVERYTHING)) == value_paths(tomllib.loads(EVERYTHING))


@pytest.mark.parametrize(
    ("path", "content"),
    [
        (("title",), "title ="),
        (("lit eral",), "'lit eral'"),
        (('es"caped',), r'"es\"caped"'),
        (("a", "b", "c"), "a.b.c"),
        (("a", "d.e", 2), "  3, #"),
        (("tank",), "[tank]"),
        (("tank", "raw"), "raw ="),
        (("tank", "more"), "more ="),
        (("tank", "when"), "when ="),
        (("zone", 0), "[[zone]]"),
        (("zone", 0, "id"), 'id = "first"'),
        (("zone", 0, "valve", "kv"), "  kv ="),
        (("zone", 0, "line", 0, "points", 0, "drop"), '    { at = "0 m"'),
        (("zone", 0, "line", 0, "points", 1, "inner", "y", "z", 1, "q"), '    { at = "2 m"'),
        (("zone", 0, "line", 1, "id"), '  id = "b"'),
        (("zone", 1, "line", 0, "id"), 'id = "c"'),
        (("zone", 1, "line", 0, "deep", "er", "k"), "k = true"),
        (("emitter", "bubbler", "form"), "form ="),
    ],
)
def test_a_key_is_found_on_its_own_line(path: tuple[str | int, ...], content: str) -> None:
    assert EVERYTHING.splitlines()[toml_lines(EVERYTHING)[path] - 1].startswith(content)


def test_windows_line_ends_count_once() -> None:
    assert toml_lines("a = 1\r\n\r\n[b]\r\nc = 2\r\n")[("b", "c")] == 4


def test_an_unclosed_text_ends_with_an_error_and_not_with_a_hang() -> None:
    with pytest.raises(ValueError, match="not closed"):
        toml_lines('a = "never')


# Random documents: built line by line, so that the true line of each key is known from the building.

keys = st.text("abcXYZ_-09", min_size=1, max_size=4) | st.sampled_from(['"q k"', "'a.b'", '"é#="', '"x\\"y"'])
scalars = st.sampled_from(
    ["1", "-2.5e3", "true", "nan", "2012-07-01",
     "05:00:00", '"a # b"', "'[x]'", '"\\"]"', '"""one"""', "'''l\n'''",
     '"""\ntwo\nlines = 3\n"""', "'''\n[[no]]\n\"'''", '"""q""""', '""', "''"]
)  # fmt: skip


def arrays(inner: st.SearchStrategy[str]) -> st.SearchStrategy[str]:
    glue = st.sampled_from([", ", ",\n", " , # c ]\n "])
    return st.tuples(st.lists(inner, max_size=3), glue).map(lambda t: "[" + t[1].join(t[0]) + "]")


def inline_tables(inner: st.SearchStrategy[str]) -> st.SearchStrategy[str]:
    pairs = st.lists(
        st.tuples(keys, inner), max_size=3, unique_by=lambda p: tomllib.loads(f"{p[0]} = 1").popitem()
    )
    return pairs.map(lambda ps: "{" + ", ".join(f"{k} = {v}" for k, v in ps) + "}")


values = st.recursive(scalars, lambda inner: arrays(inner) | inline_tables(inner), max_leaves=8)
statements = st.one_of(
    st.tuples(keys, values).map(lambda t: f"{t[0]} = {t[1]}"),
    st.tuples(keys, keys, values).map(lambda t: f"{t[0]} . {t[1]} = {t[2]}"),
    keys.map(lambda k: f"[{k}]"),
    keys.map(lambda k: f"[[{k}]]"),
    st.tuples(keys, keys).map(lambda t: f"[ {t[0]} . {t[1]} ]  # c"),
    st.tuples(keys, keys).map(lambda t: f"[[{t[0]}.{t[1]}]]"),
    st.sampled_from(["", "# a = 1", "   # [x]"]),
)


def grown(parts: list[str]) -> str:
    """The statements that together still are TOML, in their order."""
    text = ""
    for part in parts:
        try:
            tomllib.loads(text + part + "\n")
        except tomllib.TOMLDecodeError:
            continue
        text += part + "\n"
    return text


@settings(max_examples=300, deadline=None)
@given(st.lists(statements, max_size=14).map(grown))
def test_any_document_maps_exactly_the_paths_that_tomllib_reads(text: str) -> None:
    assert set(toml_lines(text)) == value_paths(tomllib.loads(text))


def is_table(text: str, path: tuple[str | int, ...]) -> bool:
    value: Any = tomllib.loads(text)
    for part in path:
        value = value[part]
    return isinstance(value, dict)


@settings(max_examples=300, deadline=None)
@given(st.lists(statements, max_size=14).map(grown))
def test_a_value_is_not_yet_read_from_the_lines_above_its_own(text: str) -> None:
    lines = text.splitlines(keepends=True)
    for path, line in toml_lines(text).items():
        above = "".join(lines[: line - 1])
        try:
            known = value_paths(tomllib.loads(above))
        except tomllib.TOMLDecodeError:
            continue
        assert path not in known or is_table(text, path)


@settings(max_examples=200, deadline=None)
@given(st.lists(st.integers(0, 4), min_size=1, max_size=6))
def test_each_simple_value_is_found_where_it_was_put(gaps: list[int]) -> None:
    text, true_line = "", {}
    for number, gap in enumerate(gaps):
        text += "# gap\n" * gap + "[[t]]\nv = { a = 1, b = [ 1,\n 2 ] }\n"
        true_line[number] = text.count("\n") - 1
    found = toml_lines(text)
    assert [found[("t", n, "v", "b", 1)] for n in true_line] == [line + 1 for line in true_line.values()]
    assert [found[("t", n, "v", "a")] for n in true_line] == list(true_line.values())
