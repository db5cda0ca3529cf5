"""Nobody does what he may not: rights of every route, forms of other sites, tries, limits. A stop passes the
limits."""

from __future__ import annotations

import asyncio
import re
from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path
from typing import Any
from unittest.mock import patch
from urllib.parse import quote

import pytest
from fastapi import FastAPI
from fastapi.routing import APIRoute
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from starlette.testclient import TestClient

from scheduler.web.guard import BODY_BYTES_MAX, Guard, Measured, Message, Refused
from scheduler.web.limits import STOPS_PER_MINUTE, TRIES_PER_HOUR, Rate, Tries
from scheduler.web.rights import Right
from tests.support.page_garden import HOST, PASSWORD, WHO, PageGarden, form_of, heading, plain, token

# Every route and what it needs. A new route must be entered here, and stands under the walks below.
NEEDED = {
    ("GET", "/"): Right.LOOK,
    ("GET", "/fresh"): Right.LOOK,
    ("GET", "/plant/{ident}"): Right.LOOK,
    ("GET", "/day"): Right.LOOK,
    ("GET", "/day/{text}"): Right.LOOK,
    ("GET", "/round"): Right.LOOK,
    ("GET", "/calendar"): Right.LOOK,
    ("GET", "/calendar/{secret}.ics"): Right.NONE,
    ("POST", "/calendar/new"): Right.ACT,
    ("POST", "/calendar/end"): Right.ACT,
    ("GET", "/weeks"): Right.LOOK,
    ("GET", "/weeks/what-if"): Right.LOOK,
    ("GET", "/weeks/tested"): Right.LOOK,
    ("GET", "/weeks/change"): Right.LOOK,
    ("GET", "/weeks/season"): Right.LOOK,
    ("GET", "/weeks/season/sheet"): Right.LOOK,
    ("GET", "/away"): Right.LOOK,
    ("GET", "/care"): Right.LOOK,
    ("GET", "/tell"): Right.LOOK,
    ("GET", "/asked/{number}"): Right.LOOK,
    ("POST", "/tell/{name}"): Right.ACT,
    ("POST", "/stop"): Right.LOOK,
    ("GET", "/enter"): Right.NONE,
    ("POST", "/enter"): Right.NONE,
    ("GET", "/first"): Right.NONE,
    ("POST", "/first"): Right.NONE,
    ("GET", "/leave"): Right.LOOK,
    ("POST", "/leave"): Right.LOOK,
}
SAMPLE = {"ident": "sage", "text": "2012-07-20", "number": "1", "name": "took", "secret": "A" * 43}
# Every field of every form.
FIELDS = {"subject": "sage", "amount": "2", "day": "", "password": "a guess at it", "code": "AAAAA-AAAAA"}


def _inner(page: PageGarden) -> FastAPI:
    assert isinstance(page.app, Guard)
    app = page.app._app
    assert isinstance(app, FastAPI)
    return app


def _routes(page: PageGarden) -> Iterator[tuple[str, str, APIRoute]]:
    for route in _all_routes(_inner(page).router):
        for method in sorted(route.methods or ()):
            yield method, route.path, route


def _all_routes(router: Any) -> Iterator[APIRoute]:
    for route in router.routes:
        if isinstance(route, APIRoute):
            yield route
        elif hasattr(route, "original_router"):
            yield from _all_routes(route.original_router)


def _path(path: str) -> str:
    return re.sub(r"\{(\w+)\}", lambda m: SAMPLE[m[1]], path)


def _kept(page: PageGarden) -> list[str]:
    return [a.request.kind for a in page.store.requests_since(page.driver.start - timedelta(days=1))]


# ---- The walk ----------------------------------------------------------------------------------------------


def test_every_route_is_known_and_says_what_right_it_needs(page: PageGarden) -> None:
    found = {}
    for method, path, route in _routes(page):
        rights = [d.call.right for d in route.dependant.dependencies if hasattr(d.call, "right")]
        assert len(rights) == 1, path
        found[method, path] = rights[0]
    assert found == NEEDED


