"""Can I see it? Documents for machines, and the chain behind a number."""

from __future__ import annotations

from riskcast.report.chain import chain, find_animal
from riskcast.report.exports import (
    SCHEMA_FILE,
    Document,
    assessment_json,
    schema,
    schema_json,
)

__all__ = [
    "SCHEMA_FILE",
    "Document",
    "assessment_json",
    "chain",
    "find_animal",
    "schema",
    "schema_json",
]
