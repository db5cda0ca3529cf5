"""The JSON Schema of the site file, made from the same table of sections that the reader uses."""

from __future__ import annotations

from typing import Any

from scheduler.site.fields import IDENT_PATTERN, Field, Section, Table
from scheduler.site.sections import SITE

Json = dict[str, Any]


def site_schema() -> Json:
    """Draft 2020-12. A TOML date or time counts as its text."""
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": "Fallinghead site file",
        **_section(SITE),
    }


def _section(section: Section) -> Json:
    return {
        "type": "object",
        "description": section.about,
        "properties": {f.name: _field(f) for f in section.fields},
        "required": [f.name for f in section.fields if f.required],
        "additionalProperties": False,
    }


def _field(field: Field) -> Json:
    if isinstance(field.kind, Table):
        return {**_table(field.kind, required=field.required), "description": field.about}
    return {**field.kind.schema(), "description": field.about}


def _table(table: Table, *, required: bool) -> Json:
    inner = _section(table.section)
    if table.many == "list":
        return {"type": "array", "items": inner, **({"minItems": 1} if required else {})}
    if table.many == "named":
        return {
            "type": "object",
            "propertyNames": {"pattern": f"^{IDENT_PATTERN}$"},
            "additionalProperties": inner,
            **({"minProperties": 1} if required else {}),
        }
    return inner
