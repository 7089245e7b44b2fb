"""What has the weather been, and what may it still be? Files, gaps, and a season of futures."""

from __future__ import annotations

from riskcast.weather.dataset import FILLED, PROVENANCE, Note
from riskcast.weather.files import read
from riskcast.weather.formats.logger import read_logger
from riskcast.weather.season import Season, season

__all__ = ["FILLED", "PROVENANCE", "Note", "Season", "read", "read_logger", "season"]
