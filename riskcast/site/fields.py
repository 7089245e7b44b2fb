"""The kinds of value a site file holds, each with the check that belongs to it.

Numbers, dates and switches are taken as TOML types them: a number in quotes is a text, and
a fault. Every check says what was expected in words a keeper can act on.
"""

from __future__ import annotations

import datetime as dt
import glob
import ipaddress
import math
import os
import re
import zoneinfo
from collections.abc import Sequence
from email.errors import MessageError
from email.headerregistry import Address as ParsedAddress
from email.utils import parseaddr
from pathlib import Path
from typing import Annotated, Any, Literal
from urllib.parse import urlsplit

from pydantic import AfterValidator, BeforeValidator, Field, ValidationInfo
from pydantic_core import PydanticCustomError

from riskcast.site.nearest import nearest

__all__ = [
    "FORECAST_SERVICES",
    "HISTORY_SERVICES",
    "Address",
    "DateFormat",
    "Day",
    "ForecastSources",
    "HistorySource",
    "MonthDay",
    "Number",
    "NumberOrTable",
    "OurFile",
    "OurPath",
    "SecretFile",
    "Sender",
    "SpeciesName",
    "Switch",
    "Text",
    "Timezone",
    "WebAddress",
    "Weekday",
    "Whole",
    "above_zero",
    "between",
    "is_loopback",
    "matches",
    "not_empty",
    "refuse",
]

FORECAST_SERVICES = ("open-meteo", "met-norway")
HISTORY_SERVICES = ("open-meteo",)

# A leap year, so that 02-29 is a day.
_ANY_YEAR = 2000


def refuse(problem: str, remedy: str = "", kind: str = "riskcast") -> PydanticCustomError:
    """A fault in plain words; `kind` "missing_file" marks those that a download mends."""
    return PydanticCustomError(
        kind,
        "{problem} {remedy}",
        {"problem": problem, "remedy": remedy},
    )


def not_empty(value: Any) -> Any:
    """For lists: `min_length` would count only the items without faults."""
    if isinstance(value, list | tuple) and not value:
        raise refuse("is an empty list.", "Name at least one.")
    return value


# --- numbers -------------------------------------------------------------------------------


def between(low: float, high: float, unit: str, remedy: str = "") -> AfterValidator:
    """Ends included."""

    def check(value: float) -> float:
        if not low <= value <= high:
            raise refuse(f"has to lie between {low:g} and {high:g} {unit}.", remedy)
        return value

    return AfterValidator(check)


def above_zero(unit: str) -> AfterValidator:
    def check(value: float) -> float:
        if value <= 0:
            raise refuse(f"has to be more than 0 {unit}.")
        return value

    return AfterValidator(check)


def _number_or_table(value: Any) -> Any:
    def is_number(item: Any) -> bool:
        plain = isinstance(item, int | float) and not isinstance(item, bool)
        return plain and math.isfinite(item)

    def ok(item: Any) -> bool:
        return all(map(ok, item)) if isinstance(item, list) and item else is_number(item)

    if not ok(value):
        raise refuse("expected a number, or a table of numbers.", "Write it without quotes.")
    return value


Number = Annotated[float, Field(strict=True, allow_inf_nan=False)]
Whole = Annotated[int, Field(strict=True)]
Switch = Annotated[bool, Field(strict=True)]
NumberOrTable = Annotated[Any, AfterValidator(_number_or_table)]


# --- texts ---------------------------------------------------------------------------------


def _text(value: str) -> str:
    if not value.strip():
        raise refuse("is empty.")
    if any(ord(sign) < ord(" ") for sign in value):
        raise refuse("holds a line break or another control character.", "Write it on one line.")
    return value


Text = Annotated[str, Field(strict=True), AfterValidator(_text)]


def matches(pattern: str, problem: str, remedy: str = "") -> AfterValidator:
    def check(value: str) -> str:
        if re.fullmatch(pattern, value) is None:
            raise refuse(problem, remedy)
        return value

    return AfterValidator(check)


def _date_format(value: str) -> str:
    parts = re.findall("YYYY|YY|MMM|MM|M|DD|D", value.upper())
    if sorted(part[0] for part in parts) != ["D", "M", "Y"]:
        raise refuse(
            "is no order of day, month and year.",
            'Write it as "YYYY-MM-DD", "DD/MM/YYYY" or "D MMM YY".',
        )
    return value


def _timezone(value: str) -> str:
    try:
        zoneinfo.ZoneInfo(value)
    except (zoneinfo.ZoneInfoNotFoundError, ValueError, OSError):
        near = nearest(value, sorted(zoneinfo.available_timezones()))
        raise refuse(
            "is no time zone of the IANA list.",
            f'Did you mean "{near}"?' if near else 'Write it as "Europe/London".',
        ) from None
    return value


