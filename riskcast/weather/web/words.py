"""What went wrong with a service, in a sentence for the keeper.

No exception of a library is quoted: their texts hold the address, and with it the place.
"""

from __future__ import annotations

import datetime as dt
import html
import json
import re
import socket
import ssl
from collections.abc import Iterator, Mapping

import requests.exceptions as rq
import urllib3.exceptions as u3

from riskcast.weather.web.answer import Limits
from riskcast.weather.web.errors import AGAIN, SourceError
from riskcast.weather.web.ledger import Full
from riskcast.weather.web.transport import (
    NoWayBack,
    Reply,
    TooLarge,
    TooLong,
    TooManyRedirects,
)

__all__ = [
    "SITE_FILE",
    "WHO_ASKS",
    "of_address",
    "of_body",
    "of_cut_body",
    "of_exception",
    "of_full",
    "of_status",
    "reason_of",
]

# A mail has room for one line.
_LONGEST_QUOTE = 140
# Names under which services are told a place.
_PLACE = ("latitude", "longitude", "lat", "lon", "elevation", "altitude")
_DECIMAL = re.compile(r"-?\d+\.\d+")
_ADDRESS = re.compile(r"\b[a-z][a-z0-9+.-]*://\S+", re.IGNORECASE)
_TAG = re.compile(r"<(script|style|head)\b.*?</\1\s*>|<[^>]*>", re.IGNORECASE | re.DOTALL)
_PAGE = re.compile(rb"\s*(?:\xef\xbb\xbf)?\s*<(?:!doctype\s+html|html)\b", re.IGNORECASE)
# Open-Meteo appends this to a body it has begun to send with status 200.
_STREAM_FAILED = b"Unexpected error while streaming data"

SITE_FILE = "check its address and models in the section [weather] of the site file"
WHO_ASKS = "name a way to reach you as its user_agent in the site file, and ask less often"
_HOUR_S = 3600
_DAY_S = 24 * _HOUR_S
# "Too many concurrent requests": those of others of this address end within seconds (common
# practice, no source).
_CONCURRENT_S = 5.0
# After "too many requests" without a word on when: to go on is what gets an address blocked
# (common practice, no source).
_PEACE_S = 600.0


def of_exception(service: str, error: BaseException, limits: Limits) -> SourceError | None:
    """The sentence for what a library raised; None if it is no matter of the network."""
    if isinstance(error, SourceError):
        return error
    chain = list(_causes(error))
    if any(isinstance(e, TooLong) for e in chain):
        what = f"did not finish its answer within {limits.total_s:g} s"
        return SourceError(service, what, passing=True)
    if any(isinstance(e, TooLarge) for e in chain):
        size = f"{limits.most_bytes / 1e6:g} MB"
        return SourceError(service, f"sent more than {size}, which no honest answer needs")
    if any(isinstance(e, TooManyRedirects) for e in chain):
        times = f"{limits.redirects} redirects"
        return SourceError(
            service, f"sent the question on and on without an answer ({times})", SITE_FILE
        )
    if any(isinstance(e, NoWayBack) for e in chain):
        return SourceError(
            service,
            "sent the question on to an address that is not encrypted, which is not followed",
            SITE_FILE,
        )
    if any(isinstance(e, rq.InvalidURL | rq.MissingSchema | rq.InvalidSchema) for e in chain):
        return of_address(service)
    if not isinstance(error, rq.RequestException | u3.HTTPError | OSError):
        return None
    return _of_connection(service, chain, limits)


def of_address(service: str) -> SourceError:
    """The sentence for an address that is none."""
    return SourceError(service, "has an address that cannot be used", SITE_FILE, reached=False)


