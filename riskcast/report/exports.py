"""Documents for machines: ``assessment.json`` and its JSON Schema."""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import pydantic

from riskcast.advice import Advice
from riskcast.risk import Assessment

__all__ = ["SCHEMA_FILE", "Document", "assessment_json", "schema", "schema_json"]

SCHEMA_FILE = Path(__file__).parent / "assessment.schema.json"


class Document(Assessment):
    """What `assessment.json` holds: the numbers, and what was advised on them."""

    advice: tuple[Advice, ...]


def assessment_json(assessment: Assessment, advice: Sequence[Advice]) -> str:
    """The document as text. The same run gives the same bytes: fields keep their order."""
    fields = {name: getattr(assessment, name) for name in type(assessment).model_fields}
    document = Document(**fields, advice=tuple(advice))
    return json.dumps(document.model_dump(mode="json", by_alias=True), indent=1) + "\n"


def schema() -> dict[str, Any]:
    """JSON Schema (draft 2020-12) of the document, computed from the models."""
    made = pydantic.TypeAdapter(Document).json_schema(mode="serialization", by_alias=True)
    return {"$schema": "https://json-schema.org/draft/2020-12/schema", **made}


def schema_json() -> str:
    """The schema as the file that ships; a test keeps the two the same."""
    return json.dumps(schema(), indent=1) + "\n"
