"""What is said of the inputs does not give the place of the site away."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest

from riskcast.pipeline.used import site_summary, weather_notes, weather_used
from riskcast.weather import Note


@pytest.fixture
def told(demo_site, usual, dates):
    """Weather of a cell whose distance and height are known exactly."""
    made = usual(dates[0]).run.forecast
    futures = made.season.futures.assign_attrs(cell_distance_km=13.4, height_gap_m=-87.3)
    notes = (Note("cell_distance", {"km": 13.4}), Note("height_gap", {"m": -87.3}))
    season = SimpleNamespace(futures=futures, past_years=made.season.past_years, notes=notes)
    return season, made.moment


def test_distance_and_height_of_the_cell_are_rounded(demo_site, told):
    season, now = told
    used = weather_used(demo_site, season, now)
    assert (used.cell_distance_km, used.height_gap_m) == (15.0, -90.0)
    assert [note.numbers for note in used.notes[:2]] == [{"km": 15.0}, {"m": -90.0}]
    assert used.notes == weather_notes(demo_site, season)


@pytest.mark.parametrize("value", [None, np.nan])
def test_what_is_not_known_stays_unknown(demo_site, told, value):
    season, now = told
    season.futures.attrs["cell_distance_km"] = value
    assert weather_used(demo_site, season, now).cell_distance_km is None


def test_the_place_of_the_site_is_rounded(demo_site, hazel_dormouse):
    exact = {"latitude": 50.04321, "longitude": -4.01234, "elevation_m": 117.4}
    site = demo_site.model_copy(update={"place": demo_site.place.model_copy(update=exact)})
    summary = site_summary(site, hazel_dormouse)
    assert (summary.latitude, summary.longitude, summary.elevation_m) == (50.0, -4.0, 120.0)


def test_nothing_in_the_document_is_finer(usual, dates):
    document = usual(dates[0]).document
    assert document["site"]["elevation_m"] % 10 == 0
    assert document["weather"]["cell_distance_km"] % 5 == 0


def test_hours_made_of_daily_values_are_no_gap(demo_site, told):
    """Half of the hours by the model of the day, three interpolated: 3 of the last 240."""
    season, now = told
    season.futures = season.futures.copy()
    times = season.futures.time.values
    marks = np.full(times.size, "none", dtype="U16")
    marks[::2] = "diurnal_model"
    last = np.flatnonzero(times <= now.issued_at)[-1]
    marks[last - 20 : last - 17] = "interpolated"
    season.futures["filled"] = ("time", marks)
    used = weather_used(demo_site, season, now)
    assert used.filled_last_10_days == pytest.approx(3 / 240, abs=5e-4)
