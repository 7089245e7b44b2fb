"""Weather, place and habitat for the tests of this room; all invented."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
import xarray as xr

from riskcast.site import Habitat, Place

UNITS = {
    "air_temperature": "degC",
    "precipitation": "mm",
    "relative_humidity": "%",
    "snow_depth": "m",
    "soil_temperature": "degC",
}


@pytest.fixture(scope="session")
def place() -> Place:
    return Place(
        id="test-wood", name="Test Wood", latitude=50.0, longitude=-4.0, elevation_m=120,
        timezone="Europe/London",
    )  # fmt: skip


@pytest.fixture(scope="session")
def litter() -> Habitat:
    """Nest at 3 cm in 6 cm of litter, without trees: what is felt is conduction alone."""
    return Habitat(nest_depth_cm=3, litter_depth_cm=6, canopy="open", plants=("hazel", "oak"))


@pytest.fixture(scope="session")
def weather() -> Callable[..., xr.Dataset]:
    """Hourly weather from arrays (member, time), (time,) or numbers."""

    def make(air: Any, *, start: str = "2020-08-01", **others: Any) -> xr.Dataset:
        air = np.atleast_2d(np.asarray(air, dtype=float))
        data = {"air_temperature": air, "precipitation": 0.0} | others
        times = np.datetime64(start, "ns") + np.arange(air.shape[1]) * np.timedelta64(1, "h")
        return xr.Dataset(
            {
                name: (
                    ("member", "time"),
                    np.broadcast_to(np.asarray(values, dtype=float), air.shape).copy(),
                    {"units": UNITS[name]},
                )
                for name, values in data.items()
            },
            coords={"member": np.arange(air.shape[0]), "time": times},
        )

    return make


@pytest.fixture(scope="session")
def year_of_air() -> np.ndarray:
    """Two years of hours from 1 August: a yearly and a daily wave, and some unrest."""
    hour = np.arange(2 * 365 * 24)
    unrest = np.random.default_rng(1).normal(0.0, 0.6, hour.size)
    drift = np.convolve(unrest, np.exp(-np.arange(240) / 60.0), mode="same")
    season = 10.0 + 7.0 * np.cos(2 * np.pi * hour / (365 * 24))
    return season + 3.0 * np.sin(2 * np.pi * (hour - 9) / 24) + drift
