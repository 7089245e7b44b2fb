"""The season 2025-26 follows its script, and the forecasts see it coming as good ones would."""

from __future__ import annotations

from types import ModuleType
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
import pytest
import xarray as xr

OCTOBER, JANUARY, MARCH = "2025-10-27", "2026-01-12", "2026-03-30"
# 99.9 % of the chi-squared distribution with 4 degrees of freedom (statistical tables).
CHI_SQUARED_4 = 18.47


def days(start: str, end: str) -> list[str]:
    return [f"{day:%Y-%m-%d}" for day in pd.date_range(start, end)]


def limit(past: pd.DataFrame, day: str) -> float:
    """90th percentile of the daily maximum in 20 past winters, in a window of five days."""
    date = pd.Timestamp(day)
    back = range(1, 21)
    middles = [date - pd.DateOffset(years=years) for years in back]
    window = [m + pd.Timedelta(days=d) for m in middles for d in range(-2, 3)]
    return float(np.quantile(past["warmest"].reindex(window).dropna(), 0.9))


def by_day(ensemble: xr.Dataset, how: str) -> xr.DataArray:
    """(number, time) of UTC days."""
    resampled = ensemble["air_temperature"].resample(time="1D")
    return getattr(resampled, how)().transpose("number", "time")


def test_mild_dry_october(daily: pd.DataFrame, past: pd.DataFrame) -> None:
    october = daily["2025-10-01":"2025-11-01"]
    assert 0.7 < (october["mean"] - october["normal"]).mean() < 2.3
    assert (daily["mean"] - daily["normal"])["2025-10-27":"2025-11-01"].mean() > 0.5
    rain = past["rain"].groupby([past.index.year, past.index.month]).sum()
    assert october["rain"].sum() < rain.xs(10, level=1).median()


def test_cold_november(daily: pd.DataFrame) -> None:
    assert daily["mean"]["2025-11-01"] > 9
    cold = daily["2025-11-04":"2025-11-20"]
    assert cold["mean"].between(-0.5, 4.5).all()
    assert (cold["coldest"] < 0).sum() >= 5
    assert daily["mean"]["2025-11-22"] > 4.5


def test_first_warm_spell(daily: pd.DataFrame, past: pd.DataFrame) -> None:
    above = [daily["warmest"][d] > limit(past, d) for d in days("2025-12-20", "2025-12-27")]
    assert sum(above) >= 6
    assert (daily["mean"] - daily["normal"])["2025-12-20":"2025-12-27"].mean() > 5


def test_second_warm_spell_is_eight_days_long(daily: pd.DataFrame, past: pd.DataFrame) -> None:
    for day in days("2026-01-14", "2026-01-21"):
        assert daily["warmest"][day] > limit(past, day) + 1.0, day
    for day in ("2026-01-13", "2026-01-22"):
        assert daily["warmest"][day] < limit(past, day) - 1.0, day


def test_winter_between_is_near_normal(daily: pd.DataFrame) -> None:
    anomaly = daily["mean"] - daily["normal"]
    assert abs(anomaly["2026-01-23":"2026-03-15"].mean()) < 1.0


def test_warm_end_of_march_in_a_mild_spring(daily: pd.DataFrame) -> None:
    anomaly = daily["mean"] - daily["normal"]
    assert 3.5 < anomaly["2026-03-25":"2026-04-02"].mean() < 6.0
    assert 0.0 < anomaly["2026-02-25":"2026-03-24"].mean() < 2.0
    assert -0.5 < anomaly["2026-04-03":"2026-04-30"].mean() < 1.5


# --- the ensembles --------------------------------------------------------------------------


@pytest.mark.parametrize("issued", [OCTOBER, JANUARY, MARCH])
def test_shape(forecasts: dict[str, xr.Dataset], issued: str) -> None:
    ensemble = forecasts[issued]
    assert dict(ensemble.sizes) == {"number": 51, "time": 360}
    assert ensemble["forecast_reference_time"].values == np.datetime64(issued)
    assert ensemble["time"].values[0] == np.datetime64(issued)
    assert ensemble["number"].attrs["standard_name"] == "realization"
    assert (ensemble["snow_depth"] >= 0).all()


@pytest.mark.parametrize("issued", [OCTOBER, JANUARY, MARCH])
def test_spread_grows(generator: ModuleType, forecasts: dict[str, xr.Dataset], issued: str) -> None:
    spread = forecasts[issued]["air_temperature"].std("number").values
    by_third = spread.reshape(3, 120).mean(axis=1)
    assert (np.diff(by_third) > 0).all()
    # The stated line; the SD of 51 members has an error of a tenth.
    last = by_day(forecasts[issued], "mean").std("number").values[-1]
    for found, lead in ((spread[0], 0.0), (last, 14.5)):
        share = lead / generator.FORECAST_DAYS
        stated = (1 - share) * generator.SPREAD_FIRST + share * generator.SPREAD_LAST
        assert abs(found / stated - 1) < 3 / np.sqrt(2 * 50), lead


