"""A whole run from each kind of weather file, through the command line."""

from __future__ import annotations

import functools
import json
from collections.abc import Callable
from pathlib import Path

import pytest
import time_machine
import weather_files
from click.testing import Result
from weather_files import FORECASTS, HISTORIES, NOW, TABLE

from riskcast import pipeline

Call = Callable[..., Result]
YEARS = 4
# Each kind once; the shorter list begins anew.
PAIRS = [
    (list(FORECASTS)[i % len(FORECASTS)], history) for i, history in enumerate(HISTORIES)
]  # fmt: skip


@pytest.mark.parametrize(("forecast", "history"), PAIRS)
def test_run_from_files(
    riskcast_command: Call,
    monkeypatch: pytest.MonkeyPatch,
    tmp_path: Path,
    forecast: str,
    history: str,
) -> None:
    monkeypatch.setattr(pipeline, "run", functools.partial(pipeline.run, draws=16))
    latitude, longitude, elevation_m = weather_files.PLACE
    (tmp_path / "weights.csv").write_text(
        "event_date,box,sex,life_stage,body_mass_g\n2025-10-18,1,female,juvenile,12.5\n"
    )
    (tmp_path / "site.toml").write_text(
        'schema = "riskcast.site/1"\n[site]\nid = "a"\nname = "A"\n'
        f"latitude = {latitude}\nlongitude = {longitude}\nelevation_m = {elevation_m}\n"
        'timezone = "Europe/London"\n[weights]\nfiles = ["weights.csv"]\n'
        f'[weather]\nforecast = "{FORECASTS[forecast](tmp_path)}"\n'
        f'history = "{HISTORIES[history](tmp_path)}"\npast_years = {YEARS}\n'
        f'cache = "cache"\n{TABLE}[archive]\nfolder = "kept"\n',
        "utf-8",
    )
    with time_machine.travel(NOW):
        fetched = riskcast_command("fetch", "site.toml", "--json")
        assert fetched.exit_code == 0, fetched.output
        reports = json.loads(fetched.stdout)["sources"]
        assert {report["role"] for report in reports if report["used"]} >= {"forecast", "history"}
        assert all(report["reached"] and report["hours"] for report in reports)
        done = riskcast_command("run", "site.toml", "--offline")
    assert done.exit_code == 0, done.output
    assert "The forecast is from Monday 10 November 2025" in " ".join(done.stdout.split())
    document = json.loads(next(tmp_path.glob("out/*/*/assessment.json")).read_text("utf-8"))
    assert document["weather"]["past_years"] == YEARS
    codes = {note["code"] for note in document["weather"]["notes"]}
    assert ("daily_values" in codes) is (history == "gridded days")


def test_each_kind_is_run_once() -> None:
    assert {pair[0] for pair in PAIRS} == set(FORECASTS)
    assert {pair[1] for pair in PAIRS} == set(HISTORIES)
