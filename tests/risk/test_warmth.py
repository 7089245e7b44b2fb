"""Days of the visiting calendar, and warm spells against the site's own past."""

from __future__ import annotations

import datetime as dt

import numpy as np
import pandas as pd
import pytest
import xarray as xr

from riskcast import species
from riskcast.habitat.spells import daily, runs
from riskcast.risk.warmth import calendar, warm_spell, warm_spell_limits

SP = species.load("hazel_dormouse")
ZONE = "Europe/London"


def weather(members: int, change=lambda data, times: None) -> xr.Dataset:
    """Invented hours: a yearly and a daily wave, and some noise that differs by member."""
    times = pd.date_range("2025-12-01", "2026-02-28 23:00", freq="h")
    hours = np.arange(times.size)
    rng = np.random.default_rng(1)
    air = (
        5
        - 3 * np.cos(2 * np.pi * (hours % 24 - 3) / 24)
        + rng.normal(0, 1.5, (members, 90)).repeat(24, axis=1)
    )
    data = {
        "air_temperature": air,
        "precipitation": np.zeros_like(air),
        "wind_speed": np.full_like(air, 3.0),
    }
    change(data, times)
    return xr.Dataset(
        {name: (("member", "time"), values) for name, values in data.items()},
        coords={
            "member": np.arange(members),
            "time": times.to_numpy(),
            "provenance": ("time", np.where(times < "2026-01-12", "observed", "forecast")),
        },
    )


def test_run_rule():
    """xclim's run-length rule: window 3 on this row gives 9 days in 2 events, longest 6."""
    row = np.array([0, 1, 1, 1, 0, 1, 1, 0, 1, 1, 1, 1, 1, 1, 0], dtype=bool)
    found = runs(row, 3)
    assert [end - start for start, end in found] == [3, 6]


def test_daily_maximum_follows_the_local_day():
    wet = weather(1)
    out = daily(wet["air_temperature"], ZONE, "max")
    assert out.sizes["day"] == 90
    first = wet["air_temperature"].isel(member=0, time=slice(0, 24)).max()
    assert float(out[0, 0]) == pytest.approx(float(first))


def test_rain_in_the_visiting_hours_makes_a_day_unfit():
    def change(data, times):
        local = times.tz_localize("UTC").tz_convert(ZONE)
        data["precipitation"][0, (local.day == 17) & (local.month == 1) & (local.hour == 10)] = 9.0
        data["precipitation"][1, (local.day == 18) & (local.month == 1) & (local.hour == 22)] = 9.0
        data["wind_speed"][:, (local.day == 19) & (local.month == 1)] = 14.0

    days = calendar(weather(2, change), dt.date(2026, 1, 12), ZONE, SP)
    by_day = dict(zip(days.days, days.unfit_weather, strict=True))
    assert days.days[0] == dt.date(2026, 1, 12)
    assert by_day[dt.date(2026, 1, 17)] == 0.5
    assert by_day[dt.date(2026, 1, 18)] == 0.0
    assert by_day[dt.date(2026, 1, 19)] == 1.0


def test_a_warm_spell_is_dated_to_the_day():
    def change(data, times):
        data["air_temperature"][:, (times >= "2026-01-14") & (times < "2026-01-22")] += 12.0

    past = weather(20)
    spell = warm_spell(weather(11, change), past, dt.date(2026, 1, 12), ZONE, SP)
    assert spell is not None
    assert (spell.start, spell.end, spell.days) == (dt.date(2026, 1, 14), dt.date(2026, 1, 21), 8)
    assert spell.share == 1.0
    assert warm_spell(weather(11), past, dt.date(2026, 1, 12), ZONE, SP) is None


def test_five_warm_days_are_no_spell():
    def change(data, times):
        data["air_temperature"][:, (times >= "2026-01-14") & (times < "2026-01-19")] += 12.0

    assert warm_spell(weather(11, change), weather(20), dt.date(2026, 1, 12), ZONE, SP) is None


def test_a_spell_that_is_over_is_not_told():
    def change(data, times):
        data["air_temperature"][:, (times >= "2026-01-03") & (times < "2026-01-11")] += 12.0

    assert warm_spell(weather(11, change), weather(20), dt.date(2026, 1, 12), ZONE, SP) is None


def test_limits_are_exceeded_on_a_tenth_of_the_days():
    past = weather(20)
    warmest = daily(past["air_temperature"], ZONE, "max")
    above = warmest.to_numpy() > warm_spell_limits(past, ZONE, SP).to_numpy()
    assert above.mean() == pytest.approx(0.1, abs=0.02)


@pytest.mark.parametrize(("stamp", "unfit"), [(9, 0.0), (10, 1.0), (15, 1.0), (16, 0.0)])
def test_rain_counts_in_the_hour_that_ends_at_its_stamp(stamp, unfit):
    """A visit from 9 to 15 o'clock: rain stamped 9 fell before it, rain stamped 15 within it."""

    def change(data, times):
        local = times.tz_localize("UTC").tz_convert(ZONE)
        data["precipitation"][:, (local.day == 17) & (local.month == 1) & (local.hour == stamp)] = 9

    days = calendar(weather(2, change), dt.date(2026, 1, 12), ZONE, SP)
    assert days.unfit_weather[days.days.index(dt.date(2026, 1, 17))] == unfit
