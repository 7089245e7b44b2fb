"""A logger in the litter: fitted where that helps, told in every case, never in the way.

The litter is the column's own with a depth and moisture that the site file does not know.
"""

from __future__ import annotations

import re

import numpy as np
import pandas as pd
import pytest

from riskcast import habitat, pipeline, report, species
from riskcast.pipeline import moment
from riskcast.site import load_site

DRAWS = 16


@pytest.fixture
def site_with(small_site, tmp_path):
    """`site_with(text)`: a site file beside a logger's file that holds the text."""

    def write(text):
        (tmp_path / "litter.csv").write_text(text, "utf-8")
        site = small_site(tmp_path / "site")
        words = site.read_text("utf-8")
        site.write_text(words.replace("[weather]\n", '[weather]\nlogger = "../litter.csv"\n'))
        return site

    return write


def recorded(time, values):
    stamps = pd.DatetimeIndex(time).strftime("%Y-%m-%d %H:%M")
    rows = [f"{at},{value:.2f}" for at, value in zip(stamps, values, strict=True)]
    return "\n".join(["time,litter temp (degC)", *rows, ""])


@pytest.fixture
def litter(small_site, tmp_path, dates):
    """Hours to 12 January at the nest's depth in 11 cm of wet litter, read to 0.2 K; °C."""
    site = load_site(small_site(tmp_path / "plain"))
    now = moment(dates[1], site.place.timezone)
    made = pipeline.forecast(site, now, draws=DRAWS)
    weather = made.season.futures.isel(member=[0]).sel(time=slice(None, now.issued_at))
    wet = species.load("hazel_dormouse").with_values(nest__litter_water_content=0.2)
    deep = site.habitat.model_copy(update={"litter_depth_cm": 11.0})
    nest = habitat.nest_temperature(weather, deep, wet).isel(member=0)
    noise = np.random.default_rng(8).normal(0.0, 0.2, nest.size)
    return nest.time.values, nest.values + noise, made


def told(made):
    return {note.code: note.numbers for note in made.assessment.weather.notes}


def test_a_logger_that_helps_moves_the_nest(site_with, litter, dates):
    time, values, plain = litter
    site = load_site(site_with(recorded(time, values)))
    made = pipeline.forecast(site, moment(dates[1], site.place.timezone), draws=DRAWS)
    errors = told(made)["logger_used"]
    assert errors["winter"] == "2025/26"
    assert errors["after_degc"] == pytest.approx(0.2, abs=0.05)
    assert errors["after_degc"] < errors["before_degc"]
    assert made.site.habitat.litter_depth_cm == pytest.approx(11.0, abs=1.5)
    parameter = made.sp.parameters["nest.litter_water_content"]
    assert parameter.status == "site"
    chain = report.chain(
        report.find_animal(made.assessment, "reference"),
        made.evidence, made.assessment, made.nest, made.sp,
    )  # fmt: skip
    (column,) = (line for line in chain.splitlines() if " of litter with " in line)
    assert f"in {made.site.habitat.litter_depth_cm:.3g} cm of litter" in column
    assert f"with {parameter.value:.0%} water" in column
    missed = rf"missed by {errors['after_degc']:.1f} °C, before by {errors['before_degc']:.1f} °C"
    assert re.search(rf"nest logger, winter 2025/26\. .* {missed}", chain)
    now = slice(None, made.moment.issued_at)
    truth = pd.Series(values, time)
    missed = [
        np.abs(one.nest.isel(member=0).sel(time=now).to_series()[time[60 * 24 :]] - truth).mean()
        for one in (made, plain)
    ]
    assert missed[0] < missed[1]


def test_a_logger_of_last_winter_speaks_in_autumn(site_with, litter, small_site, tmp_path, dates):
    """In October this season has nothing to fit yet; the winter before has five months."""
    site = load_site(small_site(tmp_path / "plain"))
    now = moment(dates[0], site.place.timezone)
    past = pipeline.forecast(site, now, draws=DRAWS).season.past_years.sel(member=[2024])
    wet = species.load("hazel_dormouse").with_values(nest__litter_water_content=0.2)
    deep = site.habitat.model_copy(update={"litter_depth_cm": 11.0})
    felt = (
        habitat.nest_temperature(past, deep, wet).isel(member=0).sel(time=slice(None, "2026-02-28"))
    )
    year = np.datetime64("2025-08-01") - np.datetime64("2024-08-01")
    text = recorded(felt.time.values[24 * 50 :] - year, felt.values[24 * 50 :])
    made = pipeline.forecast(load_site(site_with(text)), now, draws=DRAWS)
    used = told(made)["logger_used"]
    assert used["winter"] == "2024/25"
    assert used["after_degc"] < 0.5 * used["before_degc"]
    assert made.site.habitat.litter_depth_cm == pytest.approx(11.0, abs=1.0)


def test_a_logger_of_noise_leaves_all_as_it_is(site_with, litter, dates):
    time, values, plain = litter
    noise = np.random.default_rng(3).normal(6.0, 2.0, len(values))
    site = load_site(site_with(recorded(time, noise)))
    made = pipeline.forecast(site, moment(dates[1], site.place.timezone), draws=DRAWS)
    assert "logger_no_gain" in told(made)
    np.testing.assert_array_equal(made.nest.values, plain.nest.values)


@pytest.mark.parametrize(
    ("text", "code"),
    [
        ("time,litter temp (degC)\n2026-01-01 00:00,5.5\n2026-01-01 01:00,5.5\n", "too_short"),
        ("time,litter temp\n2026-01-01 00:00,5.5\n", "unreadable"),
    ],
)
def test_what_cannot_be_used_never_stops_a_run(site_with, dates, text, code):
    site = load_site(site_with(text))
    made = pipeline.forecast(site, moment(dates[1], site.place.timezone), draws=DRAWS)
    assert f"logger_{code}" in told(made)
    assert made.site.habitat.litter_depth_cm == site.habitat.litter_depth_cm


def test_readings_after_the_moment_change_nothing(site_with, litter, dates):
    time, values, _ = litter
    later = np.arange(1, 49) * np.timedelta64(1, "h") + time[-1]
    sites = [
        recorded(time, values),
        recorded(np.concatenate([time, later]), np.concatenate([values, np.full(48, 25.0)])),
    ]
    nests = []
    for text in sites:
        site = load_site(site_with(text))
        now = moment(dates[1], site.place.timezone)
        nests.append(pipeline.forecast(site, now, draws=DRAWS).nest.values)
    np.testing.assert_array_equal(*nests)
