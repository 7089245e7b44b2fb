"""Answers with anything anywhere: read, or refused in words, never a crash."""

from __future__ import annotations

import copy
import datetime as dt
import json
import random

import met_norway_answers
import open_meteo_answers
import pytest

from riskcast.base.errors import WeatherError
from riskcast.weather.files import assemble
from riskcast.weather.providers import met_norway, open_meteo

NOW = dt.datetime(2025, 10, 27, 9, tzinfo=dt.UTC)
JUNK = [
    None, True, "x", "", 0, -5, 3.5, 10**400, -1e308, 1e400, [], {}, [1], {"a": 1},
    "9999-12-31T00:00", "2025-13-01", "2025-10-27T00:00+99:00", "\ud800",
]  # fmt: skip


def open_meteo_answer():
    query = {
        "latitude": "50.00",
        "longitude": "-4.00",
        "hourly": "temperature_2m,precipitation,snow_depth,soil_temperature_28_to_100cm",
        "models": "icon_seamless",
        "forecast_days": "1",
    }
    document = open_meteo_answers.answer("forecast", query, NOW)
    document["hourly"] = {key: array[:8] for key, array in document["hourly"].items()}
    return document


def met_norway_answer():
    document = met_norway_answers.answer(50.0, -4.0, 120.0, NOW)
    document["properties"]["timeseries"] = document["properties"]["timeseries"][51:59]
    return document


def paths(document, so_far=()):
    inside = document.items() if isinstance(document, dict) else ()
    inside = enumerate(document) if isinstance(document, list) else inside
    for key, value in inside:
        yield (*so_far, key)
        yield from paths(value, (*so_far, key))


def spoilt(document, rng):
    """The document with one to three places changed, taken out or doubled."""
    out = copy.deepcopy(document)
    for _ in range(rng.choice([1, 1, 2, 3])):
        *way, last = rng.choice(list(paths(out)))
        inside = out
        for key in way:
            inside = inside[key]
        kind = rng.choice(["change", "change", "drop", "double"])
        if kind == "change":
            inside[last] = copy.deepcopy(rng.choice(JUNK))
        elif kind == "drop":
            del inside[last]
        elif isinstance(inside, list):
            inside.insert(last, copy.deepcopy(inside[last]))
    return out


@pytest.mark.parametrize(
    ("make", "read"), [(open_meteo_answer, open_meteo.read), (met_norway_answer, met_norway.read)]
)
def test_nothing_in_an_answer_makes_a_reader_crash(place, make, read):
    rng, document = random.Random(3), make()
    outcomes = {"read": 0, "refused": 0}
    for _ in range(400):
        body = json.dumps(spoilt(document, rng)).encode()
        try:
            table = read(body, "answer", place)
            assemble([] if table is None else [table], [], place, "answer")
            outcomes["read"] += 1
        except WeatherError:
            outcomes["refused"] += 1
    assert min(outcomes.values()) > 40, outcomes
