"""The JSON Schema that ships, against the models it was made from and against the standard."""

from __future__ import annotations

import json

import jsonschema
import pytest

from riskcast import report


@pytest.fixture(scope="module")
def shipped():
    return json.loads(report.SCHEMA_FILE.read_text("utf-8"))


def test_the_file_that_ships_is_that_of_the_models():
    """After a change of the models: write `riskcast.report.schema_json()` into the file."""
    assert report.SCHEMA_FILE.read_text("utf-8") == report.schema_json()


def test_it_is_a_schema_of_draft_2020_12(shipped):
    """Checked against the draft's own meta-schema (json-schema.org, in package jsonschema)."""
    assert shipped["$schema"] == "https://json-schema.org/draft/2020-12/schema"
    jsonschema.Draft202012Validator.check_schema(shipped)


def test_it_names_itself_and_the_four_risks(shipped):
    assert shipped["properties"]["schema"]["const"] == "riskcast.assessment/1"
    risk = shipped["$defs"]["RiskResult"]["properties"]
    assert risk["id"]["enum"] == ["autumn_mass", "winter_arousal", "winter_reserve", "spring_food"]
    assert risk["status"]["enum"] == ["assessed", "not_asked_now", "not_enough_data"]


def test_every_object_is_closed(shipped):
    """A name that is not known is a fault, at every level."""
    for name, definition in shipped["$defs"].items():
        if definition.get("type") == "object":
            assert definition["additionalProperties"] is False, name
    assert shipped["additionalProperties"] is False


@pytest.mark.parametrize("wrong", [{}, {"schema": "riskcast.assessment/1"}, [], "text"])
def test_it_refuses_what_is_no_assessment(shipped, wrong):
    assert list(jsonschema.Draft202012Validator(shipped).iter_errors(wrong))
