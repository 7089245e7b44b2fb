"""Lines on sources, and how far a run may reach; whole fetches: tests/cli/test_services.py."""

from __future__ import annotations

import functools
import json
import sys
from dataclasses import replace

import numpy as np
import pytest

from riskcast import pipeline
from riskcast.pipeline.fetch import Fetched, source_line
from riskcast.pipeline.moment import Moment, moment
from riskcast.pipeline.reach import weather_access
from riskcast.site import load_site
from riskcast.weather.access import SourceReport

NOW = np.datetime64("2025-11-10T07:20", "ns")
GOOD = SourceReport(
    source="open-meteo ensemble",
    role="forecast",
    reached=True,
    used=True,
    made_at=np.datetime64("2025-11-10T01:20", "ns"),
    cell_distance_km=3.24,
    height_gap_m=-14.4,
    first=np.datetime64("2025-11-07T00:00", "ns"),
    last=np.datetime64("2025-11-24T23:00", "ns"),
    hours=432,
    licence="CC BY 4.0",
    attribution="Weather data by Open-Meteo.com (https://open-meteo.com/)",
)


def test_line_of_a_source_that_was_reached():
    assert source_line(GOOD, NOW) == (
        "open-meteo ensemble, forecast: reached; issued 2025-11-10T01:20Z, 6 h old; "
        "grid cell 3.2 km away, -14 m in height; 432 hours from 2025-11-07 to 2025-11-24; CC BY 4.0"
    )


@pytest.mark.parametrize(
    ("changes", "piece"),
    [
        ({"used": False}, ": reached, not used;"),
        ({"from_cache": True}, ": reached, nothing newer;"),
        ({"from_cache": True, "reached": False}, ": kept from before;"),
        ({"from_cache": True, "used": False, "reached": False}, ": kept from before, not used;"),
        ({"stale": True, "from_cache": True, "reached": False}, ": NOT FRESH, kept from before;"),
        ({"stale": True}, ": NOT FRESH, reached;"),
        ({"made_at": NOW + np.timedelta64(5, "s")}, ", 0 h old;"),
        ({"stale": True, "problem": "No answer in 25 s."}, "CC BY 4.0. No answer in 25 s."),
        ({"role": "history"}, "fetched 2025-11-10T01:20Z, 6 h old"),
        ({"licence": ""}, "; licence not stated"),
        ({"height_gap_m": None}, "3.2 km away; 432"),
    ],
)
def test_other_lines(changes, piece):
    assert piece in source_line(replace(GOOD, **changes), NOW)


def test_line_of_a_source_that_was_not_reached():
    failed = SourceReport("met-norway", "forecast", False, "met-norway refused: code 403.")
    assert source_line(failed, NOW) == (
        "met-norway, forecast: not reached. met-norway refused: code 403."
    )


def test_json_holds_no_nan_and_says_null():
    unknown = replace(GOOD, made_at=None, cell_distance_km=float("nan"), height_gap_m=None)
    now = Moment(NOW, NOW.astype("datetime64[D]").item(), live=True)
    document = Fetched(now, (GOOD, unknown), ("A note.",)).as_dict()
    first, second = json.loads(json.dumps(document, allow_nan=False))["sources"]
    assert first["age_hours"] == 6.0
    assert first["made_at"] == "2025-11-10T01:20Z"
    assert second["made_at"] is None
    assert second["age_hours"] is None
    assert second["cell_distance_km"] is None
    assert document["notes"] == ["A note."]


def test_one_way_to_the_weather(small_site, tmp_path, dates):
    site = load_site(small_site(tmp_path))
    past = moment(dates[0], site.place.timezone)
    access = weather_access(site, past, offline=True)
    assert access.cache == site.weather.cache_folder
    assert access.shelf is not None
    assert access.shelf.folder == site.archive_folder / "forecasts"
    assert access.offline
    assert not access.live, "for an earlier moment no new forecast may be fetched"
    assert weather_access(site, moment(None, site.place.timezone)).live


@pytest.fixture
def check(monkeypatch):
    """The module, with few draws: its lines are tested, not the numbers."""
    module = sys.modules["riskcast.pipeline.check"]
    monkeypatch.setattr(module, "forecast", functools.partial(module.forecast, draws=16))
    return module


def test_check_reads_weights_and_weather_once(small_site, tmp_path, dates, monkeypatch, check):
    read = []
    for name, module in (("read_season", check), ("read", check.animals)):
        once = getattr(module, name)
        monkeypatch.setattr(
            module,
            name,
            lambda *args, once=once, name=name, **kwargs: (
                read.append(name) or once(*args, **kwargs)
            ),
        )
    monkeypatch.setattr(
        sys.modules["riskcast.pipeline.run"], "read_season", lambda *_, **__: pytest.fail("again")
    )
    report = pipeline.check(small_site(tmp_path), as_of=dates[0])
    assert report.exit_code == 0
    assert read == ["read", "read_season"]


@pytest.mark.usefixtures("check")
def test_check_tells_each_file_as_a_source(small_site, tmp_path, dates):
    report = pipeline.check(small_site(tmp_path), as_of=dates[0])
    (told,) = (line.text for line in report.lines if line.topic == "weather")
    sources = [line for line in told.splitlines() if ": reached;" in line]
    assert [line.partition(":")[0].rpartition(", ")[2] for line in sources] == [
        "forecast",
        "history",
    ]
    assert "hours from 2017-" in sources[1]
