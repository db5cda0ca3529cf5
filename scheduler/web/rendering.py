"""A page from its template, with what every page bears."""

from __future__ import annotations

import hashlib
from dataclasses import replace
from typing import Any

from fastapi import Request
from fastapi.responses import PlainTextResponse, Response

from scheduler.service.practised import PRACTICE_OVER, practice_ended
from scheduler.site.errors import StoreError, UsageError
from scheduler.web.facts import Garden
from scheduler.web.rights import Right, parts_of, visitor_of


def show(request: Request, template: str, status: int = 200, **values: Any) -> Response:
    parts = parts_of(request)
    try:
        visitor = visitor_of(request)
        over = parts.one is not None and _practice_over(parts.one)
        token = parts.keys.token(visitor.about)
    except StoreError as error:
        # Who may see anything is not known: nothing but this is said.
        return PlainTextResponse(f"{error} If water must stop, shut the hand tap at the barrels.", 503)
    page = {
        "garden": parts.title,
        "office": parts.one is None,
        # Nothing can be told in a practice that is over, so no page of it has a form for that.
        "rights": replace(visitor, right=min(visitor.right, Right.LOOK)) if over else visitor,
        "practice_over": PRACTICE_OVER if over else "",
        "token": token,
        "look_only": parts.look_only,
        "here": "",
    }
    return parts.templates.TemplateResponse(request, template, page | values, status_code=status)


def _practice_over(garden: Garden) -> bool:
    """Also where its mark cannot be read: what is asked for says that itself."""
    try:
        return practice_ended(garden.environment) is not None
    except UsageError:
        return True


def mark(*said: object) -> str:
    """Changes when any of it changes."""
    return hashlib.sha256(repr(said).encode("utf-8")).hexdigest()[:16]
