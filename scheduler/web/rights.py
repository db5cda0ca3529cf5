"""May they? Each route says what right it needs; here it is asked for."""

from __future__ import annotations

import secrets
from dataclasses import dataclass
from enum import IntEnum
from typing import Annotated, Any

from fastapi import Depends, Form, Request

from scheduler.web.guard import STOP_PATH, address_of
from scheduler.web.keys import Session
from scheduler.web.parts import Parts

# Of a form that comes before any session.
DOOR = "door"
# Nobody is logged in where the page may only be looked at.
ANYBODY = "anybody"


class Right(IntEnum):
    """Each holds those before it. To look holds to stop: whoever sees water run must be able to end it."""

    NONE = 0
    LOOK = 1
    ACT = 2


class NotAllowed(Exception):
    """``right`` is missing; ``back``: where the person wanted to go."""

    def __init__(self, right: Right, back: str) -> None:
        super().__init__(right.name)
        self.right = right
        self.back = back


class StaleForm(Exception):
    """The form's token is not of this session: it is shown anew, nothing is done."""


@dataclass(frozen=True, slots=True)
class Visitor:
    """Whoever asks. ``about``: what the tokens of forms are bound to."""

    right: Right
    who: str
    about: str
    session: Session | None

    @property
    def look(self) -> bool:
        return self.right >= Right.LOOK

    @property
    def act(self) -> bool:
        return self.right >= Right.ACT

    @property
    def name(self) -> str | None:
        return self.session.who if self.session is not None else None


def parts_of(request: Request) -> Parts:
    parts: Parts = request.app.state.parts
    return parts


def visitor_of(request: Request) -> Visitor:
    """Who it is, by the cookie. Asked once a request."""
    found: Visitor | None = getattr(request.state, "visitor", None)
    if found is None:
        found = _visitor(request, parts_of(request))
        request.state.visitor = found
    return found


def _visitor(request: Request, parts: Parts) -> Visitor:
    if parts.look_only:
        return Visitor(Right.LOOK, f"somebody at the page ({address_of(request.scope)})", ANYBODY, None)
    session = parts.keys.session(request.cookies.get(parts.cookie))
    if session is None:
        return Visitor(Right.NONE, "nobody", DOOR, None)
    return Visitor(Right.ACT if session.may_act else Right.LOOK, session.who, session.digest, session)


def needs(right: Right) -> Any:
    """A dependency of a route that shows something."""

    def check(request: Request) -> Visitor:
        visitor = visitor_of(request)
        if visitor.right < right:
            raise NotAllowed(right, request.url.path)
        return visitor

    check.right = right  # type: ignore[attr-defined]
    return Depends(check)


def posts(right: Right) -> Any:
    """A dependency of a route that does something: the right, and a form of this session."""

    def check(request: Request, token: Annotated[str, Form(max_length=200)]) -> Visitor:
        visitor = visitor_of(request)
        if visitor.right < right:
            raise NotAllowed(right, "/tell" if right >= Right.ACT else "/")
        if not _of_this_session(request, visitor, token):
            raise StaleForm
        return visitor

    check.right = right  # type: ignore[attr-defined]
    return Depends(check)


def _of_this_session(request: Request, visitor: Visitor, token: str) -> bool:
    if parts_of(request).keys.token_is_right(visitor.about, token):
        return True
    # A stop from a page left open for long: the browser itself says that the page is ours, and that is enough
    # to stop.
    return request.url.path == STOP_PATH and request.headers.get("sec-fetch-site") == "same-origin"


def once() -> str:
    """Names one sending of one form: sent twice, it is done once."""
    return secrets.token_urlsafe(16)
