"""The README keeps its word: order, commands, and an alert that is what comes out."""

from __future__ import annotations

import re
import shlex
from pathlib import Path

import pytest
from click.testing import CliRunner

from riskcast.cli.app import app

ROOT = Path(__file__).parent.parent
README = (ROOT / "README.md").read_text("utf-8")


def block_under(heading: str) -> str:
    section = README.split(f"\n## {heading}\n", 1)[1].split("\n## ", 1)[0]
    found = re.search(r"```sh\n(.*?)```", section, re.DOTALL)
    assert found
    return found.group(1)


def test_opens_with_the_job_in_one_paragraph():
    title, paragraph, following = README.split("\n\n", 2)
    assert title == "# riskcast"
    for person in ("monitor", "coordinator", "rehabilitator"):
        assert person in paragraph
    assert following.startswith("## Run it")


@pytest.mark.parametrize(
    ("heading", "last"),
    [("Run it", "--as-of 2025-10-27"), ("Test it", "-m pytest")],
)
def test_first_block_is_one_command_line(heading, last):
    lines = block_under(heading).strip().splitlines()
    assert len(lines) == 1
    assert lines[0].endswith(last)
    assert shlex.split(lines[0])[:4] == ["python3", "-m", "venv", ".venv"]


def test_every_command_has_a_line():
    for name in app.commands:
        assert f"`riskcast {name}" in README


def test_licence_is_stated_here_and_in_the_project_file():
    assert "MIT licence" in README
    assert 'license = "MIT"' in (ROOT / "pyproject.toml").read_text("utf-8")


def test_the_alert_is_what_comes_out(tmp_path):
    shown = re.search(r"<!-- alert of (\S+):.*?-->\n```text\n(.*?)```", README, re.DOTALL)
    assert shown
    site = str(ROOT / "configs" / "alder-hanger" / "site.toml")
    done = CliRunner().invoke(app, ["run", site, "--as-of", shown.group(1), "--out", str(tmp_path)])
    assert done.exit_code == 0, done.output
    assert done.stdout.strip() == shown.group(2).strip()
