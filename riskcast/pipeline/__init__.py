"""The order of things: joins the rooms, from a site file to letters."""

from __future__ import annotations

from riskcast.pipeline.check import CheckLine, CheckReport, check
from riskcast.pipeline.day_by_day import day_by_day
from riskcast.pipeline.fetch import Fetched, fetch
from riskcast.pipeline.moment import Moment, moment
from riskcast.pipeline.other_luck import what_moves
from riskcast.pipeline.run import DRAWS, SEED, Forecast, Run, forecast, run
from riskcast.pipeline.views import explain, explain_by_day, triage, triage_found, visits

__all__ = [
    "DRAWS",
    "SEED",
    "CheckLine",
    "CheckReport",
    "Fetched",
    "Forecast",
    "Moment",
    "Run",
    "check",
    "day_by_day",
    "explain",
    "explain_by_day",
    "fetch",
    "forecast",
    "moment",
    "run",
    "triage",
    "triage_found",
    "visits",
    "what_moves",
]