def test_without_a_session_no_route_shows_or_does_anything(started: PageGarden) -> None:
    stranger = started.visitor()
    for (method, path), right in NEEDED.items():
        if right is Right.NONE:
            continue
        form = FIELDS | {"token": token(stranger, "/enter"), "once": "x" * 22}
        answer = stranger.request(method, _path(path), data=form if method == "POST" else None)
        assert answer.url.path == "/enter", path
        assert "L/h" not in answer.text and "Sage" not in answer.text, path
    assert _kept(started) == []


def test_who_may_only_look_does_nothing_but_stop(started: PageGarden) -> None:
    started.hands.ahead = timedelta(minutes=31)
    for (method, path), right in NEEDED.items():
        if method == "POST" and right is Right.ACT:
            form = FIELDS | {"token": token(started.client, "/"), "once": "x" * 22}
            answer = started.client.post(_path(path), data=form)
            assert heading(answer.text) == "Your password, to act"
        elif method == "GET":
            assert started.client.get(_path(path)).status_code in (200, 400, 404)
    assert _kept(started) == []
    assert "enter the password once more" in plain(started.client.get("/tell").text)
    sent = started.client.post("/stop", data={"token": token(started.client, "/"), "once": "x" * 22})
    assert sent.url.path.startswith("/asked/")
    assert _kept(started) == ["stop"]


def test_a_form_of_another_session_or_without_a_token_does_nothing(started: PageGarden) -> None:
    other = started.visitor()
    other.post("/enter", data={"token": token(other, "/enter"), "password": PASSWORD, "who": "Ben"})
    theirs = form_of(other)
    for (method, path), right in NEEDED.items():
        if method != "POST" or right is Right.NONE:
            continue
        for bad in ({"token": theirs["token"]}, {"token": ""}, {}, {"token": "é" * 9}, {"token": "A" * 88}):
            answer = started.client.post(_path(path), data=FIELDS | {"once": "x" * 22} | bad)
            assert answer.status_code in (403, 422), (path, bad)
    assert _kept(started) == []
    assert started.client.get("/").status_code == 200


def test_a_stop_from_a_page_left_open_is_taken_on_the_browsers_own_word(started: PageGarden) -> None:
    own = {"sec-fetch-site": "same-origin"}
    form = {"token": "of long ago", "once": "x" * 22}
    assert started.client.post("/stop", data=form, headers=own).url.path.startswith("/asked/")
    assert started.client.post("/tell/took", data=FIELDS | form, headers=own).status_code == 403
    assert _kept(started) == ["stop"]


@pytest.mark.parametrize(
    "headers",
    [{"sec-fetch-site": "cross-site"}, {"sec-fetch-site": "same-site"}, {"origin": "https://other.example"}],
)
def test_what_another_site_sends_is_refused_even_with_a_right_token(
    started: PageGarden, headers: dict[str, str]
) -> None:
    form = form_of(started.client) | {"amount": "2"}
    for path in ("/stop", "/tell/took", "/leave"):
        assert started.client.post(path, data=form, headers=headers).status_code == 403
    assert _kept(started) == []


def test_only_get_head_and_post_are_taken_and_nothing_is_done_by_get(started: PageGarden) -> None:
    for method in ("PUT", "DELETE", "PATCH", "OPTIONS", "TRACE"):
        assert started.client.request(method, "/stop").status_code == 405
    assert started.client.get("/stop").status_code in (404, 405)
    assert started.client.get("/tell/took?amount=2").status_code in (404, 405)
    assert _kept(started) == []


# ---- The door ----------------------------------------------------------------------------------------------


def _first(page: PageGarden, client: TestClient, code: str, password: str = PASSWORD) -> str:
    form = {"token": token(client, "/first"), "code": code, "password": password, "who": WHO}
    return client.post("/first", data=form).text


def test_the_first_start_code_is_good_once_and_for_half_an_hour(page: PageGarden) -> None:
    assert page.client.get("/").url.path == "/first"
    code = page.keys.new_code()
    page.hands.ahead = timedelta(minutes=31)
    assert "is not right, was used, or is over" in plain(_first(page, page.client, code))
    code = page.keys.new_code()
    assert "is not right" in plain(_first(page, page.client, "AAAAA-AAAAA"))
    assert heading(_first(page, page.client, code.lower())).startswith("Nothing is known")
    assert "is not right, was used, or is over" in plain(_first(page, page.visitor(), code))


