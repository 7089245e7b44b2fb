"""Help, version, endings, streams and colour: what all commands have in common."""

from __future__ import annotations

import json
import os
import re
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import click
import pytest
from click.testing import Result

import riskcast
from riskcast.base import errors
from riskcast.cli.app import app
from riskcast.cli.console import Console, colour_wanted
from riskcast.cli.run import LEVELS

Call = Callable[..., Result]

COMMANDS = ("new", "fetch", "check", "run", "visits", "triage", "explain")
"""As in the design: others are not listed until they work."""


class TestHelp:
    def test_the_commands_are_these(self) -> None:
        assert set(app.commands) == set(COMMANDS)

    @pytest.mark.parametrize("flag", ["-h", "--help"])
    @pytest.mark.parametrize("name", [*COMMANDS, None])
    def test_help_with_an_example(
        self, riskcast_command: Call, name: str | None, flag: str
    ) -> None:
        done = riskcast_command(*([name] if name else []), flag)
        assert done.exit_code == 0
        example = done.stdout.partition("Example:\n")[2]
        assert f"  riskcast {name or 'run'} " in example
        assert not done.stderr

    @pytest.mark.parametrize("name", COMMANDS)
    def test_every_option_is_explained(self, name: str) -> None:
        for parameter in app.commands[name].params:
            if isinstance(parameter, click.Option):
                assert parameter.help, parameter.name

    @pytest.mark.parametrize("name", COMMANDS)
    def test_examples_are_calls_that_parse(self, name: str) -> None:
        command = app.commands[name]
        assert command.epilog
        text = command.epilog.partition("Example:\n")[2].partition("\n\n")[0]
        calls = re.sub(r"\\\n\s*", "", text).splitlines()
        assert calls
        for call in calls:
            words = [w.strip('"') for w in re.findall(r'"[^"]*"|\S+', call)]
            assert words[:2] == ["riskcast", name]
            command.make_context(name, words[2:])

    def test_the_json_of_fetch_is_described_whole(self, riskcast_command: Call) -> None:
        import riskcast.pipeline  # noqa: F401  (its name leads to a function)
        from riskcast.weather.access import SourceReport

        module = sys.modules["riskcast.pipeline.fetch"]
        report = SourceReport("open-meteo", "forecast", reached=False)
        now = module.moment(None, "Europe/London")
        document = module.Fetched(now, (report,), ()).as_dict()
        described = riskcast_command("fetch", "-h").stdout
        for key in (*document, *document["sources"][0]):
            assert re.search(rf"\b{key}\b", described), key
        for code in ("66", "69", "78", "130"):
            assert f" {code} " in described

    def test_short_help_is_not_cut(self, riskcast_command: Call) -> None:
        listed = riskcast_command("-h").stdout.partition("Commands:\n")[2].partition("\n\n")[0]
        assert len(listed.splitlines()) == len(COMMANDS)
        assert "..." not in listed

    def test_cautions_are_on_the_first_page(self, riskcast_command: Call) -> None:
        text = " ".join(riskcast_command("-h").stdout.split())
        assert "needs a licence" in text
        assert "vet" in text

    @pytest.mark.parametrize("option", ["--as-of", "--offline"])
    def test_all_that_speak_of_weather_take(self, option: str) -> None:
        """`fetch` speaks from now, and is there for the network."""
        having = {
            name
            for name, command in app.commands.items()
            if any(option in parameter.opts for parameter in command.params)
        }
        assert having == set(COMMANDS) - {"new", "fetch"}

    def test_version(self, riskcast_command: Call) -> None:
        done = riskcast_command("--version")
        assert done.stdout.split()[-1] == riskcast.__version__

    def test_mistyped_command(self, riskcast_command: Call) -> None:
        done = riskcast_command("chek")
        assert done.exit_code == 2
        assert "check" in done.stderr

    @pytest.mark.parametrize("arguments", [["--help"], ["run", "--help"], ["--version"], ["run"]])
    def test_nothing_heavy_is_imported_for_it(self, arguments: list[str]) -> None:
        """In a process of its own: this one has imported everything already."""
        script = (
            "import sys\n"
            "from riskcast.cli import main\n"
            f"sys.argv = ['riskcast', *{arguments!r}]\n"
            "try:\n    main()\n"
            "finally:\n"
            "    heavy = {'numpy', 'pandas', 'xarray', 'scipy', 'pydantic', 'requests', 'jinja2'}\n"
            "    print(sorted(heavy & set(sys.modules)), file=sys.stderr)\n"
        )
        root = str(Path(riskcast.__file__).parents[1])
        done = subprocess.run(
            [sys.executable, "-c", script],
            env=os.environ | {"PYTHONPATH": root},
            capture_output=True,
            text=True,
            check=False,
        )
        assert done.stderr.splitlines()[-1] == "[]"

    def test_first_progress_comes_before_the_heavy_imports(self) -> None:
        """The pipeline is made impossible to import: the line has to be out by then."""
        script = (
            "import sys\n"
            "sys.modules['riskcast.pipeline'] = None\n"
            "sys.argv = ['riskcast', 'run', 'site.toml', '--verbose']\n"
            "from riskcast.cli import main\n"
            "main()\n"
        )
        root = str(Path(riskcast.__file__).parents[1])
        done = subprocess.run(
            [sys.executable, "-c", script],
            env=os.environ | {"PYTHONPATH": root},
            capture_output=True,
            text=True,
            check=False,
        )
        assert done.stderr.splitlines()[0] == "riskcast run site.toml"
        assert done.returncode == 70

    def test_module_can_be_run(self) -> None:
        root = str(Path(riskcast.__file__).parents[1])
        done = subprocess.run(
            [sys.executable, "-m", "riskcast", "--version"],
            env=os.environ | {"PYTHONPATH": root},
            capture_output=True,
            text=True,
            check=True,
        )
        assert riskcast.__version__ in done.stdout


