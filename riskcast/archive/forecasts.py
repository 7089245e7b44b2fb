"""Forecasts as they were issued, one file each: what skill is measured with later."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

__all__ = ["ForecastShelf"]


@dataclass(frozen=True)
class ForecastShelf:
    """A folder of forecasts as issued."""

    folder: Path
