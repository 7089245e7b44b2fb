"""The house itself: layers, top level, module length, public names, one name per idea."""

from __future__ import annotations

import importlib
import inspect
import pkgutil
import re
import subprocess
import sys
from pathlib import Path

import pytest

import riskcast

ROOT = Path(__file__).parent.parent
PACKAGE = ROOT / "riskcast"
ROOMS = [
    "advice",
    "animals",
    "archive",
    "base",
    "cli",
    "delivery",
    "habitat",
    "physiology",
    "pipeline",
    "report",
    "risk",
    "site",
    "species",
    "weather",
]


def test_layers_are_kept():
    contracts = subprocess.run(
        [Path(sys.executable).parent / "lint-imports", "--no-cache"],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=False,
    )
    assert contracts.returncode == 0, contracts.stdout[-4000:]


def test_top_level_is_what_was_agreed():
    if not (ROOT / ".git").exists():
        pytest.skip("not a checkout")
    listed = subprocess.run(
        ["git", "ls-files"], cwd=ROOT, capture_output=True, text=True, check=True
    ).stdout.splitlines()
    top = {name.split("/")[0] for name in listed if not name.startswith(".")}
    assert top == {
        "README.md",
        "DEVELOPERS.md",
        "pyproject.toml",
        "riskcast",
        "configs",
        "tests",
        "sample_weather",
    }


def test_no_module_is_longer_than_one_sitting():
    long = {
        str(path.relative_to(ROOT)): lines
        for path in PACKAGE.rglob("*.py")
        if (lines := len(path.read_text("utf-8").splitlines())) > 400
    }
    assert long == {}


@pytest.mark.parametrize("room", ROOMS)
def test_public_names_equal_reality(room):
    module = importlib.import_module(f"riskcast.{room}")
    names = getattr(module, "__all__", [])
    assert list(names) == sorted(set(names), key=names.index)
    assert [name for name in names if not hasattr(module, name)] == []


@pytest.mark.parametrize("room", [room for room in ROOMS if room not in ("cli",)])
def test_every_module_lists_its_public_names(room):
    package = importlib.import_module(f"riskcast.{room}")
    for info in pkgutil.walk_packages(package.__path__, f"riskcast.{room}."):
        module = importlib.import_module(info.name)
        assert hasattr(module, "__all__"), info.name
        assert [name for name in module.__all__ if not hasattr(module, name)] == [], info.name
        unlisted = [
            name
            for name, it in vars(module).items()
            if (inspect.isclass(it) or inspect.isfunction(it))
            and it.__module__ == info.name
            and not name.startswith("_")
            and name not in module.__all__
        ]
        assert unlisted == [], info.name


def test_public_surface_of_the_package():
    assert [name for name in riskcast.__all__ if not hasattr(riskcast, name)] == []


# One name per idea: these words have another name here (see the glossary in DEVELOPERS.md).
SYNONYMS = {
    "hibernaculum": "nest",
    "survival": "share of futures in which the reserve lasts",
    "threshold temperature": "set point",
    "ambient_temperature": "air_temperature",
    "tair": "air_temperature",
    "individual_id": "organism_id",
    "weight_g": "body_mass_g",
    "metabolic_rate": "torpid_rate",
}


def test_no_synonym_drifts_in():
    found = []
    for path in [*PACKAGE.rglob("*.py"), *PACKAGE.rglob("*.toml"), *PACKAGE.rglob("*.j2")]:
        text = path.read_text("utf-8").casefold()
        found += [
            f"{path.relative_to(ROOT)}: {word}"
            for word in SYNONYMS
            if re.search(rf"\b{re.escape(word)}\b", text)
        ]
    assert found == []
