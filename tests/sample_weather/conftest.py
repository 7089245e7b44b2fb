"""The generator of the demonstration's weather, what it made, and the files in the repository."""

from __future__ import annotations

import importlib.util
import sys
from collections.abc import Callable
from pathlib import Path
from types import ModuleType
from typing import Any

import pandas as pd
import pytest
import xarray as xr

FOLDER = Path(__file__).parents[2] / "sample_weather"


def _load(path: Path) -> ModuleType:
    spec = importlib.util.spec_from_file_location(f"_{path.stem}_of_{path.parent.name}", path)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module  # dataclasses look their module up
    spec.loader.exec_module(module)
    return module


@pytest.fixture(scope="session")
def load_module() -> Callable[[Path], ModuleType]:
    """Imports a script by its path."""
    return _load


@pytest.fixture(scope="session")
def generator() -> ModuleType:
    return _load(FOLDER / "generate.py")


@pytest.fixture(scope="session")
def made(generator: ModuleType) -> Any:
    """History as generated now, before it is packed."""
    return generator.history()


@pytest.fixture(scope="session")
def history() -> xr.Dataset:
    with xr.open_dataset(FOLDER / "history.nc") as file:
        return file.load().astype(float)


@pytest.fixture(scope="session")
def hourly(history: xr.Dataset) -> pd.DataFrame:
    cell = history.squeeze(["latitude", "longitude"], drop=True)
    return cell.to_dataframe()[list(history.data_vars)]


@pytest.fixture(scope="session")
def daily(hourly: pd.DataFrame, generator: ModuleType) -> pd.DataFrame:
    """UTC days: mean, warmest and coldest hour, rain, and the stated normal of the day."""
    days = hourly.resample("D")
    air = days["air_temperature"]
    noon = air.mean().index.to_numpy().astype("datetime64[h]") + 12
    return pd.DataFrame(
        {
            "mean": air.mean(),
            "warmest": air.max(),
            "coldest": air.min(),
            "rain": days["precipitation"].sum(),
            "normal": generator.by_season(generator.MEAN_TEMPERATURE, noon),
            "sd": generator.by_season(generator.DAILY_MEAN_SD, noon),
        }
    )


@pytest.fixture(scope="session")
def past(daily: pd.DataFrame) -> pd.DataFrame:
    """The 21 years that follow no script."""
    return daily[:"2025-06-30"]


@pytest.fixture(scope="session")
def forecasts(generator: ModuleType) -> dict[str, xr.Dataset]:
    out = {}
    for issued in generator.ISSUES:
        with xr.open_dataset(FOLDER / f"forecast-{issued}.nc") as file:
            out[issued] = file.load().squeeze(["latitude", "longitude"], drop=True)
    return out
