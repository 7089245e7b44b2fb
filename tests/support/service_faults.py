"""What can go wrong with an answer on its way: each fault changes a reply before it is sent.

``server.fail("forecast", status(503, ...), truncated())`` spoils the next two answers there.
"""

from __future__ import annotations

import gzip as _gzip
import json
import socket
import struct
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

from open_meteo_answers import LIMITS, error

__all__ = [
    "HTML_PAGE",
    "LIMITS",
    "STREAMING_FAILURE",
    "Fault",
    "Reply",
    "all_null",
    "body",
    "clock_off",
    "content_type",
    "drip",
    "edit",
    "error",
    "half_then_reset",
    "html",
    "in_gzip",
    "in_units",
    "no_such_header",
    "redirect_loop",
    "refused",
    "silence",
    "status",
    "streaming_failure",
    "truncated",
    "without",
]

HTML_PAGE = b"<!DOCTYPE html><html><body><h1>502 Bad Gateway</h1>nginx</body></html>"
STREAMING_FAILURE = b"Unexpected error while streaming data: timeoutReached"

Send = Callable[[Any, bytes], None]


def _whole(handler: Any, data: bytes) -> None:
    handler.wfile.write(data)


@dataclass
class Reply:
    """An answer before it is sent.

    document : what becomes the body where `data` is None
    clock_off_s : what the Date header is wrong by
    announced : Content-Length if it is not the length of the body
    send : writes the body
    """

    status: int = 200
    headers: dict[str, str] = field(default_factory=dict)
    document: Any = None
    data: bytes | None = None
    clock_off_s: float = 0.0
    announced: int | None = None
    send: Send = _whole

    def encoded(self) -> bytes:
        """The bytes of the body."""
        if self.data is not None:
            return self.data
        if self.document is None:
            return b""
        return json.dumps(self.document, ensure_ascii=False, separators=(",", ":")).encode()


Fault = Callable[[Reply], None]


def status(code: int, content: bytes | dict[str, Any] = b"", **headers: str) -> Fault:
    """Another status, with this body; ``Retry_After="3"`` becomes the header Retry-After."""

    def spoil(reply: Reply) -> None:
        reply.status = code
        reply.data = None if isinstance(content, dict) else content
        reply.document = content
        reply.headers |= {name.replace("_", "-"): text for name, text in headers.items()}

    return spoil


def refused(code: int, reason: str) -> Fault:
    """As Open-Meteo says no: 400, 429, 500 or 503 with ``{"error": true, "reason": ...}``."""
    return status(code, error(reason))


def html(code: int = 200) -> Fault:
    """A page for people, from a proxy or a login."""

    def spoil(reply: Reply) -> None:
        reply.status, reply.data = code, HTML_PAGE
        reply.headers["Content-Type"] = "text/html; charset=utf-8"

    return spoil


def body(data: bytes) -> Fault:
    """Any bytes with status 200."""

    def spoil(reply: Reply) -> None:
        reply.data = data

    return spoil


def streaming_failure(after: float = 0.0) -> Fault:
    """Status 200, a share of the body, then Open-Meteo's text of failure."""

    def spoil(reply: Reply) -> None:
        whole = reply.encoded()
        reply.data = whole[: int(len(whole) * after)] + STREAMING_FAILURE

    return spoil


def truncated(share: float = 0.5) -> Fault:
    """A body cut off without a sign of it: the length sent fits what comes."""

    def spoil(reply: Reply) -> None:
        whole = reply.encoded()
        reply.data = whole[: int(len(whole) * share)]

    return spoil


def half_then_reset() -> Fault:
    """Half of the announced body, then the connection is reset."""

    def send(handler: Any, data: bytes) -> None:
        handler.wfile.write(data[: len(data) // 2])
        handler.wfile.flush()
        # Linger of zero seconds: closing sends a reset, not an end.
        handler.connection.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
        handler.close_connection = True

    return _sent_by(send)


def silence(seconds: float = 5.0) -> Fault:
    """Nothing at all after the request, until the server closes or the time is up."""

    def spoil(reply: Reply) -> None:
        def send(handler: Any, data: bytes) -> None:
            handler.server.closing.wait(seconds)

        reply.status, reply.send = 0, send

    return spoil


def drip(pause_s: float = 0.05, at_once: int = 16, seconds: float = 10.0) -> Fault:
    """A few bytes now and then: never silent for long, never done in time."""

    def send(handler: Any, data: bytes) -> None:
        end = time.monotonic() + seconds
        for start in range(0, len(data), at_once):
            if handler.server.closing.wait(pause_s) or time.monotonic() > end:
                handler.close_connection = True
                return
            handler.wfile.write(data[start : start + at_once])
            handler.wfile.flush()

    return _sent_by(send)


def _sent_by(send: Send) -> Fault:
    def spoil(reply: Reply) -> None:
        reply.send = send

    return spoil


def redirect_loop() -> Fault:
    """A redirect to the address that was asked; use it with ``times=None``."""

    def spoil(reply: Reply) -> None:
        reply.status, reply.data = 302, b""
        reply.headers["Location"] = reply.headers.get("X-Asked", "/")

    return spoil


def content_type(text: str) -> Fault:
    """The right body under a wrong name."""

    def spoil(reply: Reply) -> None:
        reply.headers["Content-Type"] = text

    return spoil


def no_such_header(name: str) -> Fault:
    """The answer lacks a header it should have."""

    def spoil(reply: Reply) -> None:
        reply.headers.pop(name, None)

    return spoil


def clock_off(hours: float) -> Fault:
    """The provider's clock and ours differ by this much."""

    def spoil(reply: Reply) -> None:
        reply.clock_off_s = hours * 3600

    return spoil


def in_gzip() -> Fault:
    """The body compressed, and said so."""

    def spoil(reply: Reply) -> None:
        reply.data = _gzip.compress(reply.encoded())
        reply.headers["Content-Encoding"] = "gzip"

    return spoil


def edit(change: Callable[[Any], Any]) -> Fault:
    """The document after a change to it, in place or returned."""

    def spoil(reply: Reply) -> None:
        changed = change(reply.document)
        reply.document = reply.document if changed is None else changed

    return spoil


def all_null(*names: str) -> Fault:
    """Columns of Open-Meteo without a single value; members of the variable too."""

    def change(document: Any) -> None:
        hourly = document["hourly"]
        for key in hourly:
            if any(key == name or key.startswith(f"{name}_member") for name in names):
                hourly[key] = [None] * len(hourly[key])

    return edit(change)


def without(*keys: str) -> Fault:
    """Columns of Open-Meteo left out altogether: ``without("temperature_2m_member02")``."""

    def change(document: Any) -> None:
        for key in keys:
            document["hourly"].pop(key, None)
            document["hourly_units"].pop(key, None)

    return edit(change)


def in_units(name: str, unit: str, convert: Callable[[float], float]) -> Fault:
    """A variable of Open-Meteo in other units than asked for, and said so."""

    def change(document: Any) -> None:
        for key, values in document["hourly"].items():
            if key == name or key.startswith(f"{name}_member"):
                document["hourly_units"][key] = unit
                document["hourly"][key] = [None if v is None else convert(v) for v in values]

    return edit(change)