def _of_connection(service: str, chain: list[BaseException], limits: Limits) -> SourceError:
    """The sentence for a connection that was not made, fell silent, or broke."""

    def seen(*kinds: type[BaseException]) -> bool:
        return any(isinstance(e, kinds) for e in chain)

    if seen(ssl.SSLCertVerificationError):
        return SourceError(
            service,
            "could not prove who it is (its certificate is not accepted)",
            "check the date of this computer and whether its network reads encrypted traffic",
            reached=False,
        )
    if seen(ssl.SSLError, rq.SSLError, u3.SSLError):
        return SourceError(
            service, "did not agree on an encrypted connection", passing=True, reached=False
        )
    if seen(socket.gaierror, u3.NameResolutionError):
        return SourceError(
            service,
            "was not found by its name",
            f"check that this computer is online; {AGAIN}",
            passing=True,
            reached=False,
        )
    if seen(u3.ProxyError, rq.ProxyError):
        return SourceError(
            service,
            "is not reached through the proxy of this network",
            "check HTTPS_PROXY",
            passing=True,
            reached=False,
        )
    if seen(ConnectionRefusedError):
        return SourceError(service, "refused the connection", passing=True, reached=False)
    if seen(u3.NewConnectionError):  # a kind of ConnectTimeoutError to urllib3
        what = "could not be reached"
        remedy = f"check that this computer is online; {AGAIN}"
        return SourceError(service, what, remedy, passing=True, reached=False)
    if seen(u3.ConnectTimeoutError, rq.ConnectTimeout):
        what = f"took no connection within {limits.connect_s:g} s"
        return SourceError(service, what, passing=True, reached=False)
    if seen(u3.ReadTimeoutError, rq.ReadTimeout, TimeoutError):
        return SourceError(service, f"fell silent for {limits.read_s:g} s", passing=True)
    if seen(u3.DecodeError, rq.ContentDecodingError):
        return SourceError(service, "sent a body that cannot be unpacked", passing=True)
    return SourceError(
        service, "broke off the connection before the answer was whole", passing=True
    )


def of_status(
    service: str, reply: Reply, params: Mapping[str, str], now: float
) -> SourceError | None:
    """The sentence for an answer that is not 200, 203 or 304; None for those.

    `now` are seconds since 1970 UTC: hours and days of a service's limits are taken to end
    with the hour and the day of UTC, since no service says.
    """
    status = reply.status
    if status in (200, 203, 304):
        return None
    reason = reason_of(reply.body, params)
    said = f': "{reason}"' if reason else ""
    if status == 400:
        return SourceError(
            service, f"did not accept the question (400){said}", SITE_FILE, declined=True
        )
    if status in (401, 403):
        return SourceError(
            service,
            f"turned the question away ({status}){said}",
            WHO_ASKS,
        )
    if status == 404:
        return SourceError(service, f"knows no such address (404){said}", SITE_FILE, declined=True)
    if status == 422:
        return SourceError(
            service,
            f"has nothing for this place (422){said}",
            "choose another source of forecasts in the site file",
            declined=True,
        )
    if status == 429:
        return _of_limit(service, reply, reason, now)
    if status >= 500:
        troubled = {
            500: "had a fault of its own",
            502: "is troubled behind its gateway",
            503: "is overloaded or under repair",
            504: "did not get its data in time",
        }.get(status, "is in trouble")
        return SourceError(
            service, f"{troubled} ({status}){said}", passing=True, wait_s=reply.retry_after_s
        )
    return SourceError(service, f"gave an answer that is not understood ({status}){said}")


def _of_limit(service: str, reply: Reply, reason: str, now: float) -> SourceError:
    """The sentence for "too many requests": which limit is in the text, if at all."""
    text = reason.lower()
    if "concurrent" in text:
        what = "has too many questions of ours open at once (429)"
        return SourceError(service, what, passing=True, wait_s=_CONCURRENT_S)
    if "minute" in text:
        what = "answers no more questions in this minute (429)"
        return SourceError(service, what, passing=True, wait_s=60.0)
    if "hour" in text:
        wait_s = _HOUR_S - now % _HOUR_S
        what = "answers no more questions in this hour (429)"
        return SourceError(service, what, "it is asked again in the next hour", wait_s=wait_s)
    if "day" in text or "daily" in text or "tomorrow" in text:
        wait_s = _DAY_S - now % _DAY_S
        what = "answers no more questions today (429)"
        return SourceError(
            service, what, "it is asked again tomorrow", wait_s=wait_s, retry_tomorrow=True
        )
    said = f': "{reason}"' if reason else ""
    what = f"was asked too often (429){said}"
    if reply.retry_after_s is not None:
        return SourceError(service, what, passing=True, wait_s=reply.retry_after_s)
    remedy = f"it is left in peace for {_PEACE_S / 60:.0f} minutes"
    return SourceError(service, what, remedy, wait_s=_PEACE_S)


