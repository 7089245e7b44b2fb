"""What many tests share: the species, nests of constant temperature, real data, no network."""

from __future__ import annotations

import os
import socket
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
import xarray as xr

from riskcast import species


def pytest_ignore_collect(collection_path: Path, config: pytest.Config) -> bool | None:
    """Benchmarks run when they are asked for by name, never with the suite."""
    asked = any("benchmarks" in argument for argument in config.args)
    return True if collection_path.name == "benchmarks" and not asked else None


@pytest.fixture(scope="session")
def hazel_dormouse() -> species.Species:
    return species.load("hazel_dormouse")


@pytest.fixture(scope="session")
def garden_dormouse() -> species.Species:
    return species.load("garden_dormouse")


@pytest.fixture(scope="session")
def nest_series() -> Callable[..., xr.DataArray]:
    """Nest temperatures from an array (member, time) or a number, hourly from a start."""

    def make(values: Any, *, days: int | None = None, start: str = "2020-11-20") -> xr.DataArray:
        array = np.asarray(values, dtype=float)
        if array.ndim == 0:
            assert days is not None
            array = np.full((1, days * 24), float(array))
        array = np.atleast_2d(array)
        times = pd.date_range(start, periods=array.shape[1], freq="h").to_numpy()
        return xr.DataArray(
            array,
            dims=("member", "time"),
            coords={"member": np.arange(array.shape[0]), "time": times},
            attrs={"units": "degC"},
            name="nest_temperature",
        )

    return make


@pytest.fixture(scope="session")
def real_data() -> Path:
    """Folder of real recorded files that RISKCAST_REAL_DATA names; without it, a skip."""
    named = os.environ.get("RISKCAST_REAL_DATA")
    if not named:
        pytest.skip("RISKCAST_REAL_DATA does not name a folder of real files")
    folder = Path(named)
    if not (folder / "weather").is_dir():
        pytest.fail(f"RISKCAST_REAL_DATA={named} holds no folder 'weather'")
    return folder


@pytest.fixture(autouse=True)
def _loopback_only(monkeypatch: pytest.MonkeyPatch) -> None:
    """The network is off, except for servers a test starts on this machine."""
    connect = socket.socket.connect

    def guarded(self: socket.socket, address: Any) -> Any:
        if self.family in (socket.AF_INET, socket.AF_INET6):
            host = str(address[0])
            if not (host.startswith("127.") or host in ("::1", "localhost")):
                raise AssertionError(f"a test tried to reach {host}")
        return connect(self, address)

    monkeypatch.setattr(socket.socket, "connect", guarded)


@pytest.fixture(autouse=True)
def _folders_of_its_own(
    tmp_path_factory: pytest.TempPathFactory, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Whoever runs the tests keeps their own cache and archive as they are."""
    home = tmp_path_factory.mktemp("account")
    for name, folder in {
        "XDG_CACHE_HOME": "cache",
        "XDG_STATE_HOME": "state",
        "LOCALAPPDATA": "windows",
    }.items():
        monkeypatch.setenv(name, str(home / folder))
