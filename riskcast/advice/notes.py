"""How the inputs were read, told to the keeper: the sentences of the letters, with the way out."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

import jinja2

from riskcast.advice.sentences import Sentences, environment
from riskcast.advice.words import plain
from riskcast.base.errors import RiskcastError
from riskcast.risk.assessment import Assessment, Reason

__all__ = ["for_letters", "keeper_notes", "note_sentences", "sheet_sentences", "weather_sentences"]

# Weather that is old, unfinished or not what was asked for first: told wherever numbers are
# shown, be it the shortest text.
_EVERYWHERE = ("stale_forecast", "history_incomplete", "source_failed")

# Trouble of the machine that riskcast runs on: the keeper can mend it, a monitor cannot.
_KEEPERS = ("cache_not_kept", "clock_skew", "forecast_not_kept", "version_ends")

# How the model does what it always does: for `check`, `explain` and the JSON.
_INNER = ("soil_carried_on",)


def for_letters(notes: Iterable[Reason]) -> tuple[Reason, ...]:
    """The notes that concern those who get letters, failed sources told as one."""
    return _failed_as_one(note for note in notes if note.code not in (*_KEEPERS, *_INNER))


def keeper_notes(notes: Iterable[Reason]) -> tuple[str, ...]:
    """What the keeper has to see even where nothing else is shown: trouble to be mended."""
    return note_sentences(n for n in notes if n.code in (*_KEEPERS, "source_failed"))


def weather_sentences(assessment: Assessment) -> tuple[str, ...]:
    """How old the forecast is, and what has to stand beside every number made of it."""
    say = Sentences(assessment)
    told = (note for note in assessment.weather.notes if note.code in _EVERYWHERE)
    return (say.macro("parts.j2", "forecast_age"), *map(say.reason, _failed_as_one(told)))


def _failed_as_one(notes: Iterable[Reason]) -> tuple[Reason, ...]:
    """The notes with all failed sources in one: an outage takes all of a provider's at once."""
    out: list[Reason] = []
    failed: dict[str, None] = {}
    for note in notes:
        if note.code != "source_failed":
            out.append(note)
            continue
        if not failed:
            first, at = note, len(out)
        failed[str(note.numbers["source"])] = None
    if failed:
        *others, last = failed
        named = f"{', '.join(others)} and {last}" if others else last
        numbers = {**first.numbers, "source": named, "sources": len(failed)}
        out.insert(at, Reason(code=first.code, numbers=numbers))
    return tuple(out)


def note_sentences(notes: Iterable[Reason]) -> tuple[str, ...]:
    """Notes on the weather as sentences, each with what the keeper can do about it.

    Raises
    ------
    RiskcastError
        A code has no sentence.
    """
    return tuple(_told("reasons.j2", note.code, note.numbers) for note in notes)


def sheet_sentences(assumptions: Iterable[str]) -> tuple[str, ...]:
    """What was taken for granted in reading the weights, each with a way to change it.

    Parameters
    ----------
    assumptions : each "code: file and place", as `Records.assumptions` has them

    Raises
    ------
    RiskcastError
        A code has no sentence.
    """
    split = (text.partition(":") for text in assumptions)
    return tuple(_told("sheet.j2", code, plain(where)) for code, _, where in split)


def _told(template: str, code: str, told: Any) -> str:
    sentence = _macro(template, code)
    if sentence is None:
        raise RiskcastError(f"{template} has no sentence for {code!r}")
    remedy = _macro("notes.j2", code)
    try:
        parts = [plain(sentence(told)), plain(_remedy(remedy, told)) if remedy else ""]
    except jinja2.UndefinedError as error:
        raise RiskcastError(f"{template}, {code}: {error.message}") from error
    return " ".join(part for part in parts if part)


def _remedy(macro: Any, numbers: Any) -> Any:
    """A remedy may name the numbers of its note, and need not."""
    return macro(numbers) if macro.arguments else macro()


def _macro(template: str, name: str) -> Any:
    module = environment().get_template(template).make_module({"role": "monitor"})
    found = getattr(module, name, None)
    return found if callable(found) else None
