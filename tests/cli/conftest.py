"""A runner, and a pipeline that notes how it was called."""

from __future__ import annotations

import sys
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from click.testing import CliRunner, Result

import riskcast
from riskcast.cli.app import app


@dataclass
class FakePipeline:
    """Stands in for `riskcast.pipeline`: same names, no computing."""

    calls: list[tuple[str, tuple[Any, ...], dict[str, Any]]] = field(default_factory=list)
    error: BaseException | None = None
    levels: dict[str, str] = field(default_factory=lambda: {"monitor": "plan"})
    delivery: tuple[Any, ...] = ()
    records_note: str = ""
    weather_note: str = ""
    table: Any = None
    report: Any = None

    def _note(self, name: str, args: tuple[Any, ...], kwargs: dict[str, Any]) -> None:
        self.calls.append((name, args, kwargs))
        if progress := kwargs.get("progress"):
            progress("weather")
        if self.error is not None:
            raise self.error

    def run(self, *args: Any, **kwargs: Any) -> Any:
        self._note("run", args, kwargs)
        return SimpleNamespace(
            short_text="Check the boxes on Saturday.",
            assessment_json='{"schema": "riskcast.assessment/1"}',
            levels=self.levels,
            folder=Path("out/alder-hanger/2025-10-27"),
            files=(Path("out/alder-hanger/2025-10-27/assessment.json"),),
            delivery=self.delivery,
            records_note=self.records_note,
            weather_note=self.weather_note,
        )

    def fetch(self, *args: Any, **kwargs: Any) -> Any:
        self._note("fetch", args, kwargs)
        return SimpleNamespace(
            lines=("open-meteo ensemble, forecast: reached",),
            attribution=("Weather data by Open-Meteo.com (https://open-meteo.com/)",),
            notes=("We have 7 of 20 past years so far.",),
            as_dict=lambda: {"sources": [{"source": "open-meteo ensemble"}]},
        )

    def check(self, *args: Any, **kwargs: Any) -> Any:
        self._note("check", args, kwargs)
        return self.report

    def visits(self, *args: Any, **kwargs: Any) -> Any:
        self._note("visits", args, kwargs)
        return self.table

    def triage(self, *args: Any, **kwargs: Any) -> Any:
        self._note("triage", args, kwargs)
        return self.table

    def triage_found(self, *args: Any, **kwargs: Any) -> Any:
        self._note("triage_found", args, kwargs)
        return self.table

    def explain(self, *args: Any, **kwargs: Any) -> str:
        self._note("explain", args, kwargs)
        return "9.5 g on 18 October …"

    def explain_by_day(self, *args: Any, **kwargs: Any) -> tuple[str, Any]:
        self._note("explain_by_day", args, kwargs)
        return "9.5 g on 18 October …", self.table


@pytest.fixture
def pipeline(monkeypatch: pytest.MonkeyPatch) -> FakePipeline:
    fake = FakePipeline()
    monkeypatch.setitem(sys.modules, "riskcast.pipeline", fake)
    monkeypatch.setattr(riskcast, "pipeline", fake, raising=False)
    return fake


@pytest.fixture
def riskcast_command(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Callable[..., Result]:
    """Call ``riskcast …`` in an empty folder, away from the settings of this machine."""
    for name in ("NO_COLOR", "FORCE_COLOR", "RISKCAST_DEBUG", "RISKCAST_SMTP_PASSWORD"):
        monkeypatch.delenv(name, raising=False)
    monkeypatch.setenv("COLUMNS", "80")
    monkeypatch.chdir(tmp_path)

    def call(*arguments: str, **extra: Any) -> Result:
        return CliRunner().invoke(app, list(arguments), prog_name="riskcast", **extra)

    return call
