"""Mail over SMTP: TLS from the first byte (RFC 8314) or required STARTTLS, never opportunistic.

Debug output of smtplib prints the login, so it is never switched on.
"""

from __future__ import annotations

import base64
import contextlib
import ipaddress
import re
import smtplib
import ssl
import time
from collections.abc import Callable, Sequence
from email import policy
from email.parser import BytesHeaderParser
from typing import TYPE_CHECKING

from riskcast.base.errors import ConfigError, DeliveryError
from riskcast.delivery.smtp_words import Part, ServerWords, Step, Trouble
from riskcast.delivery.transport import NotSentError, RefusedError, UnclearFateError

if TYPE_CHECKING:  # the models bring pydantic along, which sending does not need
    from riskcast.site import Mail

__all__ = ["SmtpTransport"]

# Waits between the tries of one message: long enough for a server to restart, short enough
# that a person at the keyboard stays. Greylisting takes minutes: that is for the next run.
_PAUSES_S = (2.0, 8.0)

# All sending of one run together: a stuck server must not hold up the next daily run.
_TOTAL_S = 180.0

# What smtplib would look up here is the machine's own name, which is nobody's business and
# whose lookup can hang; an address literal is allowed (RFC 5321 §4.1.3).
_EHLO_NAME = "[127.0.0.1]"

_TAKEN = frozenset({250, 251})
_GO_AHEAD = 354
_CLOSING = 421


