"""What went wrong with a mail server, in a sentence that names the way out.

No sentence holds a secret: the server's own words are quoted only after every form in which
riskcast sent it the password has been struck out (some servers echo what they refuse).
"""

from __future__ import annotations

import base64
import smtplib
import socket
import ssl
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal

__all__ = ["Part", "ServerWords", "Step", "Trouble"]

Part = Literal["sender", "recipient", "message"]
Step = Literal["greeting", "starttls", "login"]

# What OpenSSL says when the other side does not speak TLS at all, by version of OpenSSL.
_NOT_TLS = {
    "WRONG_VERSION_NUMBER",
    "UNKNOWN_PROTOCOL",
    "PACKET_LENGTH_TOO_LONG",
    "RECORD_LAYER_FAILURE",
    "HTTP_REQUEST",
}
_PAIRS = (
    'Use port 465 with security = "tls", or port 587 with security = "starttls": '
    "your mail provider says which."
)
_TLS_PORT = 465

# A server may answer with a page; a person needs one line.
_QUOTE_LENGTH = 160


@dataclass(frozen=True)
class Trouble:
    """A failure and what may be done about it in this run.

    ``again``: another try in a moment may succeed. ``settings``: only a person can mend it.
    ``refused``: this recipient or message is not taken. ``unclear``: perhaps it went out.
    """

    kind: Literal["again", "settings", "refused", "unclear"]
    sentence: str