def _address(value: str) -> str:
    if value.count("@") != 1:
        raise refuse("an e-mail address has exactly one @.", 'Write it as "name@example.org".')
    try:
        ParsedAddress(addr_spec=value)
    except (MessageError, ValueError, IndexError):
        raise refuse(
            "is no e-mail address.", 'Write the bare address, as in "name@example.org".'
        ) from None
    return value


def _sender(value: str) -> str:
    _address(parseaddr(value)[1])
    return value


def is_loopback(host: str) -> bool:
    """Is this name or address the machine itself?"""
    if host.casefold() == "localhost":
        return True
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return False


def _web_address(value: str) -> str:
    if re.match(r"https?://[^\s/]+", value) is None:
        raise refuse("is no web address.", "It begins with https://")
    try:
        parts = urlsplit(value)
    except ValueError:  # brackets that hold no address
        raise refuse("is no web address.", "Look at what stands behind the //") from None
    if parts.scheme == "http" and not is_loopback(parts.hostname or ""):
        raise refuse("would send the place in the clear.", "Begin it with https://")
    return value


def _month_day(value: str) -> str:
    try:
        if re.fullmatch(r"\d\d-\d\d", value) is None:
            raise ValueError(value)
        dt.date(_ANY_YEAR, int(value[:2]), int(value[3:]))
    except ValueError:
        raise refuse("is no day of the year.", 'Write month and day, as in "04-01".') from None
    return value


DateFormat = Annotated[Text, AfterValidator(_date_format)]
Timezone = Annotated[Text, AfterValidator(_timezone)]
Address = Annotated[Text, AfterValidator(_address)]
Sender = Annotated[Text, AfterValidator(_sender)]
WebAddress = Annotated[Text, AfterValidator(_web_address)]
MonthDay = Annotated[Text, AfterValidator(_month_day)]
Weekday = Literal["mon", "tue", "wed", "thu", "fri", "sat", "sun"]
Day = Annotated[dt.date, Field(strict=True)]


# --- files ---------------------------------------------------------------------------------


def _rooted(value: Path, info: ValidationInfo) -> Path:
    """Absolute, from the folder of the site file.

    `Path.resolve` would follow links, and then the name of a forecast file could change.
    """
    folder = info.context["folder"] if info.context else None
    if folder is None:
        return value
    return Path(os.path.abspath(folder / value.expanduser()))  # noqa: PTH100


def _must_exist(value: Path, info: ValidationInfo) -> Path:
    if info.context and not value.is_file():
        if value.is_dir():
            raise refuse("is a folder, expected a file.", f"Looked at {value}.")
        raise refuse(
            "no such file.",
            f"Looked for {value}. Correct the name, or put the file there.",
            "missing_file",
        )
    return value


def _path_text(value: Any) -> Any:
    """`Path("")` would be the folder itself."""
    if isinstance(value, str):
        return _text(value)
    return value


def _expanded(value: Any) -> Any:
    """A system service gets its secrets in a folder it learns of only when it starts."""
    return os.path.expandvars(value) if isinstance(value, str) else value


OurPath = Annotated[Path, BeforeValidator(_path_text), AfterValidator(_rooted)]
SecretFile = Annotated[OurPath, BeforeValidator(_expanded)]
OurFile = Annotated[OurPath, AfterValidator(_must_exist)]


def _source(value: str, info: ValidationInfo, services: Sequence[str]) -> str:
    if value in services or not info.context:
        return value
    path = str(_rooted(Path(value), info))
    if Path(path).exists() or glob.glob(path, recursive=True):  # noqa: PTH207
        return path
    near = nearest(value, services)
    if near:
        raise refuse("is no service and no file.", f'Did you mean "{near}"?')
    raise refuse(
        "no such file or folder.",
        f"Looked for {path}. Put the file there, correct the name, or name a service: "
        f"{', '.join(services)}.",
        "missing_file",
    )


def _forecast(value: str, info: ValidationInfo) -> str:
    return _source(value, info, FORECAST_SERVICES)


def _history(value: str, info: ValidationInfo) -> str:
    if value in FORECAST_SERVICES and value not in HISTORY_SERVICES:
        raise refuse(
            "this service has no past weather.",
            f"Name a file, or {' or '.join(HISTORY_SERVICES)}.",
        )
    return _source(value, info, HISTORY_SERVICES)


def _species_name(value: str, info: ValidationInfo) -> str:
    """A bare name is one of the shipped species; anything like a path is a file."""
    if not info.context or not (value.endswith(".toml") or "/" in value or "\\" in value):
        return value
    return str(_must_exist(_rooted(Path(value), info), info))


def _as_list(value: Any) -> Any:
    """One source may be written without brackets."""
    return (str(value),) if isinstance(value, str | Path) else value


ForecastSources = Annotated[
    tuple[Annotated[Text, AfterValidator(_forecast)], ...],
    BeforeValidator(not_empty),
    BeforeValidator(_as_list),
]
HistorySource = Annotated[Text, AfterValidator(_history)]
SpeciesName = Annotated[Text, AfterValidator(_species_name)]
