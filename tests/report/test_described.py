"""The block of `riskcast explain` that describes the weather; seasons here are invented."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
import xarray as xr

from riskcast.report.described import weather_itself

ISSUED = "2026-01-20"


def evidence(spells=(), *, issued=ISSUED, years=20, swing=1.0):
    """Hours at 5 °C ± noise from 1 August to 31 May, some days warmer by 12 °C."""
    times = pd.date_range("2025-08-01", "2026-05-31 23:00", freq="h")
    rng = np.random.default_rng(4)
    past = 5.0 + np.repeat(rng.normal(0.0, swing, (years, times.size // 24)), 24, axis=1)
    here = np.full((3, times.size), 5.0)
    for first, length in spells:
        start = pd.Timestamp(first)
        here[:, (times >= start) & (times < start + pd.Timedelta(days=length))] += 12.0
    provenance = np.where(times < pd.Timestamp(issued), "observed", "forecast")

    def weather(air):
        return xr.Dataset(
            {"air_temperature": (("member", "time"), air, {"units": "degC"})},
            coords={
                "member": np.arange(len(air)),
                "time": times.to_numpy(),
                "provenance": ("time", provenance),
            },
        )

    return SimpleNamespace(
        futures=weather(here), past=weather(past), timezone="UTC", past_years=years
    )


def told(lines):
    """What is said under each definition, in their order."""
    return [line.strip() for line in lines if line.startswith("      ")]


def test_each_definition_counts_what_is_its_own(hazel_dormouse):
    lines = weather_itself(evidence([("2026-01-02", 5), ("2025-11-10", 7)]), hazel_dormouse)
    assert lines[1].strip().startswith("2025-08-01 to 2026-01-19, beside it the same days of 20")
    by_max, by_mean, three, five = told(lines)
    assert by_max.startswith("7 days in 1 spell; in past winters 0 ")
    assert by_mean.startswith("7 days in 1 spell; ")
    assert three.startswith("5 days in 1 spell; ")
    assert five.startswith("5 days in 1 spell; in past winters 0 (0 to 0) days, more than now in 0")


def test_what_is_forecast_is_not_counted(hazel_dormouse):
    lines = weather_itself(evidence([("2026-01-18", 9)]), hazel_dormouse)
    assert [text.split(";")[0] for text in told(lines)] == ["none"] * 4


def test_a_spell_over_new_year(hazel_dormouse):
    lines = weather_itself(evidence([("2025-12-28", 7)]), hazel_dormouse)
    assert [text.split(";")[0] for text in told(lines)] == ["7 days in 1 spell"] * 4


def test_several_spells_name_the_longest(hazel_dormouse):
    lines = weather_itself(evidence([("2025-12-05", 5), ("2026-01-05", 8)]), hazel_dormouse)
    assert told(lines)[3].startswith("13 days in 2 spells, the longest 8 days; ")


def test_winter_is_not_asked_about_in_autumn(hazel_dormouse):
    lines = weather_itself(evidence(issued="2025-10-20"), hazel_dormouse)
    assert told(lines)[2:] == ["not asked yet: December has not begun"] * 2


@pytest.mark.parametrize("years", [0, 4])
def test_without_past_winters_only_the_fixed_limit_speaks(hazel_dormouse, years):
    lines = weather_itself(evidence([("2026-01-02", 6)], years=years), hazel_dormouse)
    texts = told(lines)
    assert texts[0] == (
        f"not enough data because the limit takes 5 past winters and there are {years}"
    )
    assert texts[3].split(";")[0] == "6 days in 1 spell"


def test_nothing_observed(hazel_dormouse):
    lines = weather_itself(evidence(issued="2025-08-01"), hazel_dormouse)
    assert lines[1].strip().startswith("not enough data")
