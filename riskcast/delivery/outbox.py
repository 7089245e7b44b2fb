"""Did it reach them, once? Each message is recorded, claimed, sent and marked, in that order.

Between claim and mark a message is in `sending`. If the run dies there, or the server takes the
message and its answer is lost, nobody knows whether it went out: it is reported and not sent
again, because a person who hears twice to drive to a wood may drive twice.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Literal

from riskcast.archive import Archive, MessageRecord, StoredMessage, instant
from riskcast.base.errors import ConfigError, DeliveryError, RiskcastError
from riskcast.delivery.transport import NotSentError, RefusedError, Transport, UnclearFateError

__all__ = ["Delivered", "Outcome", "left_behind", "require_delivered", "send_all"]

Outcome = Literal["sent", "already_sent", "failed", "refused", "unknown"]

# Operating choices: the next daily run tries anyway; this spaces what runs in between.
_FIRST_RETRY = dt.timedelta(minutes=30)
_DOUBLINGS = 6
_LONGEST_RETRY = dt.timedelta(hours=24)

# A run sends for minutes at most; what is in `sending` for longer was left behind.
_LEFT_BEHIND = dt.timedelta(hours=1)

_WORDS: dict[Outcome, str] = {
    "sent": "sent",
    "already_sent": "sent before, not sent again",
    "failed": "not sent, will be tried again",
    "refused": "refused, will not be tried again",
    "unknown": "nobody knows whether it arrived, not sent again",
}


@dataclass(frozen=True)
class Delivered:
    """What became of one message; `note` is a sentence for a person, empty if all is well."""

    message_id: str
    recipient: str
    role: str
    outcome: Outcome
    note: str = ""

    def __str__(self) -> str:
        tail = f": {self.note}" if self.note else ""
        return f"{self.recipient} ({self.role}): {_WORDS[self.outcome]}{tail}"


def send_all(
    archive: Archive, messages: Sequence[StoredMessage], transport: Transport, *, now: str
) -> tuple[Delivered, ...]:
    """Send what has not been sent; one result a message, in order.

    The bytes sent are the bytes the archive holds. A failure for one recipient does not stop
    the others. The transport is closed at the end.

    Parameters
    ----------
    messages
        Recorded before with `Archive.record`.
    now
        ISO 8601; the moment noted as `sent_at`.

    Raises
    ------
    RiskcastError
        A message was never recorded; checked for all before the first is sent.
    DeliveryError, InputMissingError
        The archive cannot be written: nothing more is sent.
    """
    kept = [(message.message_id, archive.message(message.message_id)) for message in messages]
    missing = [message_id for message_id, record in kept if record is None]
    if missing:
        raise RiskcastError(f"not recorded, so not sent: {', '.join(missing)}")
    try:
        return tuple(_send(archive, record, transport, now) for _, record in kept if record)
    finally:
        transport.close()


def _send(archive: Archive, record: MessageRecord, transport: Transport, now: str) -> Delivered:
    unique = record.message_id
    if not archive.claim(unique, at=now):
        return _not_ours(archive.message(unique) or record)
    try:
        transport.send(record.recipient, record.eml)
    except NotSentError as error:
        pause = min(_FIRST_RETRY * 2 ** min(record.tries, _DOUBLINGS), _LONGEST_RETRY)
        later = (instant(now) + pause).isoformat()
        archive.mark(unique, "failed", str(error), now, next_try=later)
        return _result(record, "failed", str(error))
    except RefusedError as error:
        archive.mark(unique, "refused", str(error), now)
        return _result(record, "refused", str(error))
    except UnclearFateError as error:
        archive.mark(unique, "sending", str(error), now)
        return _result(record, "unknown", str(error))
    archive.mark(unique, "sent", "", now)
    return _result(record, "sent")


def _not_ours(record: MessageRecord) -> Delivered:
    """A message that could not be claimed, by the state it is in."""
    if record.state == "sent":
        return _result(record, "already_sent")
    if record.state == "refused":
        return _result(record, "refused", record.last_error or "")
    since = f" at {record.claimed_at[:16]} UTC" if record.claimed_at else ""
    return _result(
        record,
        "unknown",
        record.last_error
        or f"A run began to send it{since} and has not said how it went. Ask the recipient.",
    )


def _result(record: MessageRecord, outcome: Outcome, note: str = "") -> Delivered:
    return Delivered(record.message_id, record.recipient, record.role, outcome, note)


def left_behind(archive: Archive, site_id: str, *, now: str) -> tuple[Delivered, ...]:
    """Messages of earlier runs whose fate is unknown, so that the next run can say so."""
    limit = instant(now) - _LEFT_BEHIND
    return tuple(
        _not_ours(record)
        for record in archive.messages(site_id, "sending")
        if record.claimed_at is None or instant(record.claimed_at) < limit
    )


def require_delivered(results: Iterable[Delivered]) -> None:
    """Nothing if every message is sent (now or before); otherwise one error for all that are not.

    Raises
    ------
    DeliveryError
        Some will be tried again by the next run, or their fate is unknown.
    ConfigError
        All that are left were refused for good: an address or the mail settings are wrong.
    """
    undelivered = [r for r in results if r.outcome not in ("sent", "already_sent")]
    if not undelivered:
        return
    lines = "\n".join(f"  {result}" for result in undelivered)
    count = "1 message was" if len(undelivered) == 1 else f"{len(undelivered)} messages were"
    text = f"{count} not delivered for certain:\n{lines}"
    if all(result.outcome == "refused" for result in undelivered):
        raise ConfigError(text)
    raise DeliveryError(text)
