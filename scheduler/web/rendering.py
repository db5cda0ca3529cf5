"""A page from its template, with what every page bears."""

from __future__ import annotations

import hashlib
from typing import Any

from fastapi import Request
from fastapi.responses import HTMLResponse

from scheduler.web.rights import parts_of, visitor_of


def show(request: Request, template: str, status: int = 200, **values: Any) -> HTMLResponse:
    parts, visitor = parts_of(request), visitor_of(request)
    page = {
        "garden": parts.garden.site.name,
        "rights": visitor,
        "token": parts.keys.token(visitor.about),
        "look_only": parts.look_only,
        "here": "",
    }
    return parts.templates.TemplateResponse(request, template, page | values, status_code=status)


def mark(*said: object) -> str:
    """Changes when any of it changes."""
    return hashlib.sha256(repr(said).encode("utf-8")).hexdigest()[:16]
