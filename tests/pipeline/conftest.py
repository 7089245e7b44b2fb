"""Whole runs of the demonstration: as it ships on its three dates, and smaller ones to vary.

Every run has a folder of its own with its own archive, so that no test hears what another
one said. The smaller ones have every fifth member of the forecast, eight past winters and few
draws: the same way, a quarter of the time.
"""

from __future__ import annotations

import datetime as dt
import json
import re
import shutil
from collections.abc import Callable
from dataclasses import dataclass, field
from email import message_from_bytes, policy
from email.message import EmailMessage
from pathlib import Path
from typing import Any

import pytest
import xarray as xr

from riskcast import advice as advising
from riskcast import pipeline
from riskcast.site import load_site

ROOT = Path(__file__).parents[2]
DEMO = ROOT / "configs" / "alder-hanger"
SAMPLE = ROOT / "sample_weather"
FEW_DRAWS, FEW_YEARS, EVERY = 64, 8, 5

AUTUMN, WINTER, SPRING = dt.date(2025, 10, 27), dt.date(2026, 1, 12), dt.date(2026, 3, 30)


@pytest.fixture(scope="session")
def dates() -> tuple[dt.date, dt.date, dt.date]:
    """The three dates of the demonstration: autumn, winter, spring."""
    return AUTUMN, WINTER, SPRING


def toml(value: Any) -> str:
    """A value as TOML."""
    if isinstance(value, dt.date):
        return value.isoformat()
    if isinstance(value, list | tuple):
        return f"[{', '.join(map(toml, value))}]"
    return json.dumps(str(value) if isinstance(value, Path) else value, ensure_ascii=False)


@pytest.fixture(scope="session")
def write_site() -> Callable[..., Path]:
    """`write_site(folder, more="", **values)`: the demonstration's site file, some keys changed."""

    def write(folder: Path, more: str = "", **values: Any) -> Path:
        text = (DEMO / "site.toml").read_text("utf-8")
        given = {
            "files": [DEMO / "weights.xlsx"],
            "forecast": SAMPLE / "forecast-*.nc",
            "history": SAMPLE / "history.nc",
            "folder": folder / "archive",
            **values,
        }
        for key, value in given.items():
            line = re.compile(rf"^(?:# )?{key} = .*$", re.MULTILINE)
            assert len(line.findall(text)) == 1, f"{key} stands once in the site file"
            text = line.sub(lambda _, k=key, v=value: f"{k} = {toml(v)}", text)
        folder.mkdir(parents=True, exist_ok=True)
        path = folder / "site.toml"
        path.write_text(text + more, "utf-8")
        return path

    return write


@dataclass(frozen=True)
class Seen:
    """A run as tests look at it."""

    run: pipeline.Run
    site: Path

    @property
    def assessment(self) -> Any:
        return self.run.assessment

    @property
    def document(self) -> dict[str, Any]:
        return json.loads(self.run.assessment_json)

    def advice(self, role: str) -> advising.Advice:
        return next(one for one in self.run.advice if one.role == role)

    def letter(self, role: str) -> advising.Letter:
        return next(one for one in self.run.letters if one.role == role)

    def risk(self, name: str) -> Any:
        return self.run.assessment.risk(name)

    def animal(self, text: str) -> Any:
        return next(a for a in self.run.assessment.animals if text in a.label)

    @property
    def eml(self) -> dict[str, EmailMessage]:
        """Messages on disk by file name, parsed."""
        return {
            path.name: message_from_bytes(path.read_bytes(), policy=policy.default)  # type: ignore[misc]
            for path in sorted(self.run.folder.glob("*.eml"))
        }

    @property
    def bytes_on_disk(self) -> dict[str, bytes]:
        return {path.name: path.read_bytes() for path in sorted(self.run.folder.iterdir())}


@pytest.fixture(scope="session")
def full_run(
    tmp_path_factory: pytest.TempPathFactory, write_site: Callable[..., Path]
) -> Callable[[dt.date], Seen]:
    """`full_run(day)`: the demonstration exactly as it ships, computed once a day asked for."""
    kept: dict[dt.date, Seen] = {}

    def run(day: dt.date) -> Seen:
        if day not in kept:
            folder = tmp_path_factory.mktemp(f"full-{day}")
            site = write_site(folder)
            kept[day] = Seen(pipeline.run(site, as_of=day, out=folder / "out"), site)
        return kept[day]

    return run


@pytest.fixture(scope="session", params=[AUTUMN, WINTER, SPRING], ids=str)
def each_run(request: pytest.FixtureRequest, full_run: Callable[[dt.date], Seen]) -> Seen:
    """The full run of each of the three dates in turn."""
    return full_run(request.param)


# --- smaller weather, to be changed -------------------------------------------------------------


