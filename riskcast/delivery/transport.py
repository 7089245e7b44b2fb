"""What the outbox asks of a way to send, and the three ways in which sending can fail."""

from __future__ import annotations

from typing import Protocol

from riskcast.base.errors import DeliveryError

__all__ = ["NotSentError", "RefusedError", "Transport", "UnclearFateError"]


class NotSentError(DeliveryError):
    """The message did not go out; a later run may try it again."""


class RefusedError(DeliveryError):
    """The server will not take this message for this recipient; trying again is no use."""


class UnclearFateError(DeliveryError):
    """The whole message was handed over, but the server's answer never came."""


class Transport(Protocol):
    """A way to hand one finished message to one recipient."""

    def send(self, recipient: str, eml: bytes) -> None:
        """Return once the server has taken the message.

        Raises
        ------
        NotSentError, RefusedError, UnclearFateError
            Each with sentences for a person and without secrets.
        """

    def close(self) -> None:
        """End the connection, if there is one; never fails."""
