"""What pydantic found, as a keeper would say it."""

from __future__ import annotations

import datetime as dt
import re
import typing
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

import pydantic
from pydantic_core import ErrorDetails

from riskcast.base.errors import Fault
from riskcast.site.lines import line_of
from riskcast.site.model import Site
from riskcast.site.nearest import nearest

__all__ = ["as_fault"]

Path = tuple[str | int, ...]

_SHOWN = 40

# Texts under these keys are never repeated: people paste passwords and access keys there.
_PRIVATE = re.compile(r"pass|secret|token|url|user", re.IGNORECASE)
_PASSWORD = re.compile(r"pass|secret|^pw", re.IGNORECASE)

_EXPECTED = {
    "float_type": ("expected a number.", "Write it without quotes, as in 51.5."),
    "finite_number": ("expected a number.", ""),
    "int_type": ("expected a whole number.", "Write it without quotes and without a point."),
    "bool_type": ("expected true or false.", "Write it in small letters, without quotes."),
    "string_type": ("expected a text.", 'Put it in double quotes, as in "text".'),
    "path_type": ("expected the name of a file.", 'Put it in double quotes, as in "file.csv".'),
    "date_type": ("expected a date.", "Write it without quotes, as in 2025-11-22."),
    "tuple_type": ("expected a list.", "Put it in square brackets, also if it is only one."),
    "dict_type": ("expected pairs in braces.", 'Write them as { "their heading" = "our name" }.'),
    "model_type": ("expected a section with keys of its own.", ""),
}

# How a required key is written, for the one who left it out.
_EXAMPLES = {
    "schema": 'schema = "riskcast.site/1" at the top of the file',
    "id": 'id = "alder-hanger"',
    "name": 'name = "Alder Hanger"',
    "latitude": "latitude = 50.0",
    "longitude": "longitude = -4.0",
    "elevation_m": "elevation_m = 120",
    "timezone": 'timezone = "Europe/London"',
    "files": 'files = ["weights.xlsx"]',
    "address": 'address = "monitor@example.org"',
    "role": 'role = "monitor"',
    "host": 'host = "smtp.example.org"',
    "from": 'from = "riskcast <alerts@example.org>"',
    "value": '{ value = 1.9, reason = "own measurements" }',
    "reason": '{ value = 1.9, reason = "own measurements" }',
}


def as_fault(
    error: ErrorDetails, content: Mapping[str, Any], lines: Mapping[Path, int], source: str
) -> Fault:
    """One error of pydantic as a `Fault`.

    Parameters
    ----------
    content : the parsed file
    lines : from `lines_of_keys`
    source : name of the file
    """
    unknown = error["type"] == "extra_forbidden"
    path = error["loc"] if unknown else _as_written(error["loc"])
    problem, remedy = _words(error, path)
    return Fault(
        source=source,
        where=_place(path, content) + _line(path, lines, missing=error["type"] == "missing"),
        problem=problem,
        value=_shown(error, path),
        remedy=remedy,
    )


def _words(error: ErrorDetails, path: Path) -> tuple[str, str]:
    kind, context = error["type"], error.get("ctx", {})
    if "problem" in context:
        return context["problem"], context["remedy"]
    if kind == "extra_forbidden":
        return _unknown(path)
    if kind == "missing":
        if isinstance(path[-1], int):
            return "expected two values.", 'As in season = ["04-01", "11-30"].'
        if _is_section(path):
            return "this section is missing.", "Add it with its keys."
        return "is missing.", f"Add {_EXAMPLES.get(str(path[-1]), path[-1])}."
    if kind == "literal_error":
        return _not_allowed(error)
    if kind == "too_long":
        return "expected two values.", 'As in season = ["04-01", "11-30"].'
    return _EXPECTED.get(kind, (f"{error['msg']}.", ""))


def _unknown(path: Path) -> tuple[str, str]:
    key = str(path[-1])
    if _PASSWORD.search(key) and key not in ("password_file", "password_command"):
        return (
            "passwords do not belong in this file.",
            "Write it into a file of its own, name that in [mail] password_file, and change "
            "the password if others have read this file.",
        )
    known = list(_keys(_model_at(path[:-1])))
    near = nearest(key, known)
    if near:
        return "unknown key.", f"Did you mean {near}?"
    homes = [_header(home) for home, model in _sections() if key in _keys(model)]
    if homes:
        return "unknown key here.", f"It belongs in {' or '.join(homes)}."
    return "unknown key.", f"Known here: {', '.join(known)}."