class ServerWords:
    """Sentences about one server, as the site file names it."""

    def __init__(
        self, host: str, port: int, security: str, username: str | None, password: str | None
    ) -> None:
        self._host = host
        self._port = port
        self._security = security
        self._username = username or ""
        self._secrets = tuple(_disguises(self._username, password)) if password else ()

    @property
    def server(self) -> str:
        return f"{self._host}:{self._port}"

    def connecting(self, error: Exception, step: Step, waited_s: float) -> Trouble:
        """Why no session could be opened."""
        gone = isinstance(error, smtplib.SMTPServerDisconnected | ConnectionResetError)
        match error:
            case ssl.SSLCertVerificationError():
                return Trouble(
                    "settings",
                    f"The certificate of {self.server} cannot be trusted "
                    f"({error.verify_message.rstrip('.')}), so nothing was sent. Check [mail] "
                    "host; if it is right, ask whoever runs the server.",
                )
            case ssl.SSLError() if error.reason in _NOT_TLS and step == "greeting":
                return Trouble(
                    "settings",
                    f'Port {self._port} and security = "{self._security}" do not go together: '
                    f"{self.server} does not speak TLS from the first byte. {_PAIRS}",
                )
            case ssl.SSLError():
                why = error.reason or "connection closed"
                return Trouble("again", f"TLS with {self.server} failed ({why}).")
            case smtplib.SMTPNotSupportedError() if step == "starttls":
                return Trouble(
                    "settings",
                    f"{self.server} does not offer STARTTLS, and riskcast sends nothing in the "
                    f"clear. {_PAIRS}",
                )
            case smtplib.SMTPAuthenticationError():
                return self._login_failed(error)
            case smtplib.SMTPResponseException():
                return Trouble(
                    _by_code(error.smtp_code),
                    f"{self.server} turned riskcast away {self._quoted(error)}. "
                    "Check [mail] host and port, or ask whoever runs the server.",
                )
            case UnicodeError() | smtplib.SMTPException() if step == "login" and not gone:
                return Trouble(
                    "settings",
                    f"{self.server} offers no way to log in that riskcast can use with these "
                    "[mail] settings. Check host and port; leave username out if the server "
                    "wants no login.",
                )
            case socket.gaierror() | UnicodeError():
                return Trouble(
                    "again",
                    f'No mail server named "{self._host}" was found. Check [mail] host and that '
                    "this machine is online.",
                )
            case ConnectionRefusedError():
                return Trouble(
                    "again", f"Nothing answers at {self.server}. Check [mail] host and port."
                )
        if gone and self._security != "tls" and step == "greeting":
            return self._silent_greeting(waited_s if _timed_out(error) else None)
        return Trouble("again", self._lost(error, waited_s))

    def sending(self, error: Exception, waited_s: float, *, handed_over: bool) -> Trouble:
        """Why a session broke off with a message under way."""
        lost = self._lost(error, waited_s)
        if handed_over:
            return Trouble(
                "unclear",
                f"{lost} It had been given the whole message, so the message may have arrived. "
                "Ask the recipient.",
            )
        return Trouble("again", lost)

    def answered(self, part: Part, code: int, text: bytes) -> Trouble:
        """A definite no to one of the three things a server is asked."""
        quoted = self._quote(code, text)
        if _by_code(code) == "again":
            return Trouble("again", f"{self.server} cannot take the {part} now {quoted}.")
        if part == "sender" or code in (530, 535, 538):  # RFC 4954: log in first, or with TLS
            return Trouble(
                "settings",
                f"{self.server} does not let riskcast send {quoted}. "
                "Check [mail] from, username and password.",
            )
        remedy = (
            "Correct it under [[recipients]]."
            if part == "recipient"
            else "Ask whoever runs the server what it objects to."
        )
        return Trouble("refused", f"{self.server} refused the {part} {quoted}. {remedy}")

    def without_secrets(self, text: str) -> str:
        for secret in self._secrets:
            text = text.replace(secret, "***")
        return text

    def _login_failed(self, error: smtplib.SMTPAuthenticationError) -> Trouble:
        return Trouble(
            _by_code(error.smtp_code),
            f'{self.server} did not accept the login of "{self._username}" '
            f"{self._quoted(error)}. Check [mail] username and the password; many providers want "
            "a password made for one program.",
        )

    def _silent_greeting(self, waited_s: float | None) -> Trouble:
        what = "closed the connection" if waited_s is None else f"said nothing for {waited_s:.0f} s"
        if self._port == _TLS_PORT:
            return Trouble(
                "settings",
                f'Port {self._port} and security = "{self._security}" do not go together: '
                f"{self.server} {what}, as a server does that waits for TLS. {_PAIRS}",
            )
        return Trouble(
            "again",
            f"{self.server} {what} instead of greeting. If it is overloaded, this passes. If it "
            f'waits for TLS, port and security = "{self._security}" do not go together. {_PAIRS}',
        )

    def _lost(self, error: Exception, waited_s: float) -> str:
        if _timed_out(error):
            return f"{self.server} gave no answer within {waited_s:.0f} s."
        if isinstance(error, smtplib.SMTPServerDisconnected | ConnectionError | ssl.SSLError):
            return f"{self.server} broke the connection off."
        reason = error.strerror if isinstance(error, OSError) and error.strerror else "no reason"
        return f"{self.server} cannot be reached ({self.without_secrets(reason)})."

    def _quoted(self, error: smtplib.SMTPResponseException) -> str:
        return self._quote(error.smtp_code, error.smtp_error)

    def _quote(self, code: int, text: bytes | str) -> str:
        plain = text.decode("utf-8", "replace") if isinstance(text, bytes) else text
        # Struck out first: with its spaces squeezed a password would no longer be found.
        line = " ".join(self.without_secrets(plain).split())[:_QUOTE_LENGTH]
        printable = "".join(c if c.isprintable() else "?" for c in line)
        return f'({code} "{printable}")'


def _timed_out(error: Exception) -> bool:
    """smtplib wraps a time-out while waiting for an answer, and keeps only its words."""
    return isinstance(error, TimeoutError) or "timed out" in str(error)


def _by_code(code: int) -> Literal["again", "settings"]:
    """RFC 5321 §4.2.1: 4yz is transient, 5yz permanent; an invalid answer is nobody's setting."""
    return "settings" if 500 <= code < 600 else "again"


def _disguises(username: str, password: str) -> Iterator[str]:
    """The password as it is and as AUTH PLAIN and AUTH LOGIN send it (RFC 4616, RFC 4954)."""
    forms = (f"\0{username}\0{password}", f"{username}\0{username}\0{password}", password)
    for form in forms:
        yield base64.b64encode(form.encode("utf-8")).decode("ascii")
    yield password
