"""One tree of errors, each with the exit code the command line ends in.

::

    RiskcastError                70  a fault of ours, unless a branch below says otherwise
    ├── UsageError                2  the command was called in a way that makes no sense
    ├── NoUsableRecordsError     65  the weights hold no row that can be used
    ├── InputMissingError        66  a named file or folder is not there, or cannot be read
    ├── WeatherError             69  no usable weather
    ├── DeliveryError            75  mail could not be handed over; it will be tried again
    └── ConfigError              78  the site file or the species file has faults

An error carries all the faults found, not the first one, and each fault says what,
where, which, and the way out.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

__all__ = [
    "ConfigError",
    "DeliveryError",
    "Fault",
    "InputMissingError",
    "NoUsableRecordsError",
    "RiskcastError",
    "UsageError",
    "WeatherError",
    "fault_list",
]


@dataclass(frozen=True)
class Fault:
    """One thing wrong with an input, and what to do about it.

    `where` names the place inside the file ("row 17, body_mass_g", "[site] latitude");
    `value` is what stood there, shortened; `remedy` is one or two imperative sentences.
    """

    source: str
    where: str
    problem: str
    value: str = ""
    remedy: str = ""

    def __str__(self) -> str:
        shown = f' "{self.value}"' if self.value else ""
        head = f"{self.where}{shown}: " if self.where or shown else ""
        tail = f" {self.remedy}" if self.remedy else ""
        return f"{head}{self.problem}{tail}"


def fault_list(faults: Iterable[Fault]) -> str:
    """All faults as indented lines, grouped by the file they are in."""
    by_source: dict[str, list[Fault]] = {}
    for fault in faults:
        by_source.setdefault(fault.source, []).append(fault)
    lines: list[str] = []
    for source, group in by_source.items():
        lines.append(f"{source}: {len(group)} fault{'s' if len(group) != 1 else ''}")
        lines.extend(f"  {fault}" for fault in group)
    return "\n".join(lines)


class RiskcastError(Exception):
    """Base of all errors riskcast raises on purpose."""

    exit_code = 70

    def __init__(self, message: str = "", faults: Sequence[Fault] = ()) -> None:
        self.message = message
        self.faults = tuple(faults)
        super().__init__(message)

    def __str__(self) -> str:
        parts = [part for part in (self.message, fault_list(self.faults)) if part]
        return "\n".join(parts)


class UsageError(RiskcastError):
    exit_code = 2


class NoUsableRecordsError(RiskcastError):
    exit_code = 65


class InputMissingError(RiskcastError):
    exit_code = 66


class WeatherError(RiskcastError):
    exit_code = 69


class DeliveryError(RiskcastError):
    exit_code = 75


class ConfigError(RiskcastError):
    exit_code = 78
