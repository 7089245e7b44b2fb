"""Every library that a reference test skips without can be had by an extra of ours."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path

HERE = Path(__file__).parent


def test_every_witness_is_named_in_an_extra():
    project = tomllib.loads((HERE.parents[1] / "pyproject.toml").read_text("utf-8"))["project"]
    extras = project["optional-dependencies"]
    named = {re.split(r"[<>=!~;\[ ]", needed)[0].casefold()
             for extra in ("test", "reference", "grib") for needed in extras[extra]}  # fmt: skip
    asked = {
        name.casefold()
        for path in HERE.glob("test_*.py")
        for name in re.findall(r'importorskip\("(\w+)', path.read_text("utf-8"))
    }
    assert "pyphenology" in asked
    assert asked <= named
