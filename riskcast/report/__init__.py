"""Can I see it? Documents for machines, and the chain behind a number."""

from __future__ import annotations

from riskcast.report.chain import chain, find_animal
from riskcast.report.days import DayByDay, days_table, weeks_block
from riskcast.report.exports import (
    SCHEMA_FILE,
    Document,
    assessment_json,
    schema,
    schema_json,
)

__all__ = [
    "SCHEMA_FILE",
    "DayByDay",
    "Document",
    "assessment_json",
    "chain",
    "days_table",
    "find_animal",
    "schema",
    "schema_json",
    "weeks_block",
]