class SmtpTransport:
    """One connection to the mail server of a site, opened when first needed.

    Parameters
    ----------
    mail
        The section ``[mail]``; its password is fetched here, once.
    timeout_s
        Patience for one answer.
    context
        TLS settings; the default trusts the machine's certificate authorities.
    pauses_s
        Waits before the second, third … try of a message; their number bounds the tries.
    total_s
        Patience for all messages together.
    sleep, clock
        As `time.sleep` and `time.monotonic`.

    Raises
    ------
    ConfigError
        ``security = "none"`` to a server on another machine, an unknown `security`, or a
        username without a password.
    """

    def __init__(
        self,
        mail: Mail,
        timeout_s: float = 30.0,
        *,
        context: ssl.SSLContext | None = None,
        pauses_s: Sequence[float] = _PAUSES_S,
        total_s: float = _TOTAL_S,
        sleep: Callable[[float], object] = time.sleep,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self._host = mail.host
        self._port = mail.port
        self._security = str(mail.security)
        if self._security not in ("tls", "starttls", "none"):
            raise ConfigError(f'[mail] security = "{self._security}": expected tls or starttls.')
        if self._security == "none" and not _is_this_machine(self._host):
            raise ConfigError(
                f'[mail] security = "none" would send mail and password in the clear to '
                f"{self._host}. It is allowed to this machine only (localhost). "
                'Use "tls" with port 465, or "starttls" with port 587.'
            )
        self._username = mail.username
        self._password = mail.password() if mail.username else None
        if self._username and not self._password:
            raise ConfigError(
                "[mail] username is set, but there is no password. Name a password_file or a "
                "password_command, or leave username out."
            )
        self._words = ServerWords(
            self._host, self._port, self._security, self._username, self._password
        )
        self._timeout_s = timeout_s
        self._context = context
        self._pauses_s = tuple(pauses_s)
        self._total_s = total_s
        self._sleep = sleep
        self._clock = clock
        self._server: smtplib.SMTP | None = None
        self._deadline: float | None = None
        self._unreachable: Trouble | None = None
        self._given_up: str | None = None

    def __repr__(self) -> str:
        return f'SmtpTransport({self._words.server}, security="{self._security}")'

    def send(self, recipient: str, eml: bytes) -> None:
        """Hand over one message; the envelope's sender is the address in its From header.

        Raises
        ------
        NotSentError
            Not now: the server is away, busy, or does not accept the settings. Once no
            connection could be had, the messages that follow are not kept waiting for one.
        RefusedError
            Not this recipient, or not this message.
        UnclearFateError
            The connection broke after the last byte and before the answer.
        """
        if self._given_up is not None:
            raise NotSentError(self._given_up)
        trouble = self._attempt(recipient, eml)
        for pause in self._pauses_s:
            if trouble is None or trouble.kind != "again" or pause >= self._left_s():
                break
            self._sleep(pause)
            trouble = self._attempt(recipient, eml)
        if trouble is None:
            return
        # Raised here, outside any `except`: no chained exception carries the server's raw words.
        match trouble.kind:
            case "refused":
                raise RefusedError(trouble.sentence)
            case "unclear":
                raise UnclearFateError(trouble.sentence)
        if trouble is self._unreachable:
            self._given_up = trouble.sentence
        raise NotSentError(trouble.sentence)

    def greeting(self) -> str:
        """Connect, greet, secure, log in, and leave without a message.

        Returns
        -------
        One sentence saying what works.

        Raises
        ------
        ConfigError
            The settings are at fault: pairing, certificate, login.
        DeliveryError
            The server is away or busy.
        """
        self.close()
        trouble = self._connect()
        if trouble is not None:
            wrong = ConfigError if trouble.kind == "settings" else DeliveryError
            raise wrong(trouble.sentence)
        socket = self._server.sock if self._server else None
        version = socket.version() if isinstance(socket, ssl.SSLSocket) else None
        self.close()
        secured = f"over {version}" if version else "without TLS"
        login = (
            f'the login of "{self._username}" is accepted'
            if self._username
            else "no login is configured"
        )
        return f"{self._words.server} answers {secured}; {login}. No message was sent."

    def close(self) -> None:
        """Say goodbye if there is a connection; a failing goodbye changes nothing."""
        server, self._server = self._server, None
        if server is not None:
            with contextlib.suppress(smtplib.SMTPException, OSError):
                server.quit()
            server.close()

    def _attempt(self, recipient: str, eml: bytes) -> Trouble | None:
        """One try at one message; None once the server has taken it."""
        if self._server is None:
            self._unreachable = self._connect()
            if self._unreachable is not None:
                return self._unreachable
        server = self._server
        assert server is not None
        handed_over = False
        try:
            self._wait_at_most(server)
            sizes = [f"SIZE={len(eml)}"] if server.has_extn("size") else []
            code, text = server.mail(_sender(eml), sizes)
            if code not in _TAKEN:
                return self._answered("sender", code, text)
            self._wait_at_most(server)
            code, text = server.rcpt(recipient)
            if code not in _TAKEN:
                return self._answered("recipient", code, text)
            self._wait_at_most(server)
            code, text = server.docmd("DATA")
            if code != _GO_AHEAD:
                return self._answered("message", code, text)
            self._wait_at_most(server)
            server.send(_dot_stuffed(eml))
            handed_over = True
            code, text = server.getreply()
            return None if code in _TAKEN else self._answered("message", code, text)
        except (smtplib.SMTPException, OSError) as error:
            self._drop()
            return self._words.sending(error, self._timeout_s, handed_over=handed_over)

    def _connect(self) -> Trouble | None:
        if self._left_s() <= 0:
            return Trouble(
                "again", f"The {self._total_s:.0f} s for sending are over. The next run goes on."
            )
        step: Step = "greeting"
        server: smtplib.SMTP | None = None
        try:
            server = self._greet()
            if self._security == "starttls":
                step = "starttls"
                server.starttls(context=self._tls())
                server.ehlo_or_helo_if_needed()
            step = "login"
            self._log_in(server)
        # Broad in kinds, narrow in place: each of these has its own sentence. UnicodeError
        # comes from smtplib for a user name that is not ASCII, with the login inside.
        except (smtplib.SMTPException, OSError, UnicodeError) as error:
            if server is not None:
                server.close()
            return self._words.connecting(error, step, self._timeout_s)
        self._server = server
        return None

    def _greet(self) -> smtplib.SMTP:
        patience = min(self._timeout_s, self._left_s())
        server: smtplib.SMTP
        if self._security == "tls":
            server = smtplib.SMTP_SSL(
                self._host, self._port, _EHLO_NAME, timeout=patience, context=self._tls()
            )
        else:
            server = smtplib.SMTP(self._host, self._port, _EHLO_NAME, timeout=patience)
        try:
            server.ehlo_or_helo_if_needed()
        except BaseException:
            server.close()
            raise
        return server

    def _log_in(self, server: smtplib.SMTP) -> None:
        if not self._username or not self._password:
            return
        if (self._username + self._password).isascii():
            server.login(self._username, self._password)
            return
        # smtplib encodes logins as ASCII; AUTH PLAIN is UTF-8 (RFC 4616).
        if "PLAIN" not in server.esmtp_features.get("auth", "").upper().split():
            raise smtplib.SMTPNotSupportedError("AUTH PLAIN")
        login = f"\0{self._username}\0{self._password}".encode()
        code, text = server.docmd("AUTH", f"PLAIN {base64.b64encode(login).decode('ascii')}")
        if code not in (235, 503):  # accepted, or already logged in
            raise smtplib.SMTPAuthenticationError(code, text)

    def _answered(self, part: Part, code: int, text: bytes) -> Trouble:
        """A definite no: clear the server's mind for the next message, or leave if it asks to."""
        trouble = self._words.answered(part, code, text)
        server = self._server
        try:
            if code == _CLOSING or server is None:
                self._drop()
            else:
                server.rset()
        except (smtplib.SMTPException, OSError):
            self._drop()
        return trouble

    def _drop(self) -> None:
        server, self._server = self._server, None
        if server is not None:
            server.close()

    def _tls(self) -> ssl.SSLContext:
        if self._context is None:
            self._context = ssl.create_default_context()
        return self._context

    def _left_s(self) -> float:
        now = self._clock()
        if self._deadline is None:
            self._deadline = now + self._total_s
        return self._deadline - now

    def _wait_at_most(self, server: smtplib.SMTP) -> None:
        """Patience for the next answer: the usual, or what is left of the whole."""
        left = self._left_s()
        if left <= 0:
            raise TimeoutError("timed out")
        if server.sock is not None:
            server.sock.settimeout(min(self._timeout_s, left))


def _is_this_machine(host: str) -> bool:
    if host.lower() == "localhost":
        return True
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return False


def _sender(eml: bytes) -> str:
    header = BytesHeaderParser(policy=policy.SMTP).parsebytes(eml)["From"]
    return str(header.addresses[0].addr_spec)


def _dot_stuffed(eml: bytes) -> bytes:
    """The message as RFC 5321 §4.5.2 wants it: leading dots doubled, a lone dot at the end."""
    lines = re.sub(rb"(?m)^\.", b"..", eml)
    end = b"" if lines.endswith(b"\r\n") else b"\r\n"
    return lines + end + b".\r\n"