class TestEndings:
    @pytest.mark.parametrize(
        ("kind", "code"),
        [
            (errors.UsageError, 2),
            (errors.NoUsableRecordsError, 65),
            (errors.InputMissingError, 66),
            (errors.WeatherError, 69),
            (errors.RiskcastError, 70),
            (errors.DeliveryError, 75),
            (errors.ConfigError, 78),
        ],
    )
    def test_each_error_has_its_code_and_all_its_faults(
        self,
        riskcast_command: Call,
        pipeline: Any,
        kind: type[errors.RiskcastError],
        code: int,
    ) -> None:
        fault = errors.Fault(
            "weights.csv", "row 17", "an adult weighs 10 to 45 g.", "195", "Check."
        )
        pipeline.error = kind("It did not work.", [fault, fault])
        done = riskcast_command("run", "site.toml")
        assert done.exit_code == code
        assert done.stdout == ""
        assert done.stderr == (
            "It did not work.\nweights.csv: 2 faults\n"
            + '  row 17 "195": an adult weighs 10 to 45 g. Check.\n' * 2
        )

    def test_our_own_fault_is_one_sentence(self, riskcast_command: Call, pipeline: Any) -> None:
        pipeline.error = ZeroDivisionError("the password is hunter2")
        done = riskcast_command("visits", "site.toml")
        assert done.exit_code == 70
        assert done.stdout == ""
        assert "ZeroDivisionError" in done.stderr
        assert "RISKCAST_DEBUG=1" in done.stderr
        assert "Traceback" not in done.stderr
        assert "hunter2" not in done.stderr

    def test_trace_on_demand_and_without_the_password(
        self, riskcast_command: Call, pipeline: Any, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        import riskcast.site  # noqa: F401  (where the password is fetched)

        monkeypatch.setenv("RISKCAST_DEBUG", "1")
        monkeypatch.setenv("RISKCAST_SMTP_PASSWORD", "hunter2")
        pipeline.error = ZeroDivisionError("login with hunter2 failed")
        done = riskcast_command("visits", "site.toml")
        assert done.exit_code == 70
        assert "Traceback" in done.stderr
        assert "login with *** failed" in done.stderr
        assert "hunter2" not in done.stderr

    def test_interrupted(self, riskcast_command: Call, pipeline: Any) -> None:
        pipeline.error = KeyboardInterrupt()
        done = riskcast_command("run", "site.toml")
        assert done.exit_code == 130
        assert done.stderr.startswith("Stopped.")

    @pytest.mark.parametrize("kind", [FileNotFoundError, PermissionError])
    def test_file_the_system_refuses(
        self, riskcast_command: Call, pipeline: Any, kind: type[OSError]
    ) -> None:
        pipeline.error = kind(13, "Not to be had", "/somewhere/file.nc")
        done = riskcast_command("run", "site.toml")
        assert done.exit_code == 66
        assert done.stderr.startswith("/somewhere/file.nc: Not to be had.")

    def test_missing_file_without_a_name_is_our_own_fault(
        self, riskcast_command: Call, pipeline: Any
    ) -> None:
        pipeline.error = FileNotFoundError("somewhere")
        assert riskcast_command("run", "site.toml").exit_code == 70

    def test_full_disk_is_a_trouble_that_passes(
        self, riskcast_command: Call, pipeline: Any
    ) -> None:
        """The same code as when the archive is full; no fault of ours, and no missing input."""
        pipeline.error = OSError(28, "No space left on device")
        done = riskcast_command("run", "site.toml")
        assert done.exit_code == 75
        assert done.stderr.startswith("The disk is full.")

    def test_read_only_disk(self, riskcast_command: Call, pipeline: Any) -> None:
        pipeline.error = OSError(30, "Read-only file system", "/media/out")
        done = riskcast_command("run", "site.toml")
        assert done.exit_code == 66
        assert done.stderr.startswith("/media/out: Read-only file system.")

    @pytest.mark.parametrize("name", ["fetch", "check", "run", "visits", "triage", "explain"])
    def test_real_site_file_that_is_not_there(self, riskcast_command: Call, name: str) -> None:
        """With the real pipeline."""
        done = riskcast_command(name, "lost.toml")
        assert done.exit_code == 66
        assert "no such site file" in done.stdout + done.stderr


class TestStreams:
    def test_quiet_where_nobody_watches(self, riskcast_command: Call, pipeline: Any) -> None:
        done = riskcast_command("run", "site.toml")
        assert done.stdout == "Check the boxes on Saturday.\n"
        assert done.stderr == ""

    def test_verbose_tells_steps_on_stderr(self, riskcast_command: Call, pipeline: Any) -> None:
        done = riskcast_command("run", "site.toml", "-v")
        assert done.stdout == "Check the boxes on Saturday.\n"
        folder = Path("out/alder-hanger/2025-10-27")
        assert done.stderr.splitlines() == [
            "riskcast run site.toml",
            "  weather",
            f"  written to {folder}: assessment.json",
        ]

    @pytest.mark.parametrize(
        ("tty", "verbose", "quiet", "talks"),
        [
            (True, False, False, True),
            (False, False, False, False),
            (False, True, False, True),
            (True, False, True, False),
        ],
    )
    def test_progress_is_for_a_terminal_or_on_demand(
        self, monkeypatch: pytest.MonkeyPatch, tty: bool, verbose: bool, quiet: bool, talks: bool
    ) -> None:
        monkeypatch.setattr(sys.stderr, "isatty", lambda: tty, raising=False)
        assert Console(verbose=verbose, quiet=quiet).talks is talks

    def test_verbose_and_quiet_exclude_each_other(
        self, riskcast_command: Call, pipeline: Any
    ) -> None:
        assert riskcast_command("run", "site.toml", "-v", "-q").exit_code == 2

    @pytest.mark.parametrize(
        ("environment", "wanted"),
        [
            ({}, None),
            ({"NO_COLOR": "1"}, False),
            ({"NO_COLOR": ""}, None),
            ({"FORCE_COLOR": "1"}, True),
            ({"NO_COLOR": "1", "FORCE_COLOR": "1"}, False),
            ({"TERM": "dumb"}, False),
            ({"TERM": "dumb", "FORCE_COLOR": "1"}, True),
        ],
    )
    def test_who_decides_about_colour(
        self,
        monkeypatch: pytest.MonkeyPatch,
        environment: dict[str, str],
        wanted: bool | None,
    ) -> None:
        for name in ("NO_COLOR", "FORCE_COLOR", "TERM"):
            monkeypatch.delenv(name, raising=False)
        for name, value in environment.items():
            monkeypatch.setenv(name, value)
        assert colour_wanted() is wanted

    @pytest.mark.parametrize(("name", "styled"), [("FORCE_COLOR", True), ("NO_COLOR", False)])
    def test_styles_reach_the_stream(
        self, riskcast_command: Call, pipeline: Any, name: str, styled: bool
    ) -> None:
        pipeline.error = errors.WeatherError("No weather.")
        done = riskcast_command("run", "site.toml", env={name: "1"}, color=True)
        assert ("\x1b[" in done.stderr) is styled


def test_public_names_can_all_be_had_and_cost_nothing_before() -> None:
    script = (
        "import sys, riskcast, json\n"
        "before = sorted({'numpy', 'pandas', 'pydantic'} & set(sys.modules))\n"
        "names = {name: str(getattr(riskcast, name)) for name in riskcast.__all__}\n"
        "print(json.dumps([before, sorted(names), sorted(riskcast.__all__)]))\n"
    )
    root = str(Path(riskcast.__file__).parents[1])
    done = subprocess.run(
        [sys.executable, "-c", script],
        env=os.environ | {"PYTHONPATH": root},
        capture_output=True,
        text=True,
        check=True,
    )
    before, had, promised = json.loads(done.stdout)
    assert before == []
    assert had == promised
    assert set(promised) <= set(dir(riskcast))


def test_unknown_public_name() -> None:
    with pytest.raises(AttributeError, match="no attribute 'dormouse'"):
        riskcast.dormouse  # noqa: B018


def test_version_is_that_of_the_project() -> None:
    project = (Path(riskcast.__file__).parents[1] / "pyproject.toml").read_text("utf-8")
    assert f'version = "{riskcast.__version__}"' in project


def test_levels_are_those_of_the_advice() -> None:
    from riskcast import advice

    assert advice.LEVELS == LEVELS
