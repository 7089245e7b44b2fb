"""One exchange with a server, over within a set time whatever the server does.

Time-outs of sockets bound each wait, not their sum: a server that sends a byte now and then
would hold a run for ever. So the exchange is done by a helper thread, and the caller leaves
when the time is over; the thread ends with its next byte.
"""

from __future__ import annotations

import logging
import threading
from collections.abc import Mapping
from dataclasses import dataclass
from urllib.parse import urljoin, urlsplit

import requests
import urllib3
from requests.utils import requote_uri

from riskcast.weather.web.answer import Limits

__all__ = ["NoWayBack", "Reply", "TooLarge", "TooLong", "TooManyRedirects", "Transport"]

_THREAD = "riskcast-web"
_CHUNK = 65_536


class TooLong(Exception):  # noqa: N818 - internal, each is put into words elsewhere
    """The whole exchange took longer than allowed."""


class TooLarge(Exception):  # noqa: N818
    """The body is larger than allowed."""


class TooManyRedirects(Exception):  # noqa: N818
    """The server keeps sending us on."""


class NoWayBack(Exception):  # noqa: N818
    """An encrypted address sends us on to one that is not."""


@dataclass(frozen=True)
class Reply:
    """What the server sent: status, headers, and the unpacked body."""

    status: int
    headers: Mapping[str, str]
    body: bytes

    @property
    def retry_after_s(self) -> float | None:
        """Seconds the server asks us to wait, if it does."""
        value = self.headers.get("Retry-After")
        if not value:
            return None
        try:
            return max(0.0, urllib3.Retry().parse_retry_after(value))
        except urllib3.exceptions.InvalidHeader:
            return None


class _NoAddresses(logging.Filter):
    """Keep addresses, and with them places, out of logs, in our own thread only."""

    def filter(self, record: logging.LogRecord) -> bool:
        return record.threadName != _THREAD


_QUIET = _NoAddresses()


def _no_credentials(request: requests.PreparedRequest) -> requests.PreparedRequest:
    """Stand in for the log-ins requests would otherwise look for in ~/.netrc."""
    return request


class Transport:
    """Connections that are kept open between questions to one service."""

    def __init__(self, limits: Limits) -> None:
        self._limits = limits
        self._session: requests.Session | None = None
        for name in ("urllib3.connectionpool", "urllib3.connection", "urllib3.response"):
            logging.getLogger(name).addFilter(_QUIET)

    def close(self) -> None:
        """Close what is open."""
        if self._session is not None:
            self._session.close()
            self._session = None

    def exchange(self, request: requests.PreparedRequest, seconds: float) -> Reply:
        """Send the question and read the whole answer.

        Raises
        ------
        TooLong, TooLarge, TooManyRedirects, NoWayBack
            See there.
        requests.RequestException, urllib3.exceptions.HTTPError
            As those libraries tell it.
        """
        if seconds <= 0:
            raise TooLong
        if self._session is None:
            self._session = requests.Session()
            self._session.auth = _no_credentials
        job = _Job(self._session, request, self._limits, seconds)
        thread = threading.Thread(target=job.run, name=_THREAD, daemon=True)
        thread.start()
        try:
            thread.join(seconds)
        finally:
            job.left.set()
        if thread.is_alive():
            self._session = None  # the thread still has it
            raise TooLong
        if job.error is not None:
            raise job.error
        assert job.reply is not None
        return job.reply


class _Job:
    """One exchange, run in the helper thread."""

    def __init__(
        self,
        session: requests.Session,
        request: requests.PreparedRequest,
        limits: Limits,
        seconds: float,
    ) -> None:
        self._session = session
        self._request = request
        self._limits = limits
        self._seconds = seconds
        self.left = threading.Event()
        self.reply: Reply | None = None
        self.error: BaseException | None = None

    def run(self) -> None:
        try:
            self.reply = self._follow()
        except BaseException as error:
            self.error = error

    def _follow(self) -> Reply:
        """Send, and go where the server sends us, a few times."""
        request = self._request
        for _ in range(self._limits.redirects + 1):
            if self.left.is_set():
                raise TooLong
            response = self._send(request)
            with response:
                target = self._session.get_redirect_target(response)
                if target is None:
                    return Reply(response.status_code, response.headers, self._body(response))
            request = self._sent_on(request, target)
        raise TooManyRedirects

    def _send(self, request: requests.PreparedRequest) -> requests.Response:
        url = str(request.url)
        settings = self._session.merge_environment_settings(url, {}, True, None, None)
        timeout = (
            min(self._limits.connect_s, self._seconds),
            min(self._limits.read_s, self._seconds),
        )
        return self._session.send(request, timeout=timeout, allow_redirects=False, **settings)

    def _sent_on(self, request: requests.PreparedRequest, target: str) -> requests.PreparedRequest:
        url = urljoin(str(request.url), requote_uri(target))
        if urlsplit(str(request.url)).scheme == "https" and urlsplit(url).scheme != "https":
            raise NoWayBack
        following = request.copy()
        following.prepare_url(url, None)
        return following

    def _body(self, response: requests.Response) -> bytes:
        """Read what has come, as it comes, and not more than is allowed."""
        length = response.headers.get("Content-Length", "")
        if length.isdigit() and int(length) > self._limits.most_bytes:
            raise TooLarge
        body = bytearray()
        while not self.left.is_set():
            part = response.raw.read1(_CHUNK, decode_content=True)
            if not part:
                return bytes(body)
            body += part
            if len(body) > self._limits.most_bytes:
                raise TooLarge
        raise TooLong
