"""A bare server that does what a test tells it, a clock that only moves when told, and a Web."""

from __future__ import annotations

import email.utils
import http.server
import json
import threading

import pytest

from riskcast.weather.web import Clock, Limits, Web

# 12:00:00 UTC, 14 November 2023, a Tuesday.
NOON = 1_699_963_200.0
GOOD = {"hourly": {"temperature_2m": [7.1, 6.8]}}


class HandClock(Clock):
    """Stands still; pauses are noted and pass at once."""

    def __init__(self):
        self.seconds = NOON
        self.pauses = []

    def now(self):
        return self.seconds

    def monotonic(self):
        return self.seconds

    def sleep(self, seconds):
        self.pauses.append(seconds)
        self.seconds += seconds


class BareServer:
    """Plays its acts in order, the last one for ever; remembers paths and headers."""

    def __init__(self, acts):
        self.acts = list(acts)
        self.seen = []
        self.over = threading.Event()
        server = self

        class Handler(http.server.BaseHTTPRequestHandler):
            protocol_version = "HTTP/1.1"

            def do_GET(self):
                server.seen.append((self.path, {k.lower(): v for k, v in self.headers.items()}))
                act = server.acts.pop(0) if len(server.acts) > 1 else server.acts[0]
                try:
                    act(self)
                except OSError:
                    self.close_connection = True

            def log_message(self, *args):
                pass

        class Quiet(http.server.ThreadingHTTPServer):
            daemon_threads = True
            block_on_close = False

            def handle_error(self, request, client_address):
                pass

        self.http = Quiet(("127.0.0.1", 0), Handler)
        self.thread = threading.Thread(target=self.http.serve_forever, args=(0.01,), daemon=True)
        self.thread.start()

    @property
    def url(self):
        scheme = "https" if hasattr(self.http.socket, "context") else "http"
        return f"{scheme}://127.0.0.1:{self.http.server_port}/v1/forecast"

    def close(self):
        self.over.set()
        self.http.shutdown()
        self.http.server_close()
        self.thread.join()


def answer(body=GOOD, status=200, at=NOON, **headers):
    """An act: one whole answer. Header names are written with _ for -."""
    raw = body if isinstance(body, bytes) else json.dumps(body).encode()

    def act(handler):
        handler.send_response_only(status)
        sent = {"Content_Length": str(len(raw))} | headers
        if at is not None:
            sent.setdefault("Date", email.utils.formatdate(at, usegmt=True))
        for name, value in sent.items():
            handler.send_header(name.replace("_", "-"), value)
        handler.end_headers()
        if status != 304:
            handler.wfile.write(raw)

    return act


@pytest.fixture
def clock():
    return HandClock()


@pytest.fixture
def serve():
    """serve(act, act, …) → BareServer."""
    servers = []

    def start(*acts):
        servers.append(BareServer(acts))
        return servers[-1]

    yield start
    for server in servers:
        server.close()


@pytest.fixture
def reply():
    return answer


@pytest.fixture
def make_web(tmp_path, clock):
    """Webs on one cache, with tiny time-outs; `limits` changes single ones."""
    webs = []

    def make(*, folder=tmp_path / "cache", limits=None, **keys):
        tiny = {"connect_s": 2.0, "read_s": 0.2, "total_s": 100.0, "back_off_s": 1.0}
        keys = {"clock": clock} | keys
        webs.append(Web(folder, limits=Limits(**(tiny | (limits or {}))), **keys))
        return webs[-1]

    yield make
    for web in webs:
        web.close()


@pytest.fixture
def ask(make_web):
    """ask(server or url, web, **keys of Web.get) → Answer for a place with odd digits."""

    def put(server, web=None, **keys):
        keys = {"parse": json.loads} | keys
        params = keys.pop("params", {"latitude": "51.37", "longitude": "-2.61"})
        url = server if isinstance(server, str) else server.url
        return (web or make_web()).get(keys.pop("service", "open-meteo"), url, params, **keys)

    return put
