"""One question to a service: when it may be asked, how often, and what its answer means."""

from __future__ import annotations

import datetime as dt
import email.utils
import random
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import TypeVar

import numpy as np
import requests
import urllib3

from riskcast.base.errors import WeatherError
from riskcast.base.version import VERSION
from riskcast.weather.dataset import Note
from riskcast.weather.web import words
from riskcast.weather.web.answer import Answer, Clock, Limits
from riskcast.weather.web.cache import AnswerCache, Kept, key_of
from riskcast.weather.web.errors import SourceError
from riskcast.weather.web.ledger import Ledger, Ticket
from riskcast.weather.web.transport import Reply, Transport

__all__ = ["Question", "Tools", "account"]

T = TypeVar("T")

# Clocks of computers that ask the network for the time differ by seconds; more than this
# moves forecasts against nights (common practice, no source).
_SKEW_S = 600.0
# Added by chance to a service's Expires: MET Norway asks that clients do not all come at once.
_SPREAD_S = 120.0
# A forecast that says it is good for longer than a day has a fault in that saying.
_LONGEST_LIFE_S = 86_400.0
_HEADERS = {
    "User-Agent": f"riskcast/{VERSION}",
    "Accept": "*/*",
    "Accept-Encoding": "gzip, deflate",
}


@dataclass(frozen=True)
class Tools:
    """What all questions of a run share."""

    cache: AnswerCache
    ledger: Ledger
    transport: Transport
    limits: Limits
    clock: Clock
    progress: Callable[[str], None]


def account(service: str) -> str:
    """Whose allowance of calls a service's name stands for: its first word."""
    return service.split()[0]