@dataclass(frozen=True)
class SmallWeather:
    """The demonstration's weather, thinned and cut, in memory and as files."""

    folder: Path
    history: xr.Dataset
    forecasts: dict[dt.date, xr.Dataset] = field(default_factory=dict)

    def copy(self, folder: Path) -> Path:
        """The files in another folder."""
        return Path(shutil.copytree(self.folder, folder))

    def changed(
        self,
        folder: Path,
        day: dt.date,
        *,
        forecast: Callable[[xr.Dataset], xr.Dataset] | None = None,
        history: Callable[[xr.Dataset], xr.Dataset] | None = None,
    ) -> dict[str, Path]:
        """Weather of one date of issue with a change, as values for `write_site`."""
        folder.mkdir(parents=True, exist_ok=True)
        name = f"forecast-{day}.nc"
        made = {"forecast": folder / name, "history": self.folder / "history.nc"}
        course = self.forecasts[day]
        (course if forecast is None else forecast(course.copy(deep=True))).to_netcdf(folder / name)
        if history is not None:
            made["history"] = folder / "history.nc"
            history(self.history.copy(deep=True)).to_netcdf(made["history"])
        return made


@pytest.fixture(scope="session")
def small_weather(tmp_path_factory: pytest.TempPathFactory) -> SmallWeather:
    folder = tmp_path_factory.mktemp("small-weather")
    first = f"{2025 - FEW_YEARS}-07-01"
    with xr.open_dataset(SAMPLE / "history.nc") as file:
        history = file.sel(time=slice(first, None)).load()
    _unpacked(history).to_netcdf(folder / "history.nc")
    forecasts = {}
    for day in (AUTUMN, WINTER, SPRING):
        with xr.open_dataset(SAMPLE / f"forecast-{day}.nc") as file:
            forecasts[day] = _unpacked(file.isel(number=slice(None, None, EVERY)).load())
        forecasts[day].to_netcdf(folder / f"forecast-{day}.nc")
    return SmallWeather(folder, history, forecasts)


def _unpacked(data: xr.Dataset) -> xr.Dataset:
    """As plain floats: changed weather must not be squeezed into the integers of the old."""
    for variable in data.variables.values():
        variable.encoding = {}
    return data


@pytest.fixture(scope="session")
def small_site(write_site: Callable[..., Path], small_weather: SmallWeather) -> Callable[..., Path]:
    """`small_site(folder, **values)`: as `write_site`, with the smaller weather."""

    def write(folder: Path, more: str = "", **values: Any) -> Path:
        weather = {
            "forecast": small_weather.folder / "forecast-*.nc",
            "history": small_weather.folder / "history.nc",
            "past_years": FEW_YEARS,
        }
        return write_site(folder, more, **{**weather, **values})

    return write


@pytest.fixture(scope="session")
def small_run(small_site: Callable[..., Path]) -> Callable[..., Seen]:
    """`small_run(folder, day, **values)`: a run of the smaller demonstration, keys changed."""

    def run(folder: Path, day: dt.date | dt.datetime, *, seed: int = 0, **values: Any) -> Seen:
        site = small_site(folder, **values)
        out = folder / "out"
        return Seen(pipeline.run(site, as_of=day, out=out, draws=FEW_DRAWS, seed=seed), site)

    return run


@pytest.fixture(scope="session")
def usual(
    tmp_path_factory: pytest.TempPathFactory, small_run: Callable[..., Seen]
) -> Callable[[dt.date], Seen]:
    """`usual(day)`: the smaller demonstration with nothing changed, computed once."""
    kept: dict[dt.date, Seen] = {}

    def run(day: dt.date) -> Seen:
        if day not in kept:
            kept[day] = small_run(tmp_path_factory.mktemp(f"usual-{day}"), day)
        return kept[day]

    return run


@pytest.fixture(scope="session")
def demo_site() -> Any:
    """The demonstration's own site file, loaded."""
    return load_site(DEMO / "site.toml")


@pytest.fixture(scope="session")
def weight_rows() -> list[dict[str, Any]]:
    """The demonstration's sheet as rows: heading of ours -> text; empty boxes among them."""
    import openpyxl

    from riskcast.animals.sheet import HEADINGS

    rows = list(openpyxl.load_workbook(DEMO / "weights.xlsx").worksheets[0].values)[1:]
    out = []
    for row in rows:
        cells = dict(zip(HEADINGS, row, strict=False))
        cells["event_date"] = cells["event_date"].date().isoformat()
        out.append({key: "" if cell is None else cell for key, cell in cells.items()})
    return out


@pytest.fixture(scope="session")
def write_weights() -> Callable[..., Path]:
    """`write_weights(path, rows)`: rows as a CSV sheet."""
    import csv

    def write(path: Path, rows: list[dict[str, Any]]) -> Path:
        with path.open("w", encoding="utf-8", newline="") as file:
            writer = csv.DictWriter(file, list(rows[0]))
            writer.writeheader()
            writer.writerows(rows)
        return path

    return write
