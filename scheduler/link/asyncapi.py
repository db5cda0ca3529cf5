"""The wire as an AsyncAPI 3.0 document, generated from the messages."""

from __future__ import annotations

from typing import Any

from pydantic import BaseModel

from scheduler.link import messages
from scheduler.link.rain_gauge import TIPS_MAX
from scheduler.link.signing import ORDER_BYTES_MAX, STATE_BYTES_MAX

_SIGNED: tuple[tuple[str, type[BaseModel], str, int], ...] = (
    ("order", messages.OrderMessage, "Open one valve, bounded in time and level.", ORDER_BYTES_MAX),
    ("close", messages.CloseMessage, "Close one valve or all. Always obeyed.", ORDER_BYTES_MAX),
    ("ask", messages.AskMessage, "Say your state, with this challenge in it.", ORDER_BYTES_MAX),
    ("receipt", messages.ReceiptMessage, "These outcomes are booked.", ORDER_BYTES_MAX),
    ("state", messages.StateMessage, "All that the node has to say.", STATE_BYTES_MAX),
    ("log", messages.LogMessage, "The node's last refusals and faults; when asked.", STATE_BYTES_MAX),
)
_RAIN: dict[str, Any] = {
    "name": "rain",
    "summary": "A rain gauge's running count of tips; not signed, never retained.",
    "contentType": "application/json",
    "payload": {
        "type": "object",
        "required": ["tips"],
        "properties": {"tips": {"type": "integer", "minimum": 0, "maximum": TIPS_MAX}},
    },
}
_REFERENCE = "#/components/schemas/{model}"


def _schemas() -> dict[str, Any]:
    found: dict[str, Any] = {}
    models = [model for _kind, model, _text, _size in _SIGNED] + [messages.AlertMessage]
    for model in models:
        schema = model.model_json_schema(ref_template=_REFERENCE)
        found.update(schema.pop("$defs", {}))
        found[model.__name__] = schema
    return found


def _frame(kind: str, model: type[BaseModel], text: str, bytes_max: int) -> dict[str, Any]:
    """A signed frame is text; the JSON object stands behind the signature."""
    return {
        "name": kind,
        "summary": text,
        "contentType": "text/plain",
        "payload": {
            "type": "string",
            "maxLength": bytes_max,
            "pattern": r"^[0-9a-f]{64} \{.*\}$",
            "description": (
                f"HMAC-SHA256 in hex over '{kind}', a newline and the JSON bytes, with the node's key; "
                "a space; the JSON object."
            ),
            "contentMediaType": "application/json",
            "contentSchema": {"$ref": _REFERENCE.format(model=model.__name__)},
        },
    }


def _channel(kind: str, who: str) -> dict[str, Any]:
    return {
        "address": f"{messages.ROOT}/{{{who}}}/{kind}",
        "messages": {kind: {"$ref": f"#/components/messages/{kind}"}},
        "parameters": {who: {"description": f"The id of the {who}."}},
        "bindings": {"mqtt": {"bindingVersion": "0.2.0"}},
    }


def _operation(kind: str, action: str) -> dict[str, Any]:
    return {
        "action": action,
        "channel": {"$ref": f"#/channels/{kind}"},
        "messages": [{"$ref": f"#/channels/{kind}/messages/{kind}"}],
        "bindings": {"mqtt": {"qos": 1, "retain": False, "bindingVersion": "0.2.0"}},
    }


def asyncapi_document() -> dict[str, Any]:
    """Seen from the daemon: it sends orders and receives states."""
    signed = {kind: _frame(kind, model, text, size) for kind, model, text, size in _SIGNED}
    plain = {
        "nudge": {
            "name": "nudge",
            "summary": "A request lies in the store. The payload is not read.",
            "contentType": "text/plain",
            "payload": {"type": "string", "maxLength": 16},
        },
        "alert": {
            "name": "alert",
            "summary": "Something a person must act on.",
            "contentType": "application/json",
            "payload": {"$ref": _REFERENCE.format(model="AlertMessage")},
        },
        "rain": _RAIN,
    }
    channels = {kind: _channel(kind, "node") for kind in signed}
    channels |= {kind: _channel(kind, "site") for kind in plain}
    operations = {f"send_{k}": _operation(k, "send") for k in (*messages.TO_NODE, "alert")}
    operations |= {f"receive_{k}": _operation(k, "receive") for k in ("state", "log", "nudge", "rain")}
    return {
        "asyncapi": "3.0.0",
        "info": {
            "title": "Fallinghead valve node",
            "version": str(messages.VERSION),
            "description": messages.__doc__,
            "license": {"name": "Apache-2.0"},
        },
        "defaultContentType": "text/plain",
        "channels": channels,
        "operations": operations,
        "components": {"messages": signed | plain, "schemas": _schemas()},
    }
