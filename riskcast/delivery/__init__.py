"""Did it reach them, once? Messages, the outbox, and SMTP."""

from __future__ import annotations

from riskcast.delivery.message import Letter, as_bytes, build, eml_name, message_id, stored
from riskcast.delivery.outbox import (
    Delivered,
    Outcome,
    left_behind,
    require_delivered,
    send_all,
)
from riskcast.delivery.smtp import SmtpTransport
from riskcast.delivery.transport import NotSentError, RefusedError, Transport, UnclearFateError

__all__ = [
    "Delivered",
    "Letter",
    "NotSentError",
    "Outcome",
    "RefusedError",
    "SmtpTransport",
    "Transport",
    "UnclearFateError",
    "as_bytes",
    "build",
    "eml_name",
    "left_behind",
    "message_id",
    "require_delivered",
    "send_all",
    "stored",
]
