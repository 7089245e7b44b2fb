"""Weather services on this machine, speaking the documented shapes, with faults to order.

::

    with Services() as services:
        services.fail("forecast", service_faults.truncated(), times=2)
        ... riskcast asks services.url("forecast") ...
        assert services.count("forecast") == 3
"""

from __future__ import annotations

import contextlib
import datetime as dt
import http.server
import socket
import sys
import threading
import traceback
from collections import deque
from dataclasses import dataclass
from email.utils import format_datetime
from typing import Any
from urllib.parse import parse_qsl, urlsplit

import met_norway_answers
import open_meteo_answers
from service_faults import Fault, Reply

__all__ = ["PATHS", "USER_AGENT", "Request", "Services"]

PATHS = {
    "forecast": "/v1/forecast",
    "ensemble": "/v1/ensemble",
    "archive": "/v1/archive",
    "previous-runs": "/previous-runs/v1/forecast",
    "met-norway": "/weatherapi/locationforecast/2.0/complete",
}
USER_AGENT = "riskcast tests (keeper@example.org)"

# Words by which MET Norway knows a library that did not say who asks.
_GENERIC_AGENTS = ("python-requests", "python-urllib", "python", "curl", "wget", "okhttp")
_MOST_DECIMALS = 4


@dataclass(frozen=True)
class Request:
    """One request as it came in. `headers` has lower-case names."""

    service: str
    path: str
    query: dict[str, str]
    headers: dict[str, str]
    status: int


class _Server(http.server.ThreadingHTTPServer):
    daemon_threads = True
    block_on_close = False
    closing: threading.Event
    services: Services

    def handle_error(self, request: Any, client_address: Any) -> None:
        """A client that goes away in mid-answer is what many tests are about; the rest is ours."""
        if not isinstance(sys.exc_info()[1], OSError):
            self.services.broken.append(traceback.format_exc())


class _Handler(http.server.BaseHTTPRequestHandler):
    protocol_version = "HTTP/1.1"
    timeout = 10
    server: _Server

    def log_message(self, *args: Any) -> None:
        """Nothing on the screen of the tests."""

    def setup(self) -> None:
        super().setup()
        self.server.services._open.add(self.connection)

    def finish(self) -> None:
        with contextlib.suppress(OSError):
            super().finish()
        self.server.services._open.discard(self.connection)

    def do_GET(self) -> None:
        services = self.server.services
        reply = services._reply(self.path, {k.lower(): v for k, v in self.headers.items()})
        if reply.status:
            data = reply.encoded()
            self.send_response_only(reply.status)
            for name, text in reply.headers.items():
                self.send_header(name, text)
            date = services.now + dt.timedelta(seconds=reply.clock_off_s)
            self.send_header("Date", format_datetime(date, usegmt=True))
            if reply.status != 304:
                announced = len(data) if reply.announced is None else reply.announced
                self.send_header("Content-Length", str(announced))
            if self.close_connection:
                self.send_header("Connection", "close")
            self.end_headers()
        else:
            data = b""
            self.close_connection = True
        with contextlib.suppress(OSError):
            reply.send(self, data)


