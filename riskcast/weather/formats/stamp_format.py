"""How a table writes its times, declared as ``DD.MM.YYYY hh:mm``, and the times it means."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from riskcast.weather.dataset import Times

__all__ = ["StampFormat"]

_TOKEN = re.compile(r"YYYY|YY|MMM|MM|M|DD|D|hh|h|mm|ss|am|AM|pm|PM")
_PATTERNS = {
    "YYYY": ("year", r"\d{4}"),
    "YY": ("year", r"\d{2}"),
    "MMM": ("name", r"[A-Za-z]{3,9}\.?"),
    "MM": ("month", r"\d{1,2}"),
    "DD": ("day", r"\d{1,2}"),
    "hh": ("hour", r"\d{1,2}"),
    "mm": ("minute", r"\d{1,2}"),
    "ss": ("second", r"\d{1,2}"),
    "am": ("half", r"[AaPp]\.?[Mm]\.?"),
}
_SAME = {"M": "MM", "D": "DD", "h": "hh", "AM": "am", "pm": "am", "PM": "am"}
_MONTHS = ("jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec")
# Years of two figures: 69 to 99 are of the last century, as POSIX has it.
_CENTURY_TURN = 69
_HOURS_A_DAY = 24


@dataclass(frozen=True)
class StampFormat:
    """A declared order of the parts of a time.

    YYYY or YY, MM or MMM (English names), DD; hh, mm, ss and am (or pm) where the table has
    them. Hour 24 is the end of its day. Without hh the stamps are days.
    """

    text: str
    tokens: tuple[str, ...]
    pattern: re.Pattern[str]

    @classmethod
    def of(cls, text: str, *, in_parts: bool = False) -> StampFormat:
        """Take a format apart.

        Parameters
        ----------
        in_parts : the parts stand in columns of their own, joined by a blank: what separates
            them in `text` does not matter

        Raises
        ------
        ValueError
            It does not hold one year, one month and one day, or holds a part twice.
        """
        tokens = tuple(_SAME.get(token, token) for token in _TOKEN.findall(text))
        names = [_PATTERNS[token][0].replace("name", "month") for token in tokens]
        if not {"year", "month", "day"} <= set(names) or len(set(names)) < len(names):
            raise ValueError("is no order of year, month, day and hour")
        if "minute" in names and "hour" not in names:
            raise ValueError("has minutes without hours; are they months, MM?")
        gaps = _TOKEN.split(text)
        # Without separators only full numbers keep the parts apart.
        strict = "" in gaps[1 : len(tokens)]
        pattern = "" if in_parts else _gap(gaps[0])
        for token, gap in zip(tokens, gaps[1:], strict=True):
            name, signs = _PATTERNS[token]
            signs = signs.replace(r"\d{1,2}", r"\d{2}") if strict else signs
            pattern += f"(?P<{name}>{signs})"
            if not in_parts:
                pattern += _gap(gap)
            elif gap and token != tokens[-1]:
                pattern += r"[^0-9A-Za-z]+"
        if "second" not in names and "minute" in names:
            pattern += r"(?::00(?:\.0+)?)?"
        return cls(text, tokens, re.compile(pattern))

    @property
    def has_hour(self) -> bool:
        """Whether the stamps are moments; else they are days."""
        return "hh" in self.tokens

    def parse(self, stamps: Sequence[str]) -> Times:
        """(row,) datetime64[us] by the table's own clock, NaT where a stamp does not fit."""
        text = pd.Series(list(stamps), dtype=str).str.strip()
        parts = text.str.extract(f"^{self.pattern.pattern}$", flags=self.pattern.flags)
        if "name" in parts:
            short = parts["name"].str[:3].str.lower()
            parts["month"] = short.map({name: k + 1 for k, name in enumerate(_MONTHS)})

        def number(name: str) -> npt.NDArray[np.float64]:
            if name not in parts:
                return np.zeros(len(parts))
            return np.asarray(pd.to_numeric(parts[name], errors="coerce"), dtype=float)

        year, hour = number("year"), number("hour")
        if "YY" in self.tokens:
            year = year + np.where(year < _CENTURY_TURN, 2000, 1900)
        if "half" in parts:
            late = parts["half"].str.lower().str.startswith("p").fillna(False).to_numpy(bool)
            hour = np.where((hour >= 1) & (hour <= 12), hour % 12 + 12 * late, np.nan)
        return _moments(year, number("month"), number("day"), hour, number("minute"),
                        number("second"))  # fmt: skip


def _gap(text: str) -> str:
    """What stands between two parts, as it is written; blanks in any number."""
    return r"\s+".join(re.escape(piece) for piece in re.split(r"\s+", text))


def _moments(
    year: npt.NDArray[np.float64],
    month: npt.NDArray[np.float64],
    day: npt.NDArray[np.float64],
    hour: npt.NDArray[np.float64],
    minute: npt.NDArray[np.float64],
    second: npt.NDArray[np.float64],
) -> Times:
    last = (hour == _HOURS_A_DAY) & (minute == 0) & (second == 0)
    good = (month >= 1) & (month <= 12) & (day >= 1) & (day <= 31)
    good &= (((hour >= 0) & (hour < _HOURS_A_DAY)) | last) & (minute < 60) & (second < 60)
    good &= np.isfinite(year)

    def whole(values: npt.NDArray[np.float64]) -> npt.NDArray[np.int64]:
        return np.where(good, values, 1).astype(np.int64)

    months = (whole(year) - 1970) * 12 + whole(month) - 1
    begin = months.astype("datetime64[M]")
    date = begin.astype("datetime64[D]") + (whole(day) - 1).astype("timedelta64[D]")
    good &= date.astype("datetime64[M]") == begin  # 31 February
    seconds = whole(hour) * 3600 + whole(minute) * 60 + whole(second)
    moments = date.astype("datetime64[us]") + seconds.astype("timedelta64[s]")
    return np.where(good, moments, np.datetime64("NaT"))
