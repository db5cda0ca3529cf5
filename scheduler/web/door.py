"""The way in and out: the first-start code, the password, leaving."""

from __future__ import annotations

import logging
from typing import Annotated

from fastapi import APIRouter, Form, Request
from fastapi.responses import RedirectResponse, Response

from scheduler.site.errors import UsageError
from scheduler.site.showing import show_duration
from scheduler.web.guard import address_of
from scheduler.web.keys import LOOK_FOR, NAME_MAX, PASSWORD_ADVISED, PASSWORD_MAX, PASSWORD_MIN, tidy_name
from scheduler.web.rendering import show
from scheduler.web.rights import Right, needs, parts_of, posts, visitor_of

log = logging.getLogger("fallinghead.page")
router = APIRouter()
# Longer ones are refused in words, not by the form.
PasswordField = Annotated[str, Form(max_length=4 * PASSWORD_MAX)]
NameField = Annotated[str, Form(max_length=4 * NAME_MAX)]
PASSWORD_WORDS = (
    f"{PASSWORD_MIN} characters at the least, {PASSWORD_ADVISED} or more are better: four words in a row do "
    "well."
)


@router.get("/enter", dependencies=[needs(Right.NONE)])
def enter(request: Request, again: str | None = None) -> Response:
    parts = parts_of(request)
    if parts.look_only:
        return RedirectResponse("/", 303)
    if not parts.keys.has_password:
        return RedirectResponse("/first", 303)
    return _door(request, again=again is not None)


def _door(request: Request, *, again: bool = False, wrong: str = "", status: int = 200) -> Response:
    visitor = visitor_of(request)
    return show(request, "enter.html", status, here="enter", again=again, wrong=wrong, who=visitor.name or "")


@router.post("/enter", dependencies=[posts(Right.NONE)])
def entered(request: Request, password: PasswordField, who: NameField = "") -> Response:
    parts = parts_of(request)
    if parts.look_only:
        return RedirectResponse("/", 303)
    early = _too_early(request)
    if early:
        log.warning("Too many tries from %s.", address_of(request.scope))
        return _door(request, wrong=early, status=429)
    name = parts.keys.enter(password, who, leaving=request.cookies.get(parts.cookie))
    if name is None:
        parts.tries.failed(address_of(request.scope))
        log.warning("A wrong password from %s.", address_of(request.scope))
        return _door(request, wrong="The password is not right.", status=403)
    parts.tries.passed(address_of(request.scope))
    log.info("%s entered from %s.", tidy_name(who), address_of(request.scope))
    return _let_in(request, name)


@router.get("/first", dependencies=[needs(Right.NONE)])
def first(request: Request) -> Response:
    """Setting the password with a code from the log: at the first start, or when it was forgotten."""
    if parts_of(request).look_only:
        return RedirectResponse("/", 303)
    return _first(request)


def _first(request: Request, *, wrong: str = "", status: int = 200) -> Response:
    return show(request, "first.html", status, here="enter", wrong=wrong, rule=PASSWORD_WORDS)


@router.post("/first", dependencies=[posts(Right.NONE)])
def set_first(
    request: Request, code: Annotated[str, Form(max_length=40)], password: PasswordField, who: NameField = ""
) -> Response:
    parts = parts_of(request)
    if parts.look_only:
        return RedirectResponse("/", 303)
    early = _too_early(request)
    if early:
        return _first(request, wrong=early, status=429)
    try:
        name = parts.keys.set_password(code, password, who)
    except UsageError as error:
        return _first(request, wrong=str(error), status=400)
    if name is None:
        parts.tries.failed(address_of(request.scope))
        log.warning("A wrong first-start code from %s.", address_of(request.scope))
        text = "This code is not right, was used, or is over. A new one: the page's command with --new-code."
        return _first(request, wrong=text, status=403)
    parts.tries.passed(address_of(request.scope))
    log.info("The password was set by %s from %s.", tidy_name(who), address_of(request.scope))
    return _let_in(request, name)


@router.get("/leave", dependencies=[needs(Right.LOOK)])
def leave(request: Request) -> Response:
    return show(request, "leave.html", here="leave")


@router.post("/leave", dependencies=[posts(Right.LOOK)])
def left(request: Request) -> Response:
    parts = parts_of(request)
    name = request.cookies.get(parts.cookie)
    if name:
        parts.keys.leave(name)
    answer = RedirectResponse("/enter", 303)
    answer.delete_cookie(parts.cookie, path="/", secure=parts.secure, httponly=True, samesite="strict")
    return answer


def _too_early(request: Request) -> str:
    wait_s = parts_of(request).tries.wait_s(address_of(request.scope))
    if wait_s <= 0.0:
        return ""
    stop = " A stop is taken from every page that is open." if parts_of(request).one is not None else ""
    return f"Too many wrong tries: wait {show_duration(wait_s)}.{stop}"


def _let_in(request: Request, name: str) -> Response:
    parts = parts_of(request)
    answer = RedirectResponse("/", 303)
    answer.set_cookie(
        parts.cookie,
        name,
        max_age=int(LOOK_FOR.total_seconds()),
        path="/",
        secure=parts.secure,
        httponly=True,
        samesite="strict",
    )
    return answer
