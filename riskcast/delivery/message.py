"""A letter becomes a message: headers, structure and bytes, the same every time.

Header by header: RFC 5322 (Date, From, To, Message-ID, In-Reply-To, References), RFC 3834 §5
(Auto-Submitted), RFC 3282 (Content-Language), RFC 2369 §3.2 (List-Unsubscribe, as ``mailto:``
because riskcast has no web server), RFC 2046 §5.1.4 (multipart/alternative, plain part first).
"""

from __future__ import annotations

import datetime as dt
import hashlib
import json
import re
from email.errors import MessageError
from email.headerregistry import Address
from email.message import EmailMessage
from email.policy import EmailPolicy
from typing import TYPE_CHECKING, Protocol
from urllib.parse import quote

from riskcast.archive import StoredMessage, instant
from riskcast.base.errors import ConfigError, Fault

if TYPE_CHECKING:  # the models bring pydantic along, which a message does not need
    from riskcast.site import Recipient

__all__ = ["Letter", "as_bytes", "build", "eml_name", "message_id", "stored"]

# RFC 2045 §6.7 ends quoted-printable lines at 76; headers folded there are within RFC 5322's 78.
_LINE_LENGTH = 76


class _Policy(EmailPolicy):
    """As its parent, but a header never begins with an empty line.

    A subject that just fits into a line is put below its name by the standard library. RFC
    5322 §2.2.3 allows that; readers then show a blank before it, and some show nothing.
    """

    def fold(self, name: str, value: str) -> str:
        return _begun(super().fold(name, value))

    def fold_binary(self, name: str, value: str) -> bytes:
        return _begun(super().fold_binary(name, value).decode("ascii")).encode("ascii")


def _begun(header: str) -> str:
    """The header with words on its first line, if it has words that can be parted."""
    empty = re.match(r"([^\s:]+:)\r\n ", header)
    if empty is None:
        return header
    name = empty[1]
    line, _, more = header[empty.end() :].partition("\r\n")
    at = line.rfind(" ", 0, _LINE_LENGTH - len(name))
    return header if at < 0 else f"{name} {line[:at]}\r\n{line[at:]}\r\n{more}"


_POLICY = _Policy(linesep="\r\n", max_line_length=_LINE_LENGTH)

# 128 bits of SHA-256: no two messages of any site will ever share an id.
_ID_LENGTH = 32

_CONTROL = re.compile(r"[\x00-\x1f\x7f\x85\u2028\u2029]")
_REFERENCE = re.compile(r"<[^<>@\s]+@[^<>@\s]+>")
_ROLE = re.compile(r"[a-z][a-z-]*")


class Letter(Protocol):
    """What was written to one role; `html` is None where there is only text."""

    @property
    def role(self) -> str: ...
    @property
    def subject(self) -> str: ...
    @property
    def text(self) -> str: ...
    @property
    def html(self) -> str | None: ...


def build(
    letter: Letter,
    recipient: Recipient,
    *,
    sender: str,
    reply_to: str | None,
    site_id: str,
    issued_at: str,
    in_reply_to: str | None = None,
    language: str = "en",
) -> EmailMessage:
    """One message to one recipient; the same arguments give the same bytes.

    Parameters
    ----------
    sender, reply_to
        As in the site file: ``riskcast <alerts@example.org>`` or a bare address.
    issued_at
        ISO 8601; its zone is kept in the Date header, none means UTC.
    in_reply_to
        Message-ID, with angle brackets, of the message this one follows.

    Raises
    ------
    ConfigError
        A name, address or subject that would break out of its header, or is no address.
        Each fault names the recipient.
    """
    faults: list[Fault] = []
    whom = f"recipient {_shown(recipient.address)}"
    from_ = _address(sender, "[mail] from", whom, faults)
    answer_to = _address(reply_to, "[mail] reply_to", whom, faults) if reply_to else None
    to = _address(recipient.address, "[[recipients]] address", whom, faults, name=recipient.name)
    if _CONTROL.search(letter.subject):
        faults.append(_breaks_out(whom, "subject", letter.subject))
    if in_reply_to is not None and not _REFERENCE.fullmatch(in_reply_to):
        faults.append(_breaks_out(whom, "In-Reply-To", in_reply_to))
    if faults or from_ is None or to is None:
        raise ConfigError("A message could not be made.", faults)

    moment = instant(issued_at)
    unique = message_id(letter, to.addr_spec, site_id=site_id, issued_at=issued_at)
    unsubscribe = quote((answer_to or from_).addr_spec, safe="@+")

    message = EmailMessage(policy=_POLICY)
    message["From"] = from_
    message["To"] = to
    if answer_to is not None:
        message["Reply-To"] = answer_to
    message["Subject"] = letter.subject
    message["Date"] = moment
    message["Message-ID"] = f"<{unique}@{from_.domain}>"
    if in_reply_to is not None:
        message["In-Reply-To"] = in_reply_to
        message["References"] = in_reply_to
    message["Auto-Submitted"] = "auto-generated"
    # Without the site: its name is not for every reader's mail server.
    message["List-Unsubscribe"] = f"<mailto:{unsubscribe}?subject=stop>"
    message.set_content(letter.text, cte="quoted-printable")
    if letter.html is not None:
        message.add_alternative(letter.html, subtype="html", cte="quoted-printable")
        # Quoted-printable never holds "=_" (RFC 2045 §6.7), so no body can hold the boundary.
        message.set_boundary(f"=_{unique}")
    message["Content-Language"] = language  # last: add_alternative moves Content-* into the part
    return message


