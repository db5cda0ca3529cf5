"""The JSON Schema accepts the examples and refuses what the reader refuses (a small checker of our own)."""

from __future__ import annotations

import copy
import datetime
import json
import re
import tomllib
from typing import Any

import pytest

from scheduler.site.examples import EXAMPLES, example_text
from scheduler.site.schema import site_schema

USED = {
    "type",
    "enum",
    "pattern",
    "required",
    "properties",
    "additionalProperties",
    "items",
    "minItems",
    "maxItems",
    "minimum",
    "maximum",
    "minLength",
    "maxLength",
    "minProperties",
    "propertyNames",
    "examples",
    "description",
    "format",
    "$schema",
    "title",
}
TYPES: dict[str, Any] = {
    "object": dict,
    "array": list,
    "string": str,
    "boolean": bool,
    "integer": int,
    "number": (int, float),
}


def complaints(value: Any, schema: dict[str, Any], path: str = "") -> list[str]:
    """The keywords that the schema uses, of JSON Schema draft 2020-12."""
    assert set(schema) <= USED, f"this checker does not know {set(schema) - USED}"
    if "type" in schema and (
        not isinstance(value, TYPES[schema["type"]]) or (schema["type"] != "boolean" and value is True)
    ):
        return [f"{path}: type"]
    found = [f"{path}: enum"] if "enum" in schema and value not in schema["enum"] else []
    if "pattern" in schema and not re.search(schema["pattern"], value):
        found.append(f"{path}: pattern")
    if "minimum" in schema and not schema["minimum"] <= value <= schema["maximum"]:
        found.append(f"{path}: span")
    if isinstance(value, list):
        if not schema.get("minItems", 0) <= len(value) <= schema.get("maxItems", 10**9):
            found.append(f"{path}: length")
        for n, item in enumerate(value):
            found += complaints(item, schema["items"], f"{path}[{n}]")
    if isinstance(value, dict):
        found += [f"{path}.{key}: required" for key in schema.get("required", []) if key not in value]
        for key, item in value.items():
            inner = schema.get("properties", {}).get(key, schema["additionalProperties"])
            found += (
                [f"{path}.{key}: unknown"] if inner is False else complaints(item, inner, f"{path}.{key}")
            )
    return found


def document(name: str) -> dict[str, Any]:
    as_json = json.dumps(tomllib.loads(example_text(name)), default=datetime.date.isoformat)
    loaded: dict[str, Any] = json.loads(as_json)
    return loaded


@pytest.mark.parametrize("name", EXAMPLES)
def test_the_examples_fit_the_schema(name: str) -> None:
    assert complaints(document(name), site_schema()) == []


def test_the_schema_refuses_what_the_reader_refuses() -> None:
    wrong = copy.deepcopy(document("five-drums"))
    wrong["units"] = "imperial"
    wrong["place"]["altitude"] = 130
    wrong["feed"]["boer"] = wrong["feed"].pop("bore")
    wrong["plant"][0]["rank"] = 0
    assert len(complaints(wrong, site_schema())) == 5


def test_the_schema_is_plain_json() -> None:
    assert json.loads(json.dumps(site_schema())) == site_schema()
