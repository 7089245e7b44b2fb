"""The order of things: joins the rooms, from a site file to letters."""

from __future__ import annotations

from riskcast.pipeline.moment import Moment, moment
from riskcast.pipeline.run import DRAWS, SEED, Forecast, Run, forecast, run

__all__ = ["DRAWS", "SEED", "Forecast", "Moment", "Run", "forecast", "moment", "run"]
