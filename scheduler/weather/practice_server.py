"""A small local server that gives measured days as the forecast service would, with faults on demand.

For tests and the practice garden; loopback only.
"""

from __future__ import annotations

import gzip
import json
from collections.abc import Callable, Sequence
from datetime import UTC, date, datetime, timedelta
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from threading import Event, Thread
from types import TracebackType
from typing import Literal, Self
from urllib.parse import parse_qs, urlsplit
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from scheduler.agronomy.weather import DayWeather
from scheduler.weather import practice_others
from scheduler.weather.forecast_error import degraded
from scheduler.weather.practice_reply import Reply, reply

Fault = Literal[
    "drip",  # the body comes a byte a second
    "drip_headers",  # so do the headers
    "hang",  # connected, and never an answer
    "huge",  # a body without end
    "bomb",  # a small body that unpacks to a huge one
    "nan",
    "nulls",  # every figure unknown
    "units",  # changed units
    "out_of_range",
    "old_days",  # yesterday's reply, days later
    "wrong_zone",
    "wrong_place",
    "missing_key",
    "duplicate_key",
    "deep",  # nested out of all bounds
    "redirect_elsewhere",
    "redirect_same",  # once, to the same server
    "redirect_loop",
    "portal",  # a captive network's login page, with status 200
    "bad_request",
    "too_many",
    "server_error",
    "truncated",
    "true_hours",  # a day on which clocks change has 23 or 25 hours
    "deprecated",  # status 203: this version will end
    "outside",  # status 422: not this service's land
    "old_issue",  # a forecast that is no longer renewed
    "list",  # a list of replies, as for several places
    "short_rain",  # the amount of rain ends after three days, its chance does not
    "other_server",  # the grid cell is said to be elsewhere
    "members_null",
    "model_names",  # each member's name ends with its model's
]

DRIP_S = 1.0
HUGE_BYTES = 4_000_000
LOCATION_FORECAST = "/weatherapi/locationforecast/2.0/complete"
ENSEMBLE = "/v1/ensemble"
US_PATHS = ("/points/", "/gridpoints/")
# How far behind a frozen reply stays.
OLD_BY = timedelta(days=3)
MAX_DAYS = 16 + 92  # the service's own limits: 16 to come, 92 past


class PracticeWeather:
    """The server, as a context manager. ``days`` are the truth.

    ``today`` tells the local day (a callable, so that practice time can run fast). With ``error_seed`` the
    days from today on carry forecast errors. Set ``fault`` to make the next calls fail; ``calls`` counts.
    """

    def __init__(
        self,
        days: Sequence[DayWeather],
        today: Callable[[], date],
        *,
        error_seed: int | None = None,
        port: int = 0,
    ) -> None:
        self.days = tuple(days)
        self.today = today
        self.error_seed = error_seed
        self.fault: Fault | None = None
        self.drip_s = DRIP_S
        self.calls = 0
        self.last_headers: dict[str, str] = {}
        self.last_query: dict[str, str] = {}
        # The services of MET Norway and the United States: when they answer, the garden's zone, and what
        # was last modified.
        self.now = datetime(2012, 7, 10, 19, tzinfo=UTC)
        self.zone = ZoneInfo("America/Los_Angeles")
        self.last_modified = "Tue, 10 Jul 2012 18:00:00 GMT"
        self.expires = ""
        self.leaving = Event()
        practice = self

        class Bound(_Handler):
            owner = practice

        self._server = ThreadingHTTPServer(("127.0.0.1", port), Bound)
        self._server.daemon_threads = True
        self._thread = Thread(target=self._server.serve_forever, args=(0.05,), daemon=True)

    @property
    def base_url(self) -> str:
        return f"http://127.0.0.1:{self._server.server_port}"

    def start(self) -> None:
        self._thread.start()

    def stop(self) -> None:
        """Ends the server and lets go of callers that are kept waiting."""
        self.leaving.set()
        self._server.shutdown()
        self._server.server_close()
        self._thread.join()

    def __enter__(self) -> Self:
        self.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.stop()

    def answer(self, query: dict[str, str]) -> Reply:
        """The reply to a query; KeyError or ValueError for one that the service would refuse."""
        today = self.today() - (OLD_BY if self.fault == "old_days" else timedelta())
        past_days, forecast_days = int(query.get("past_days", "0")), int(query.get("forecast_days", "7"))
        if not 0 <= past_days + forecast_days <= MAX_DAYS:
            raise ValueError("days out of range")
        if query.get("wind_speed_unit") != "ms":
            raise ValueError("this stand-in gives wind in m/s only: wind_speed_unit=ms")
        days = self.days
        if self.error_seed is not None:
            days = degraded(days, today, self.error_seed, coming_days=forecast_days).days
        return reply(
            () if self.fault == "nulls" else days,
            today=today,
            past_days=past_days,
            forecast_days=forecast_days,
            latitude=float(query["latitude"]),
            longitude=float(query["longitude"]),
            zone=ZoneInfo(query["timezone"]),
            daily=[v for v in query.get("daily", "").split(",") if v],
            hourly=[v for v in query.get("hourly", "").split(",") if v],
            true_hours=self.fault == "true_hours",
        )


