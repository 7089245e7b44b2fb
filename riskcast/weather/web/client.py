"""One way to ask any service: from the cache while that is good, else politely, else stale."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, TypeVar

from riskcast.base.errors import WeatherError
from riskcast.weather.access import silent
from riskcast.weather.web.answer import Answer, Clock, Limits
from riskcast.weather.web.errors import SourceError

if TYPE_CHECKING:
    from riskcast.weather.web.question import Tools

__all__ = ["Web"]

T = TypeVar("T")


class Web:
    """Questions to the services of one run.

    Parameters
    ----------
    cache : folder for answers and for the count of calls; made if missing
    offline : open no connection at all
    limits : of time, tries and size, per question
    progress : told what is waited for
    clock : the time of day and pauses; a test brings its own

    Notes
    -----
    Both stores are shared by all runs of one account, and safe between them. Neither is ever
    an obstacle: what cannot be kept is noted in the answers (``cache_not_kept``).
    """

    def __init__(
        self,
        cache: Path,
        *,
        offline: bool = False,
        limits: Limits | None = None,
        progress: Callable[[str], None] = silent,
        clock: Clock | None = None,
    ) -> None:
        self._folder = cache
        self._offline = offline
        self._limits = limits or Limits()
        self._progress = progress
        self._clock = clock or Clock()
        self._tools: Tools | None = None

    def __enter__(self) -> Web:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """Close the connections that are kept open between questions."""
        if self._tools is not None:
            self._tools.ledger.close()
            self._tools.transport.close()
            self._tools = None

    def get(
        self,
        service: str,
        url: str,
        params: Mapping[str, str],
        *,
        parse: Callable[[bytes], T],
        headers: Mapping[str, str] | None = None,
        fresh_s: float | None = None,
        obey_expiry: bool = False,
        weight: float = 0.0,
        calls_a_day: float | None = None,
        keep: bool = True,
        set_by: str = "",
    ) -> Answer[T]:
        """Ask, and read the answer with `parse`.

        Parameters
        ----------
        service : as the keeper knows it. Its first word is whose allowance of calls is used:
            "open-meteo ensemble" and "open-meteo archive" share one.
        parse : makes the value of the unpacked body. `NotWhole` (or another `ValueError`) =
            cut off, asked again; a `WeatherError` = final for this answer. Nothing that does
            not parse is kept.
        fresh_s : a kept answer younger than this is used without asking
        obey_expiry : a kept answer is used until the service's own ``Expires``, and a little
            longer by chance; after that the service is asked whether it changed
        weight : calls this question counts as in the service's terms; put down before each
            try; 0 = not counted
        calls_a_day : the most that may be spent today, this question included
        keep : keep the answer for later runs; without it a kept copy is not looked for either
        set_by : what in the site file this question is made of, for whoever has to change it:
            ``'forecast_model = "x" under [weather.open-meteo]'``

        Raises
        ------
        SourceError, WeatherError
            The service gave nothing usable, and no kept copy can stand in.
        """
        from riskcast.weather.web.question import Question

        question = Question(
            self._open(),
            service,
            url,
            params,
            headers=headers,
            fresh_s=fresh_s,
            obey_expiry=obey_expiry,
            weight=weight,
            calls_a_day=calls_a_day,
            set_by=set_by,
        )
        kept = self._open().cache.get_kept(question.key) if keep else None
        if kept is not None and question.is_good(kept):
            good = question.from_kept(kept, parse)
            if good is not None:
                return good
            kept = None
        try:
            if self._offline:
                raise SourceError(
                    service,
                    "was not asked, because this run is offline",
                    "run once without --offline",
                    reached=False,
                )
            return question.ask(kept, parse, keep=keep)
        except WeatherError as error:
            problem = " ".join(str(error).split())
            stale = question.from_kept(kept, parse, problem) if kept is not None else None
            if stale is None:
                raise
            return stale

    def left_today(self, service: str, calls_a_day: float) -> float:
        """Calls of today's allowance that are not spent yet, by the count of all runs."""
        from riskcast.weather.web.question import account

        spent = self._open().ledger.spent_today(account(service), self._clock.now())
        return max(0.0, calls_a_day - spent)

    def _open(self) -> Tools:
        """The stores and the connections, made when first needed."""
        if self._tools is None:
            from riskcast.weather.web.cache import AnswerCache
            from riskcast.weather.web.ledger import Ledger
            from riskcast.weather.web.question import Tools
            from riskcast.weather.web.transport import Transport

            self._tools = Tools(
                AnswerCache(self._folder, self._clock.now()),
                Ledger(self._folder / "calls.sqlite"),
                Transport(self._limits),
                self._limits,
                self._clock,
                self._progress,
            )
        return self._tools
