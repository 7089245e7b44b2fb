"""The files of the invented weather: labelled, whole, small, and made again the same."""

from __future__ import annotations

from pathlib import Path
from types import ModuleType
from typing import Any

import numpy as np
import pytest
import xarray as xr

from riskcast import site, weather

FOLDER = Path(__file__).parents[2] / "sample_weather"
FILES = sorted(FOLDER.glob("*.nc"))


def test_small() -> None:
    assert len(FILES) == 4
    everything = [path for path in FOLDER.rglob("*") if path.is_file()]
    assert sum(path.stat().st_size for path in everything) < 4e6


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.name)
def test_says_that_it_is_invented(path: Path) -> None:
    with xr.open_dataset(path) as file:
        assert "INVENTED" in file.attrs["title"]
        assert "INVENTED" in file.attrs["source"]
        assert file.attrs["licence"]
        assert file.attrs["Conventions"].startswith("CF-")
    assert "INVENTED" in (FOLDER / "README.md").read_text("utf-8").upper()


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.name)
def test_packed_whole_and_described(path: Path, generator: ModuleType) -> None:
    with xr.open_dataset(path, mask_and_scale=False) as raw:
        assert set(raw.data_vars) == set(generator.VARIABLES)
        for name, variable in raw.data_vars.items():
            assert variable.dtype == np.int16
            assert not (variable == variable.attrs["_FillValue"]).any(), name
            assert variable.attrs["standard_name"]
            assert variable.attrs["units"] == generator.VARIABLES[name][2]
    with xr.open_dataset(path) as file:
        assert (np.diff(file["time"].values) == np.timedelta64(1, "h")).all()


def test_covers_21_winters_and_the_season(history: xr.Dataset) -> None:
    times = history["time"].values
    assert times[0] == np.datetime64("2004-07-01T00")
    assert times[-1] == np.datetime64("2026-05-31T23")


def test_made_again_history(generator: ModuleType, made: Any, history: xr.Dataset) -> None:
    for name, (*_, step) in generator.VARIABLES.items():
        apart = np.abs(history[name].values[:, 0, 0] - made.values[name][0])
        # Half a step of packing; a little more, because other processors round otherwise.
        assert apart.max() < 0.51 * step, name


def test_made_again_forecasts(
    generator: ModuleType, made: Any, forecasts: dict[str, xr.Dataset]
) -> None:
    for issued, seed in generator.ISSUES.items():
        times, values = generator.forecast(made, issued, seed)
        assert (forecasts[issued]["time"].values == times).all()
        for name, (*_, step) in generator.VARIABLES.items():
            apart = np.abs(forecasts[issued][name].values - values[name])
            assert apart.max() < 0.51 * step, (issued, name)


def test_another_seed_is_another_weather(
    generator: ModuleType, made: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(generator, "SEED", generator.SEED + 1)
    other = generator.history()
    alike = np.corrcoef(other.chance.wind[0], made.chance.wind[0])[0, 1]
    assert abs(alike) < 0.1


def test_riskcast_reads_them_without_a_remark() -> None:
    place = site.Place(
        id="here", name="here", latitude=50, longitude=-4, elevation_m=120, timezone="UTC"
    )
    config = site.Weather(
        forecast=str(FOLDER / "forecast-*.nc"), history=str(FOLDER / "history.nc")
    )
    season = weather.season(config, place, issued_at=np.datetime64("2026-01-12T23:59"))
    assert season.notes == ()
    assert season.reference_time == np.datetime64("2026-01-12")
    assert season.past_years.sizes["member"] == 20
    assert "nvented" in season.futures.attrs["attribution"]