class _Handler(BaseHTTPRequestHandler):
    owner: PracticeWeather
    protocol_version = "HTTP/1.1"

    def log_message(self, format: str, *args: object) -> None:
        """Silent: the caller tells what matters."""

    def do_GET(self) -> None:
        owner = self.owner
        owner.calls += 1
        owner.last_headers = dict(self.headers.items())
        split = urlsplit(self.path)
        owner.last_query = {k: v[-1] for k, v in parse_qs(split.query).items()}
        self.close_connection = True
        try:
            if split.path in (LOCATION_FORECAST, ENSEMBLE) or split.path.startswith(US_PATHS):
                if not self._misbehave(split.query):
                    self._other(split.path)
            elif split.path != "/v1/forecast":
                self._send(404, b'{"error":true,"reason":"Not Found"}')
            elif not self._misbehave(split.query):
                self._good()
        except (BrokenPipeError, ConnectionResetError):
            pass  # the caller had enough

    def _good(self) -> None:
        try:
            body = self.owner.answer(self.owner.last_query)
        except (KeyError, ValueError, ZoneInfoNotFoundError) as error:
            self._error(400, str(error))
            return
        self._send(200, _spoilt(body, self.owner.fault))

    def _other(self, path: str) -> None:
        """Rules of the services that want an address to write to, then their replies."""
        owner, fault = self.owner, self.owner.fault
        if path != ENSEMBLE and "contact" not in owner.last_headers.get("User-Agent", ""):
            self._send(403, b"<html>Forbidden</html>", kind="text/html")
            return
        if path != ENSEMBLE and any(
            len(n.partition(".")[2]) > 4
            for n in (*path.split("/")[-1].split(","), *owner.last_query.values())
        ):
            self._send(403, b"<html>Too many decimals</html>", kind="text/html")
            return
        if fault == "outside":
            self._send(422, b"<html>Unprocessable</html>", kind="text/html")
            return
        headers = [("Last-Modified", owner.last_modified)]
        if owner.expires:
            headers.append(("Expires", owner.expires))
        if owner.last_headers.get("If-Modified-Since") == owner.last_modified:
            self._send(304, b"", *headers)
            return
        try:
            body = _spoilt(self._other_reply(path), fault)
        except (KeyError, ValueError, ZoneInfoNotFoundError) as error:
            self._error(400, str(error))
            return
        self._send(203 if fault == "deprecated" else 200, body, *headers)

    def _other_reply(self, path: str) -> Reply:
        owner, fault = self.owner, self.owner.fault
        days = () if fault == "nulls" else owner.days
        now = owner.now - (OLD_BY if fault == "old_issue" else timedelta())
        if path == ENSEMBLE:
            query = {**owner.last_query, "wind_speed_unit": "ms"}
            model = query["models"] if fault == "model_names" else None
            return practice_others.ensemble(
                owner.answer(query), model=model, all_null=fault == "members_null"
            )
        if path == LOCATION_FORECAST:
            lat, lon = (float(owner.last_query[k]) for k in ("lat", "lon"))
            return practice_others.met_norway(days, now, latitude=lat, longitude=lon, zone=owner.zone)
        if path.startswith("/points/"):
            return practice_others.us_points(
                "https://grid.example" if fault == "other_server" else owner.base_url
            )
        return practice_others.us_grid(days, now, owner.zone, short_rain=fault == "short_rain")

    def _misbehave(self, query: str) -> bool:
        """Carries out a fault of the transport; False when the fault, if any, is one of the content."""
        match self.owner.fault:
            case "drip" | "drip_headers":
                self._drip(head_too=self.owner.fault == "drip_headers")
            case "hang":
                self.owner.leaving.wait()
            case "huge":
                self._send(200, b"[" + b"1," * (HUGE_BYTES // 2))
            case "bomb":
                self._send(200, gzip.compress(b" " * (4 * HUGE_BYTES)), ("Content-Encoding", "gzip"))
            case "redirect_elsewhere":
                self._send(302, b"", ("Location", "http://weather.example/v1/forecast"))
            case "redirect_loop":
                self._send(302, b"", ("Location", self.path))
            case "redirect_same" if "again=1" not in query:
                self._send(302, b"", ("Location", f"{self.path}&again=1"))
            case "portal":
                page = b"<html><body>Welcome. Log in to use this network.</body></html>"
                self._send(200, page, kind="text/html; charset=utf-8")
            case "bad_request":
                self._error(400, "Latitude must be in range of -90 to 90°. Given: 123.0.")
            case "too_many":
                self._error(429, "Minutely API request limit exceeded. Please try again in one minute.")
            case "server_error":
                self._send(500, b"<html>Internal Server Error</html>", kind="text/html")
            case _:
                return False
        return True

    def _drip(self, *, head_too: bool) -> None:
        body = json.dumps(self.owner.answer(self.owner.last_query)).encode()
        head = b"HTTP/1.1 200 OK\r\nContent-Type: application/json\r\n"
        head += f"Content-Length: {len(body)}\r\n\r\n".encode()
        if not head_too:
            self.wfile.write(head)
        for byte in (head if head_too else b"") + body:
            self.wfile.write(bytes([byte]))
            self.wfile.flush()
            if self.owner.leaving.wait(self.owner.drip_s):
                return

    def _error(self, status: int, reason: str) -> None:
        self._send(status, json.dumps({"error": True, "reason": reason}, ensure_ascii=False).encode())

    def _send(
        self, status: int, body: bytes, *extra: tuple[str, str], kind: str = "application/json; charset=utf-8"
    ) -> None:
        self.send_response(status)
        self.send_header("Content-Type", kind)
        self.send_header("Content-Length", str(len(body)))
        self.send_header("Connection", "close")
        for name, value in extra:
            self.send_header(name, value)
        self.end_headers()
        self.wfile.write(body)


def _spoilt(body: Reply, fault: Fault | None) -> bytes:
    """The body as bytes, with a fault of the content put in."""
    daily, units = body.get("daily"), body.get("daily_units")
    first = next((k for k in daily if k != "time"), None) if isinstance(daily, dict) else None
    if isinstance(daily, dict) and isinstance(units, dict) and first is not None:
        if fault == "units":
            units[first] = "°F"
        elif fault == "out_of_range":
            daily[first][0] = 99.0
        elif fault == "nan":
            daily[first][0] = float("nan")
        elif fault == "missing_key":
            del daily[first]
    _spoil_features(body, fault)
    if fault == "wrong_zone":
        body["timezone"] = "GMT"
    if fault == "wrong_place":
        body["latitude"] = 0.0
    text = json.dumps([body] if fault == "list" else body, ensure_ascii=False)
    if fault == "duplicate_key":
        text = text.replace("{", '{"elevation":1.0,', 1)
    if fault == "deep":
        text = text.replace("{", '{"note":' + "[" * 50_000 + "]" * 50_000 + ",", 1)
    raw = text.encode()
    return raw[: len(raw) // 2] if fault == "truncated" else raw


def _spoil_features(body: Reply, fault: Fault | None) -> None:
    """Changed units in the two services that answer with a GeoJSON feature."""
    properties = body.get("properties")
    if fault != "units" or not isinstance(properties, dict):
        return
    if "meta" in properties:
        properties["meta"]["units"]["air_temperature"] = "fahrenheit"
    elif "windSpeed" in properties:
        properties["windSpeed"]["uom"] = "wmoUnit:m_s-1"