def test_truth_lies_inside(
    forecasts: dict[str, xr.Dataset], daily: pd.DataFrame, hourly: pd.DataFrame
) -> None:
    """Chance would have it outside on 2 days of 52."""
    outside, ranks = 0, []
    for ensemble in forecasts.values():
        means = by_day(ensemble, "mean")
        truth = daily["mean"].reindex(means["time"].values).to_numpy()
        rank = (means.values < truth).sum(axis=0)
        outside += int(((rank == 0) | (rank == 51)).sum())
        ranks.append(rank.mean() / 51)
    assert outside <= 4
    assert 0.3 < np.mean(ranks) < 0.7


def test_ranks_of_the_truth_are_flat(generator: ModuleType, made: Any) -> None:
    """In 80 forecasts of past winters the truth takes every place among 51 members as often."""
    places: dict[tuple[str, int], list[int]] = {}
    rng = np.random.default_rng(1)
    for number in range(80):
        year, day = 2004 + number // 4, 25 * (number % 4)
        issued = str(np.datetime64(f"{year}-10-20") + day)
        times, values = generator.forecast(made, issued, number)
        at = int((times[0] - made.chance.times[0]) / np.timedelta64(1, "h"))
        for name in ("air_temperature", "relative_humidity", "wind_speed", "precipitation"):
            for lead in (1, 6, 12):
                hours = slice(24 * lead, 24 * lead + 24)
                members = values[name][:, hours].mean(axis=1)
                truth = made.values[name][0, at + 24 * lead : at + 24 * lead + 24].mean()
                places.setdefault((name, lead), []).append(_place(members, truth, rng))
    for which, found in places.items():
        counts = np.bincount(np.array(found) * 5 // 52, minlength=5)
        expected = np.bincount(np.arange(52) * 5 // 52) / 52 * len(found)
        assert np.sum((counts - expected) ** 2 / expected) < CHI_SQUARED_4, which


def _place(members: npt.NDArray[np.float64], truth: float, rng: np.random.Generator) -> int:
    """How many members lie below; among equals (no rain anywhere) by lot."""
    equal = int(np.isclose(members, truth, rtol=0, atol=1e-9).sum())
    below = int((members < truth - 1e-9).sum())
    return below + int(rng.integers(0, equal + 1))


def test_october_forecast_sees_the_cold(forecasts: dict[str, xr.Dataset]) -> None:
    means = by_day(forecasts[OCTOBER], "mean")
    before = means.sel(time=slice("2025-10-27", "2025-11-01"))
    assert float(before.median("number").min()) > 9
    after = means.sel(time=slice("2025-10-31", None)) < 6.0
    first = after["time"].values[after.values.argmax(axis=1)]
    # The cold comes on the 3rd in the script.
    near = np.abs(first - np.datetime64("2025-11-03")) <= np.timedelta64(1, "D")
    assert near.mean() > 0.9
    assert float((means.sel(time=slice("2025-11-04", "2025-11-08")) < 6.5).mean()) > 0.9


def test_october_forecast_leaves_1_november_fit_for_a_visit(
    forecasts: dict[str, xr.Dataset],
) -> None:
    hours = forecasts[OCTOBER].sel(time=slice("2025-11-01T09", "2025-11-01T15"))
    assert float((hours["precipitation"].sum("time") > 3).mean()) < 0.2
    assert float((hours["wind_speed"].mean("time") > 10).mean()) < 0.2


def test_january_forecast_sees_the_spell(
    forecasts: dict[str, xr.Dataset], past: pd.DataFrame
) -> None:
    warmest = by_day(forecasts[JANUARY], "max")
    limits = np.array([limit(past, f"{pd.Timestamp(d):%Y-%m-%d}") for d in warmest["time"].values])
    median = warmest.median("number").values > limits
    spell = [f"{pd.Timestamp(d):%Y-%m-%d}" for d in warmest["time"].values[median]]
    assert spell == days("2026-01-14", "2026-01-21")
    inside = (warmest.values > limits)[:, 2:10]
    assert (inside.sum(axis=1) >= 6).mean() > 0.85


def test_march_forecast_turns_cooler(forecasts: dict[str, xr.Dataset]) -> None:
    means = by_day(forecasts[MARCH], "mean")
    warm = means.sel(time=slice("2026-03-30", "2026-04-01"))
    later = means.sel(time=slice("2026-04-04", "2026-04-10"))
    assert float((warm > 10.5).mean()) > 0.9
    assert float((later.mean("time") < warm.mean("time") - 1.0).mean()) > 0.8
