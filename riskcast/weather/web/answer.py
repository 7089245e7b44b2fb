"""What comes back from a service, the limits of asking, and the clock both are measured by."""

from __future__ import annotations

import time
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Generic, TypeVar

import numpy as np

from riskcast.weather.dataset import Note

__all__ = ["Answer", "Clock", "Limits"]

T = TypeVar("T")


@dataclass(frozen=True)
class Answer(Generic[T]):
    """A service's answer, read.

    Attributes
    ----------
    value : what `parse` made of the body
    fetched_at : UTC, datetime64[ns] by this computer's clock: when the body was sent. For a
        kept copy that is the moment it was first fetched, also after the service said that
        nothing changed since.
    from_cache : the value is that of a kept copy
    asked : the service was asked, and gave it or said that nothing changed since
    stale : the copy is past its time, and nothing fresher could be had
    problem : why nothing fresher could be had, one sentence; empty unless stale
    headers : as the service sent them with the body
    notes : ``clock_skew`` (hours, above zero where the service's clock is ahead; service),
        ``cache_not_kept`` (problem), ``version_ends`` (service)
    """

    value: T
    fetched_at: np.datetime64
    from_cache: bool = False
    stale: bool = False
    problem: str = ""
    headers: Mapping[str, str] = field(default_factory=dict)
    notes: tuple[Note, ...] = ()
    asked: bool = True


@dataclass(frozen=True)
class Limits:
    """How long and how often one question may be asked.

    Common practice, no source, but for `connect_s`: a little over a multiple of 3 s, which is
    the packet retransmission window of TCP (documentation of requests, "Timeouts").

    Attributes
    ----------
    connect_s : for the connection to stand
    read_s : of silence before and within an answer
    total_s : for everything together: waiting, redirects, retries and reading
    tries : times the question is sent at most
    most_bytes : of the unpacked body; the largest honest answer has a few MB
    back_off_s : pause before the second try; each later one is twice as long
    jitter_s : a chance addition to each pause, so that many machines do not ask in step
    most_back_off_s : no pause is longer
    redirects : followed at most
    """

    connect_s: float = 6.1
    read_s: float = 25.0
    total_s: float = 120.0
    tries: int = 4
    most_bytes: int = 64_000_000
    back_off_s: float = 1.0
    jitter_s: float = 0.5
    most_back_off_s: float = 30.0
    redirects: int = 5


class Clock:
    """The time of day, a stop-watch, and a pause; a test brings its own."""

    def now(self) -> float:
        """Seconds since 1970-01-01 00:00 UTC."""
        return time.time()

    def monotonic(self) -> float:
        """Seconds of a clock that nobody sets."""
        return time.monotonic()

    def sleep(self, seconds: float) -> None:
        """Wait."""
        time.sleep(seconds)