def of_full(
    service: str, full: Full, now: float, calls: float, calls_a_day: float | None
) -> SourceError:
    """The sentence for a question that was not sent, to keep within the service's terms."""
    if full.window == "day" and calls_a_day is not None and calls > calls_a_day:
        return SourceError(
            service,
            f"was not asked: this one question counts as {calls:.0f} calls, "
            f"more than the {calls_a_day:.0f} it allows a day",
            "set calls_a_day in the site file to what its terms allow you",
            retry_tomorrow=True,
            reached=False,
        )
    # Rounded up: at the minute named there is room.
    at = dt.datetime.fromtimestamp(now + full.wait_s + 59.0, dt.UTC)
    why = {
        "day": "today's share of the calls it allows is spent",
        "hour": "the calls it allows in an hour are spent",
        "minute": "the calls it allows in a minute are spent",
        "closed": "it said earlier that its limit of calls is reached",
    }[full.window]
    when = "it is asked again tomorrow" if full.today else f"it is asked again after {at:%H:%M} UTC"
    return SourceError(
        service,
        f"was not asked: {why}",
        when,
        wait_s=full.wait_s,
        retry_tomorrow=full.today,
        reached=False,
    )


def of_body(service: str, body: bytes) -> SourceError | None:
    """The sentence for a body with status 200 that can be no data at all."""
    if _PAGE.match(body[:200]):
        return SourceError(
            service,
            "answered with a web page instead of data",
            f"open a browser to see whether this network asks for a log-in; {AGAIN}",
            passing=True,
        )
    if body[:200].lstrip().startswith(_STREAM_FAILED):
        return _stream_failed(service)
    if not body.strip():
        return SourceError(service, "sent an empty answer", passing=True)
    return None


def of_cut_body(service: str, body: bytes) -> SourceError:
    """The sentence for a body that could not be read to its end."""
    if _STREAM_FAILED in body[-2_000:]:
        return _stream_failed(service)
    return SourceError(service, "sent an answer that is cut off or damaged", passing=True)


def _stream_failed(service: str) -> SourceError:
    return SourceError(service, "failed while it was sending its answer", passing=True)


def reason_of(body: bytes, params: Mapping[str, str]) -> str:
    """The service's own words, short and on one line, without numbers that tell the place.

    Removed are the values the place was asked with, every other decimal fraction, and
    addresses; dates and whole numbers stay, since a remedy often needs them.
    """
    text = body[:20_000].decode("utf-8", "replace")
    try:
        document = json.loads(text)
    except ValueError:
        text = html.unescape(_TAG.sub(" ", text))
    else:
        reason = document.get("reason", "") if isinstance(document, dict) else ""
        text = reason if isinstance(reason, str) else ""
    text = _ADDRESS.sub("…", text)
    for name in _PLACE:
        for value in str(params.get(name, "")).split(","):
            number = value.strip().lstrip("+-")
            if number:
                text = re.sub(rf"-?(?<![\d.]){re.escape(number)}(?![\d.])", "…", text)
    text = _DECIMAL.sub("…", text)
    text = "".join(c if c.isprintable() else " " for c in text).replace('"', "'")
    text = " ".join(text.split()).rstrip(".")
    return text if len(text) <= _LONGEST_QUOTE else text[: _LONGEST_QUOTE - 1].rstrip() + "…"


def _causes(error: BaseException) -> Iterator[BaseException]:
    """The error and all it was made of: libraries keep causes in args, reason and context."""
    seen: set[int] = set()
    queue: list[object] = [error]
    while queue:
        item = queue.pop(0)
        if not isinstance(item, BaseException) or id(item) in seen:
            continue
        seen.add(id(item))
        yield item
        queue += [item.__cause__, item.__context__, getattr(item, "reason", None), *item.args]