def message_id(letter: Letter, address: str, *, site_id: str, issued_at: str) -> str:
    """The left half of the Message-ID: what makes two messages the same message.

    It is a digest of site, role, address, the UTC *day* of issue, the subject and the first
    paragraph: what to do and by when. So a second run of the day goes out only if it asks for
    something else. The rest does not enter: the hour of writing and the age of the forecast
    stand there, and numbers that move by one from hour to hour are no news. Server, names and
    thread do not enter either: mending them makes no new message.
    """
    local, _, domain = address.rpartition("@")
    day = instant(issued_at).astimezone(dt.UTC).date().isoformat()
    first = " ".join(letter.text.strip().split("\n\n", 1)[0].split())
    whom = f"{local}@{domain.lower()}"
    parts = json.dumps([site_id, letter.role, whom, day, letter.subject, first])
    return hashlib.sha256(parts.encode("utf-8")).hexdigest()[:_ID_LENGTH]


def as_bytes(message: EmailMessage) -> bytes:
    """The bytes that go over the wire and into the ``.eml`` file: CRLF, 7-bit."""
    return message.as_bytes(policy=_POLICY)


def stored(message: EmailMessage, recipient: Recipient) -> StoredMessage:
    """The message as the archive keeps it and the outbox sends it."""
    return StoredMessage(
        message_id=str(message["Message-ID"]),
        recipient=recipient.address,
        role=str(recipient.role),
        eml=as_bytes(message),
    )


def eml_name(role: str, n: int) -> str:
    """``alert-<role>-<n>.eml``; `n` counts the recipients of a role from 1."""
    if not _ROLE.fullmatch(role) or n < 1:
        raise ValueError(f"no file name for role {role!r}, number {n}")
    return f"alert-{role}-{n}.eml"


def _address(
    text: str, where: str, whom: str, faults: list[Fault], *, name: str | None = None
) -> Address | None:
    """``Name <address>`` or an address; with `name` given, `text` is the bare address."""
    if _CONTROL.search(text) or _CONTROL.search(name or ""):
        faults.append(_breaks_out(whom, where, f"{name} <{text}>" if name else text))
        return None
    try:
        found: Address
        if name is None:
            header = _POLICY.header_factory("From", text)
            (found,) = header.addresses
            if header.defects:
                raise ValueError
        else:
            found = Address(name, addr_spec=text)
        found.addr_spec.encode("ascii")
        if not found.username or not found.domain:
            raise ValueError
    except (ValueError, IndexError, MessageError):
        faults.append(
            Fault(
                whom,
                where,
                "this is not one e-mail address.",
                _shown(text),
                'Write it as "name@example.org", in plain ASCII letters.',
            )
        )
        return None
    return found


def _breaks_out(whom: str, where: str, value: str) -> Fault:
    return Fault(
        whom,
        where,
        "a line break or control character would let it write headers of its own.",
        _shown(value),
        "Write it on one line.",
    )


def _shown(value: str) -> str:
    """The value as it can be printed on one line."""
    return _CONTROL.sub("?", value)[:80]