class Services:
    """Open-Meteo's endpoints and MET Norway's on one loopback port.

    Attributes
    ----------
    requests : list of `Request`, in order
    expires_s : how long MET Norway's answers hold
    met_status : 203 marks its answers as deprecated
    broken : faults of these services themselves; leaving them raises if there are any
    """

    def __init__(self, now: dt.datetime | None = None) -> None:
        self._now = now
        self.requests: list[Request] = []
        self.expires_s = 1800.0
        self.met_status = 200
        self.broken: list[str] = []
        self._queues: dict[str, deque[Fault]] = {name: deque() for name in PATHS}
        self._always: dict[str, tuple[Fault, ...]] = {}
        self._lock = threading.Lock()
        self._open: set[socket.socket] = set()
        self._server: _Server | None = None

    def __enter__(self) -> Services:
        self._server = _Server(("127.0.0.1", 0), _Handler)
        self._server.services, self._server.closing = self, threading.Event()
        serve = threading.Thread(target=self._server.serve_forever, args=(0.02,), daemon=True)
        serve.start()
        return self

    def __exit__(self, *_: object) -> None:
        assert self._server is not None
        self._server.closing.set()
        self._server.shutdown()
        self._server.server_close()
        for connection in list(self._open):
            with contextlib.suppress(OSError):
                connection.shutdown(socket.SHUT_RDWR)
        assert not self.broken, "\n".join(self.broken)

    # --- what tests set and read ------------------------------------------------------------

    @property
    def now(self) -> dt.datetime:
        """The services' clock, UTC: the moment set, else that of this machine."""
        return self._now or dt.datetime.now(dt.UTC)

    @now.setter
    def now(self, moment: dt.datetime | None) -> None:
        self._now = moment

    def fail(self, service: str, *faults: Fault, times: int | None = 1) -> None:
        """Spoil the next answers of a service, one fault each; `times` None: all from now on.

        Faults of one always-list act together on every answer.
        """
        with self._lock:
            if times is None:
                self._always[service] = faults
            else:
                for _ in range(times):
                    self._queues[service].extend(faults)

    def mend(self, *services: str) -> None:
        """Whole answers again, from the services named or from all."""
        with self._lock:
            for name in services or tuple(PATHS):
                self._queues[name].clear()
                self._always.pop(name, None)

    def count(self, *services: str) -> int:
        """Requests so far, to the services named or to all."""
        return sum(1 for r in self.requests if not services or r.service in services)

    def asked(self, service: str) -> list[Request]:
        """Requests to one service, in order."""
        return [r for r in self.requests if r.service == service]

    def url(self, service: str) -> str:
        """Address of one service."""
        assert self._server is not None
        return f"http://127.0.0.1:{self._server.server_address[1]}{PATHS[service]}"

    def open_meteo(self, **more: Any) -> dict[str, Any]:
        """Keys of ``[weather.open-meteo]``, as the model of the site file takes them."""
        names = ("forecast", "ensemble", "archive", "previous_runs")
        return {f"{n}_url": self.url(n.replace("_", "-")) for n in names} | more

    def met_norway(self, **more: Any) -> dict[str, Any]:
        """Keys of ``[weather.met-norway]``."""
        return {"url": self.url("met-norway"), "user_agent": USER_AGENT} | more

    def site_lines(self) -> str:
        """The sections of a site file that point at these services."""
        out = ["[weather.open-meteo]"]
        out += [f'{key} = "{text}"' for key, text in self.open_meteo().items()]
        out += ["", "[weather.met-norway]"]
        out += [f'{key} = "{text}"' for key, text in self.met_norway().items()]
        return "\n".join(out) + "\n"

    # --- answering --------------------------------------------------------------------------

    def _reply(self, target: str, headers: dict[str, str]) -> Reply:
        parts = urlsplit(target)
        query: dict[str, str] = {}
        for key, text in parse_qsl(parts.query, keep_blank_values=True):
            query[key] = f"{query[key]},{text}" if key in query else text
        service = next((n for n, path in PATHS.items() if path == parts.path), "")
        if not service:
            return Reply(404, {"Content-Type": "application/json"}, {"reason": "Not Found"})
        answered = self._met_norway if service == "met-norway" else self._open_meteo
        reply = answered(service, query, headers)
        reply.headers["X-Asked"] = target
        for fault in self._faults(service):
            fault(reply)
        reply.headers.pop("X-Asked")
        with self._lock:
            self.requests.append(Request(service, parts.path, query, headers, reply.status))
        return reply

    def _faults(self, service: str) -> tuple[Fault, ...]:
        with self._lock:
            queue = self._queues[service]
            return (queue.popleft(),) if queue else self._always.get(service, ())

    def _open_meteo(self, service: str, query: dict[str, str], headers: dict[str, str]) -> Reply:
        out = Reply(headers={"Content-Type": "application/json; charset=utf-8"})
        try:
            out.document = open_meteo_answers.answer(service, query, self.now)
        except open_meteo_answers.Refused as reason:
            out.status, out.document = 400, open_meteo_answers.error(str(reason))
        return out

    def _met_norway(self, service: str, query: dict[str, str], headers: dict[str, str]) -> Reply:
        agent = headers.get("user-agent", "").lower()
        if not agent or agent.startswith(_GENERIC_AGENTS):
            return Reply(403, {"Content-Type": "text/html"}, data=b"<html>403 Forbidden</html>")
        try:
            place = [query["lat"], query["lon"]]
            numbers = [float(text) for text in place]
        except (KeyError, ValueError):
            page = met_norway_answers.BAD_REQUEST_PAGE
            return Reply(400, {"Content-Type": "text/html; charset=utf-8"}, data=page)
        if any(len(text.partition(".")[2]) > _MOST_DECIMALS for text in place):
            return Reply(403, {"Content-Type": "text/html"}, data=b"<html>403 Forbidden</html>")
        made = self.now.replace(minute=0, second=0, microsecond=0)
        stamp = format_datetime(made, usegmt=True)
        expires = format_datetime(self.now + dt.timedelta(seconds=self.expires_s), usegmt=True)
        head = {"Content-Type": "application/json", "Expires": expires, "Last-Modified": stamp}
        if headers.get("if-modified-since") == stamp and self.met_status != 203:
            return Reply(304, head)
        altitude = float(query["altitude"]) if "altitude" in query else None
        document = met_norway_answers.answer(numbers[0], numbers[1], altitude, self.now)
        return Reply(self.met_status, head, document)