def test_a_new_code_replaces_the_password_and_ends_every_session(started: PageGarden) -> None:
    other = started.visitor()
    _first(started, other, started.keys.new_code(), "another one of mine")
    assert started.client.get("/").url.path == "/enter"
    assert not started.keys.enter(PASSWORD, WHO)
    assert started.keys.enter("another one of mine", WHO)


@pytest.mark.parametrize(
    ("password", "said"),
    [
        ("short", "8 characters at the least"),
        ("Password1", "one of the commonest"),
        ("x" * 257, "256 characters at the most"),
    ],
)
def test_a_poor_password_is_refused_and_the_code_stays_good(
    page: PageGarden, password: str, said: str
) -> None:
    code = page.keys.new_code()
    assert said in plain(_first(page, page.client, code, password))
    assert heading(_first(page, page.client, code)).startswith("Nothing is known")


def test_any_sign_may_stand_in_a_password_and_none_is_cut_off(page: PageGarden) -> None:
    password = "  grün & <b>' \"; 漢字 " + "é" * 200
    _first(page, page.client, page.keys.new_code(), password)
    assert page.keys.enter(password, WHO)
    assert not page.keys.enter(password[:-1], WHO)
    assert not page.keys.enter(password.strip(), WHO)


def test_wrong_passwords_are_slowed_down_and_a_stop_is_not(started: PageGarden) -> None:
    stranger = started.visitor()

    def tries(password: str) -> int:
        form = {"token": token(stranger, "/enter"), "password": password, "who": ""}
        return stranger.post("/enter", data=form, follow_redirects=False).status_code

    assert [tries("a guess at it") for _ in range(4)] == [403, 403, 403, 429]
    assert tries(PASSWORD) == 429  # not even the right one, until the wait is over
    sent = started.client.post("/stop", data=form_of(started.client))
    assert sent.url.path.startswith("/asked/")
    started.hands.monotonic_s += 61.0
    assert tries(PASSWORD) == 303


def test_no_more_than_twenty_wrong_passwords_an_hour_in_all() -> None:
    clock = [0.0]
    tries = Tries(lambda: clock[0])
    for n in range(TRIES_PER_HOUR):
        assert tries.wait_s(f"192.0.2.{n}") == 0.0
        tries.failed(f"192.0.2.{n}")
    assert tries.wait_s("192.0.2.99") == pytest.approx(3600.0)
    clock[0] = 3601.0
    assert tries.wait_s("192.0.2.99") == 0.0


def test_a_session_is_made_anew_at_each_entry_and_ended_when_left(started: PageGarden) -> None:
    cookie = "__Host-fallinghead"
    before = started.client.cookies[cookie]
    entered = {"token": token(started.client, "/enter"), "password": PASSWORD, "who": WHO}
    started.client.post("/enter", data=entered)
    after = started.client.cookies[cookie]
    assert after != before
    assert started.keys.session(before) is None
    started.client.post("/leave", data={"token": token(started.client, "/leave")})
    assert started.keys.session(after) is None
    assert started.client.get("/").url.path == "/enter"


def test_to_look_ends_after_thirty_days(started: PageGarden) -> None:
    started.hands.ahead = timedelta(days=31)
    assert started.client.get("/").url.path == "/enter"


def test_the_cookie_is_bound_to_this_host_and_to_tls_and_hidden_from_scripts(started: PageGarden) -> None:
    form = {"token": token(started.client, "/enter"), "password": PASSWORD, "who": WHO}
    answer = started.client.post("/enter", data=form, follow_redirects=False)
    cookie = answer.headers["set-cookie"]
    assert cookie.startswith("__Host-fallinghead=")
    parts = {p.strip().lower() for p in cookie.split(";")[1:]}
    assert {"secure", "httponly", "samesite=strict", "path=/"} <= parts
    assert not any(p.startswith("domain") for p in parts)
    # 128 bits at the least (OWASP ASVS 7.2.3); six to a sign.
    assert 6 * len(cookie.split("=", 1)[1].split(";")[0]) >= 128