def _not_allowed(error: ErrorDetails) -> tuple[str, str]:
    allowed = re.findall(r"'([^']*)'", error["ctx"]["expected"])
    *most, last = allowed
    expected = f"{', '.join(most)} or {last}" if most else last
    if not most:
        return f"expected {last}.", "This version knows no other."
    near = nearest(error["input"], allowed) if isinstance(error["input"], str) else ""
    return f"expected {expected}.", f'Did you mean "{near}"?' if near else ""


# --- where ---------------------------------------------------------------------------------


def _place(path: Path, content: Mapping[str, Any]) -> str:
    """``[visits] notice_days``, ``[[recipients]] no. 2, role``, ``[visits] planned, no. 1``."""
    section: list[str] = []
    value: Any = content
    rest = list(path)
    while rest and isinstance(value, Mapping) and isinstance(value.get(rest[0]), Mapping):
        value = value[rest[0]]
        section.append(str(rest.pop(0)))
    header = _header(section) if section else ""
    if not section and len(rest) > 1 and isinstance(rest[1], int):
        name, number, *rest = rest
        header = f"[[{name}]] no. {int(number) + 1}" + ("," if rest else "")
    elif len(rest) == 1 and _is_section(path):
        return _header([*section, str(rest[0])])
    words = [f"no. {part + 1}" if isinstance(part, int) else str(part) for part in rest]
    return f"{header} {', '.join(words)}".strip()


def _header(parts: Sequence[str]) -> str:
    if not parts:
        return "the top of the file"
    quoted = [f'"{part}"' if "." in part else part for part in parts]
    return f"[{'.'.join(quoted)}]"


def _line(path: Path, lines: Mapping[Path, int], *, missing: bool) -> str:
    number = 0 if missing else line_of(path, lines)
    return f", line {number}" if number else ""


def _shown(error: ErrorDetails, path: Path) -> str:
    value = error["input"]
    hidden = error["type"] in ("extra_forbidden", "missing") or any(
        _PRIVATE.search(str(part)) for part in path
    )
    if hidden or isinstance(value, Mapping | list | tuple | None):
        return ""
    if isinstance(value, bool):
        return str(value).lower()
    text = value.isoformat() if isinstance(value, dt.date | dt.time) else str(value)
    text = text.replace("\r", "\\r").replace("\n", "\\n")
    return text if len(text) <= _SHOWN else text[:_SHOWN] + "…"


# --- the models, by the path of their section -----------------------------------------------


def _keys(model: type[pydantic.BaseModel] | None) -> list[str]:
    fields = model.model_fields if model else {}
    return [field.alias or name for name, field in fields.items()]


def _child(model: type[pydantic.BaseModel], key: str) -> type[pydantic.BaseModel] | None:
    for name, field in model.model_fields.items():
        if key == (field.alias or name):
            return next(_models_in(field.annotation), None)
    return None


def _models_in(annotation: Any) -> Iterator[type[pydantic.BaseModel]]:
    if isinstance(annotation, type) and issubclass(annotation, pydantic.BaseModel):
        yield annotation
    for inner in typing.get_args(annotation):
        yield from _models_in(inner)


def _model_at(path: Path) -> type[pydantic.BaseModel] | None:
    model: type[pydantic.BaseModel] | None = Site
    inside_dict = False
    for part in path:
        if isinstance(part, int) or inside_dict or model is None:
            inside_dict = False
            continue
        parent, model = model, _child(model, part)
        inside_dict = _is_dict(parent, part)
    return model


def _is_dict(model: type[pydantic.BaseModel], key: str) -> bool:
    for name, field in model.model_fields.items():
        if key == (field.alias or name):
            return typing.get_origin(field.annotation) is dict
    return False


def _sections(
    path: Sequence[str] = (), model: type[pydantic.BaseModel] = Site
) -> Iterator[tuple[Sequence[str], type[pydantic.BaseModel]]]:
    """Every section with its path, those inside a section after it."""
    yield path, model
    for key in _keys(model):
        if not _is_dict(model, key) and (child := _child(model, key)):
            yield from _sections([*path, key], child)


def _is_section(path: Path) -> bool:
    return any(list(path) == list(section) for section, _ in _sections() if section)


def _as_written(path: Path) -> Path:
    """The path with keys as the keeper writes them: a default refused comes by its field."""
    written: list[str | int] = []
    for part in path:
        model = _model_at(tuple(written))
        field = model.model_fields.get(str(part)) if model else None
        written.append(field.alias if field and field.alias else part)
    return tuple(written)
