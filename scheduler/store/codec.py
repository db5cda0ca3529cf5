"""Values <-> rows and JSON. What comes out of the store is checked as strictly as what comes off a wire."""

from __future__ import annotations

from typing import Any, TypeVar

import pydantic_core
from pydantic import TypeAdapter, ValidationError

from scheduler.site.errors import StoreError

T = TypeVar("T")


_adapters: dict[type[Any], TypeAdapter[Any]] = {}


def _adapter(kind: type[Any]) -> TypeAdapter[Any]:
    if kind not in _adapters:
        _adapters[kind] = TypeAdapter(kind)
    return _adapters[kind]


def to_json(value: object) -> str:
    """A dataclass as JSON. Infinite figures survive (RFC 8259 has none; only we read this back)."""
    plain = _adapter(type(value)).dump_python(value, mode="json")
    return pydantic_core.to_json(plain, inf_nan_mode="constants").decode()


def from_json(kind: type[T], text: str) -> T:
    try:
        value: T = _adapter(kind).validate_json(text)
    except ValidationError as error:
        raise StoreError(
            f"The store holds a {kind.__name__} that cannot be read: {error.errors()[0]['msg']}."
        ) from error
    return value


def from_dict(kind: type[T], values: dict[str, Any]) -> T:
    """A dataclass from a JSON column already parsed."""
    try:
        value: T = _adapter(kind).validate_python(values)
    except ValidationError as error:
        raise StoreError(
            f"The store holds a {kind.__name__} that cannot be read: {error.errors()[0]['msg']}."
        ) from error
    return value


def to_dict(value: Any) -> dict[str, Any]:
    """A flat dataclass of plain values, for a JSON column or as a row. (``asdict`` copies each value too.)"""
    return {name: getattr(value, name) for name in value.__dataclass_fields__}