class Question:
    """A question that is ready to be sent; see `Web.get` for the parameters."""

    def __init__(
        self,
        tools: Tools,
        service: str,
        url: str,
        params: Mapping[str, str],
        *,
        headers: Mapping[str, str] | None,
        fresh_s: float | None,
        obey_expiry: bool,
        weight: float,
        calls_a_day: float | None,
        set_by: str = "",
    ) -> None:
        self._tools = tools
        self._service = service
        self._params = params
        self._fresh_s = fresh_s
        self._obey_expiry = obey_expiry
        self._weight = weight
        self._calls_a_day = calls_a_day
        self._remedies: dict[str, str] = {}  # those that name what to change, by the general one
        if set_by:
            self._remedies[words.SITE_FILE] = f"check {set_by} in the site file"
            if not headers or "User-Agent" not in headers:
                self._remedies[words.WHO_ASKS] = self._remedies[words.SITE_FILE]
        try:
            asked = requests.Request("GET", url, _HEADERS | dict(headers or {}), params=params)
            self._request = asked.prepare()
        except (requests.RequestException, ValueError) as error:
            raise words.of_address(service) from error
        self.key = key_of(self._request)

    def is_good(self, kept: Kept) -> bool:
        """Whether the kept answer may be used without asking."""
        age = self._tools.clock.now() - kept.created_at.timestamp()
        if age < -_SKEW_S:  # kept under a clock that has been set back since
            return False
        if self._fresh_s is not None and age < self._fresh_s:
            return True
        until = kept.expires
        return (
            self._obey_expiry and until is not None and self._tools.clock.now() < until.timestamp()
        )

    def from_kept(
        self, kept: Kept, parse: Callable[[bytes], T], problem: str = ""
    ) -> Answer[T] | None:
        """The kept answer; None if it can no longer be read."""
        try:
            value = parse(kept.content)
        except (ValueError, LookupError, TypeError, AttributeError, WeatherError):
            return None
        return Answer(
            value,
            _moment(kept.created_at.timestamp()),
            from_cache=True,
            stale=bool(problem),
            problem=problem,
            headers=kept.headers,
            notes=self._notes(),
            asked=False,
        )

    def ask(self, kept: Kept | None, parse: Callable[[bytes], T], *, keep: bool) -> Answer[T]:
        """Send it until there is an answer, the tries are used up, or the time is over."""
        limits, clock = self._tools.limits, self._tools.clock
        end = clock.monotonic() + limits.total_s
        # The first try is counted like a failure: urllib3 would let the second follow at once.
        policy = urllib3.Retry(
            total=limits.tries,
            backoff_factor=limits.back_off_s / 2,
            backoff_jitter=limits.jitter_s,
            backoff_max=limits.most_back_off_s,
        ).increment("GET")
        while True:
            tries = len(policy.history)
            try:
                return self._try(kept, parse, keep=keep, end=end)
            except _CopyUnreadable:
                kept = None
                failure = SourceError(
                    self._service, "says nothing changed, but nothing was kept", passing=True
                )
            except SourceError as error:
                failure = error
            remedy = self._remedies.get(failure.remedy, "")
            if not failure.passing:
                raise failure.after(tries, remedy) from None
            try:
                policy = policy.increment("GET")
            except urllib3.exceptions.MaxRetryError:
                raise failure.after(tries, remedy) from None
            pause = max(policy.get_backoff_time(), failure.wait_s or 0.0)
            if clock.monotonic() + pause >= end:
                raise failure.after(tries, remedy) from None
            when = f" in {pause:.0f} s" if pause >= 1 else ""
            self._tools.progress(
                f"{self._service} {failure.what}; "
                f"trying again{when} ({tries + 1} of {limits.tries})"
            )
            clock.sleep(pause)

    def _try(
        self, kept: Kept | None, parse: Callable[[bytes], T], *, keep: bool, end: float
    ) -> Answer[T]:
        """Send it once, and read what comes."""
        reply = self._send(kept, end)
        now = self._tools.clock.now()
        failure = words.of_status(self._service, reply, self._params, now)
        if failure is not None:
            if failure.wait_s is not None and not failure.passing:
                self._tools.ledger.close_until(
                    account(self._service), now + failure.wait_s, today=failure.retry_tomorrow
                )
            raise failure
        notes = _skew(self._service, reply.headers, now)
        if reply.status == 304:
            return self._unchanged(kept, parse, reply, notes, now)
        if reply.status == 203:
            notes += (Note("version_ends", {"service": self._service}),)
        value = self._parsed(reply.body, parse)
        if keep:
            self._keep(reply.body, _kept_headers(reply), now, _expires_at(reply.headers, now))
        return Answer(value, _moment(now), headers=reply.headers, notes=notes + self._notes())

    def _send(self, kept: Kept | None, end: float) -> Reply:
        """One exchange, put down in the ledger before it begins."""
        request = self._request
        modified = kept.headers.get("Last-Modified") if kept is not None else None
        if self._obey_expiry and modified:
            request = request.copy()
            request.headers["If-Modified-Since"] = modified
        ticket = self._ticket(end)
        self._tools.progress(f"asking {self._service}")
        try:
            left = end - self._tools.clock.monotonic()
            return self._tools.transport.exchange(request, left)
        except Exception as error:
            failure = words.of_exception(self._service, error, self._tools.limits)
            if failure is None:
                raise
            if not failure.reached:
                self._tools.ledger.give_back(ticket)
            raise failure from None

    def _ticket(self, end: float) -> Ticket:
        """Put the calls down; wait for room if that is soon enough."""
        clock = self._tools.clock
        while True:
            now = clock.now()
            taken = self._tools.ledger.take(
                account(self._service), self._weight, now, self._calls_a_day
            )
            if isinstance(taken, Ticket):
                return taken
            if taken.window != "minute" or clock.monotonic() + taken.wait_s >= end:
                raise words.of_full(self._service, taken, now, self._weight, self._calls_a_day)
            self._tools.progress(
                f"waiting {taken.wait_s:.0f} s for {self._service}'s limit of calls a minute"
            )
            clock.sleep(taken.wait_s)

    def _parsed(self, body: bytes, parse: Callable[[bytes], T]) -> T:
        """The value, or the sentence for a body that is none."""
        failure = words.of_body(self._service, body)
        if failure is not None:
            raise failure
        try:
            return parse(body)
        except WeatherError:
            raise
        except ValueError as error:  # NotWhole, and what decoders raise
            raise words.of_cut_body(self._service, body) from error
        except (LookupError, TypeError, AttributeError) as error:
            raise SourceError(
                self._service,
                "answered in a shape that riskcast does not know",
                "look for a newer riskcast, or choose another source in the site file",
            ) from error

    def _unchanged(
        self,
        kept: Kept | None,
        parse: Callable[[bytes], T],
        reply: Reply,
        notes: tuple[Note, ...],
        now: float,
    ) -> Answer[T]:
        """The kept answer, which the service says still holds."""
        answer = self.from_kept(kept, parse) if kept is not None else None
        if kept is None or answer is None:
            raise _CopyUnreadable
        headers = dict(kept.headers)
        headers.update(
            {
                n: reply.headers[n]
                for n in ("Date", "Expires", "Last-Modified")
                if n in reply.headers
            }
        )
        self._keep(
            kept.content,
            headers,
            kept.created_at.timestamp(),
            _expires_at(reply.headers, now),
        )
        return Answer(
            answer.value,
            answer.fetched_at,
            from_cache=True,
            headers=headers,
            notes=notes + self._notes(),
        )

    def _keep(
        self, body: bytes, headers: Mapping[str, str], fetched: float, expires: float | None
    ) -> None:
        self._tools.cache.keep(self.key, str(self._request.url), body, headers, fetched, expires)

    def _notes(self) -> tuple[Note, ...]:
        """What has to be said about the stores."""
        problems = (self._tools.cache.problem, self._tools.ledger.problem)
        return tuple(Note("cache_not_kept", {"problem": p}) for p in problems if p)


