"""How the inputs were read, told to the keeper: the sentences of the letters, with the way out."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

import jinja2

from riskcast.advice.sentences import environment
from riskcast.advice.words import plain
from riskcast.base.errors import RiskcastError
from riskcast.risk.assessment import Reason

__all__ = ["note_sentences", "sheet_sentences"]


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
        parts = [plain(sentence(told)), plain(remedy()) if remedy else ""]
    except jinja2.UndefinedError as error:
        raise RiskcastError(f"{template}, {code}: {error.message}") from error
    return " ".join(part for part in parts if part)


def _macro(template: str, name: str) -> Any:
    module = environment().get_template(template).make_module({"role": "monitor"})
    found = getattr(module, name, None)
    return found if callable(found) else None