def test_no_secret_can_be_read_from_the_file_nor_by_others(started: PageGarden) -> None:
    kept = started.keys.path.read_text(encoding="utf-8")
    assert PASSWORD not in kept
    assert started.client.cookies["__Host-fallinghead"] not in kept
    assert "$argon2id$" in kept
    assert started.keys.path.stat().st_mode & 0o777 == 0o600


def test_a_password_costs_whoever_guesses_at_it_what_owasp_advises(
    started: PageGarden, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.undo()  # the quick hashes of the other tests
    assert started.keys.set_password(started.keys.new_code(), PASSWORD, WHO)
    # OWASP Password Storage Cheat Sheet: argon2id with 19 MiB, 2 passes, 1 lane, at the least.
    assert "$argon2id$v=19$m=19456,t=2,p=1$" in started.keys.path.read_text(encoding="utf-8")


def test_a_file_of_keys_that_is_damaged_opens_no_door(started: PageGarden) -> None:
    started.keys.path.write_text("{}", encoding="utf-8")
    answer = started.client.get("/")
    assert answer.status_code == 503
    assert "cannot be read" in answer.text
    assert "Sage" not in answer.text


# ---- Only to look ------------------------------------------------------------------------------------------


def test_where_the_page_is_only_to_be_looked_at_nothing_but_a_stop_is_done(tmp_path: Path) -> None:
    page = PageGarden(tmp_path, look_only=True)
    page.start()
    client = page.client
    assert heading(client.get("/").text).startswith("All is well")
    for (method, path), right in NEEDED.items():
        if method == "POST" and path not in ("/stop", "/leave"):
            form = FIELDS | {"token": token(client, "/"), "once": "x" * 22}
            answer = client.post(_path(path), data=form)
            assert answer.url.path == "/" or answer.status_code == 403, (path, right)
    assert _kept(page) == []
    assert "only the stop works" in plain(client.get("/tell").text)
    sent = client.post("/stop", data={"token": token(client, "/"), "once": "x" * 22})
    assert sent.url.path.startswith("/asked/")
    assert _kept(page) == ["stop"]
    assert "set-cookie" not in client.get("/").headers
    page.close()


# ---- Every answer, every request ---------------------------------------------------------------------------


def test_every_answer_forbids_scripts_and_frames_of_others_and_keeping(started: PageGarden) -> None:
    for path in ("/", "/tell", "/nothing", "/static/page.css", "/enter"):
        headers = started.client.get(path).headers
        policy = headers["content-security-policy"]
        assert "default-src 'none'" in policy and "frame-ancestors 'none'" in policy
        assert "unsafe" not in policy and "http" not in policy and "*" not in policy
        assert headers["x-content-type-options"] == "nosniff"
        assert headers["referrer-policy"] == "same-origin"
        assert "max-age=31536000" in headers["strict-transport-security"]
        assert "access-control-allow-origin" not in headers
        if not path.startswith("/static"):
            assert headers["cache-control"] == "no-store"


def test_the_page_answers_to_its_own_names_only(started: PageGarden) -> None:
    for host in ("other.example", "", f"{HOST}.other.example", "[::1", f"{HOST}@other.example"):
        assert started.client.get("/", headers={"host": host}).status_code == 421, host
    assert started.client.get("/", headers={"host": f"{HOST.upper()}:8417"}).status_code == 200


def test_no_more_is_read_than_a_form_can_hold(started: PageGarden) -> None:
    form = form_of(started.client) | {"amount": "2"}
    long = started.client.post("/tell/took", data=form | {"subject": "x" * BODY_BYTES_MAX})
    assert long.status_code == 413

    def drop_by_drop() -> Iterator[bytes]:
        yield b"amount="
        for _ in range(BODY_BYTES_MAX // 1024 + 1):
            yield b"2" * 1024

    kind = {"content-type": "application/x-www-form-urlencoded"}
    assert started.client.post("/tell/took", content=drop_by_drop(), headers=kind).status_code in (400, 413)
    many = "&".join(f"f{n}=1" for n in range(3000))
    assert started.client.post("/tell/took", content=many, headers=kind).status_code in (400, 422)
    assert _kept(started) == []


def test_a_program_that_asks_too_often_is_held_up_and_a_stop_is_not(
    started: PageGarden, monkeypatch: pytest.MonkeyPatch
) -> None:
    form = form_of(started.client)
    monkeypatch.setattr(started.app, "_rate", Rate(lambda: started.hands.monotonic_s, 10))
    for _ in range(11):
        last = started.client.get("/static/mark.svg").status_code
    assert last == 429
    sent = started.client.post("/stop", data=form, follow_redirects=False)
    assert sent.status_code == 303
    started.hands.monotonic_s += 61.0
    assert started.client.get("/").status_code == 200


def test_a_storm_of_stops_is_answered_with_the_last_one(started: PageGarden) -> None:
    form = form_of(started.client)
    for n in range(STOPS_PER_MINUTE + 5):
        sent = started.client.post("/stop", data=form | {"once": f"{n:022d}"}, follow_redirects=False)
        assert sent.status_code == 303
    assert len(_kept(started)) == STOPS_PER_MINUTE


def test_names_are_shown_as_text_and_never_as_markup(page: PageGarden) -> None:
    code = page.keys.new_code()
    client = page.client
    form = {"token": token(client, "/first"), "code": code, "password": PASSWORD}
    client.post("/first", data=form | {"who": "<img src=x>\n\x00Ann"})
    text = client.get("/leave").text
    assert "<img" not in text
    assert "&lt;img src=x&gt;" in text


def test_what_happens_at_the_door_is_logged_without_secrets(
    page: PageGarden, caplog: pytest.LogCaptureFixture
) -> None:
    caplog.set_level("INFO", "fallinghead.page")
    code = page.keys.new_code()
    _first(page, page.client, code)
    other = page.visitor()
    form = {"token": token(other, "/enter"), "who": "Ben"}
    other.post("/enter", data=form | {"password": "a guess at it"})
    other.post("/enter", data=form | {"password": PASSWORD})
    assert "The password was set by Ann from testclient." in caplog.text
    assert "A wrong password from testclient." in caplog.text
    assert "Ben entered from testclient." in caplog.text
    assert PASSWORD not in caplog.text and "a guess at it" not in caplog.text and code not in caplog.text


ANY = st.text(st.characters(codec="utf-8"), max_size=60)


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    route=st.sampled_from([r for r in sorted(NEEDED) if r[0] == "GET" or r[1] in ("/stop", "/tell/{name}")]),
    part=st.none() | st.text(st.characters(codec="utf-8"), max_size=30),
    fields=st.dictionaries(
        st.sampled_from(sorted(FIELDS)), st.text(st.characters(codec="utf-8"), max_size=80)
    ),
    query=st.text(st.characters(codec="utf-8"), max_size=20),
)
def test_nothing_that_is_typed_breaks_the_page(
    started: PageGarden, route: tuple[str, str], part: str | None, fields: dict[str, str], query: str
) -> None:
    method, path = route
    started.hands.monotonic_s += 60.0
    name = quote(part, safe="") if part is not None else None
    session = started.keys.session(started.client.cookies["__Host-fallinghead"])
    assert session is not None
    known = {"token": started.keys.token(session.digest), "once": "y" * 22}
    answer = started.client.request(
        method,
        re.sub(r"\{(\w+)\}", lambda m: name or SAMPLE[m[1]], path),
        params={"zone": query, "asked": query, "again": query},
        data=known | fields if method == "POST" else None,
        follow_redirects=False,
    )
    assert answer.status_code < 500, answer.text


def test_a_body_that_trickles_in_is_given_up() -> None:
    """Whole or not at all, whatever the pace of its parts: told by the guard alone, without a real wait."""
    clock = [0.0]
    parts = iter(range(1000))

    async def receive() -> Message:
        next(parts)
        clock[0] += 3.0
        return {"type": "http.request", "body": b"a", "more_body": True}

    async def read() -> None:
        loop = asyncio.get_running_loop()
        real = loop.time()
        with patch.object(loop, "time", lambda: real + clock[0]):
            measured = Measured(receive)
            while True:
                await measured()

    with pytest.raises(Refused, match="too long to arrive"):
        asyncio.run(read())
    assert 2 <= next(parts) <= 5