class _CopyUnreadable(Exception):  # noqa: N818 - a turn of the road, never seen outside
    """The service sent "not modified", and the copy it speaks of is not there."""


def _moment(seconds: float) -> np.datetime64:
    """datetime64[ns], UTC."""
    return np.datetime64(round(seconds * 1e6) * 1000, "ns")


def _http_date(headers: Mapping[str, str], name: str) -> float | None:
    """Seconds since 1970 of a header; None if it is missing or no date."""
    try:
        moment = email.utils.parsedate_to_datetime(headers.get(name, ""))
    except ValueError:
        return None
    if moment.tzinfo is None:
        moment = moment.replace(tzinfo=dt.UTC)
    return moment.timestamp()


def _expires_at(headers: Mapping[str, str], now: float) -> float | None:
    """Until when the answer is good by our clock, with a little added; None if not said.

    The lifetime is Expires less Date, so that a wrong clock here does not matter (RFC 9111,
    section 4.2.1).
    """
    expires = _http_date(headers, "Expires")
    if expires is None:
        return None
    sent = _http_date(headers, "Date")
    life = expires - (now if sent is None else sent)
    if life <= 0:
        return now
    return now + min(life, _LONGEST_LIFE_S) + random.uniform(0.0, _SPREAD_S)


def _kept_headers(reply: Reply) -> dict[str, str]:
    """Headers worth keeping; asking "modified since?" fails for a version that ends (203)."""
    headers = dict(reply.headers)
    if reply.status == 203:
        headers = {n: v for n, v in headers.items() if n.lower() != "last-modified"}
    return headers


def _skew(service: str, headers: Mapping[str, str], now: float) -> tuple[Note, ...]:
    """A note if the service's clock and ours are far apart; Age counts for stored answers."""
    sent = _http_date(headers, "Date")
    if sent is None:
        return ()
    age = headers.get("Age", "")
    ahead = sent + (int(age) if age.isdigit() else 0) - now
    if abs(ahead) <= _SKEW_S:
        return ()
    return (Note("clock_skew", {"hours": round(ahead / 3600.0, 1), "service": service}),)
