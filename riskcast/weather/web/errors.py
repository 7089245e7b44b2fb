"""Errors of asking a service, each one sentence: which service, what, and what now."""

from __future__ import annotations

from riskcast.base.errors import WeatherError

__all__ = ["AGAIN", "NotWhole", "SourceError"]

AGAIN = "it is asked again at the next run"


class NotWhole(ValueError):  # noqa: N818 - a state of the body, and not always an error
    """The body is cut off, or says itself that it failed half-way: worth asking again."""


class SourceError(WeatherError):
    """A service gave nothing usable.

    Attributes
    ----------
    service : as the keeper knows it
    what : what it did, without the service's name
    remedy : what to do, or when it is asked again
    wait_s : after how many seconds asking makes sense again; None where nobody said
    retry_tomorrow : the day's allowance is used up
    passing : it may pass by itself, and asking once more in this run may help
    declined : the service understood, and will say the same to the same question
    reached : the question may have arrived, and so may have been counted
    """

    def __init__(
        self,
        service: str,
        what: str,
        remedy: str = AGAIN,
        *,
        wait_s: float | None = None,
        retry_tomorrow: bool = False,
        passing: bool = False,
        declined: bool = False,
        reached: bool = True,
        tries: int = 1,
    ) -> None:
        self.service = service
        self.what = what
        self.remedy = remedy
        self.wait_s = wait_s
        self.retry_tomorrow = retry_tomorrow
        self.passing = passing
        self.declined = declined
        self.reached = reached
        tried = f" (tried {tries} times)" if tries > 1 else ""
        super().__init__(f"{service} {what}{tried}; {remedy}.")

    def after(self, tries: int, remedy: str = "") -> SourceError:
        """The same, saying how often it was tried, and perhaps a remedy that fits better."""
        return SourceError(
            self.service,
            self.what,
            remedy or self.remedy,
            wait_s=self.wait_s,
            retry_tomorrow=self.retry_tomorrow,
            passing=self.passing,
            declined=self.declined,
            reached=self.reached,
            tries=tries,
        )
