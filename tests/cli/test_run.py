"""``riskcast run`` and ``riskcast check``."""

from __future__ import annotations

import datetime as dt
import json
from collections.abc import Callable
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from click.testing import Result

from riskcast.cli.options import over_everywhere
from riskcast.delivery import Delivered

Call = Callable[..., Result]


class TestRun:
    def test_defaults(self, riskcast_command: Call, pipeline: Any) -> None:
        assert riskcast_command("run", "site.toml").exit_code == 0
        ((name, args, kwargs),) = pipeline.calls
        assert (name, args) == ("run", (Path("site.toml"),))
        assert callable(kwargs.pop("progress"))
        assert kwargs == {"as_of": None, "out": Path("out"), "offline": False, "send": False}

    def test_every_option_arrives(self, riskcast_command: Call, pipeline: Any) -> None:
        riskcast_command("run", "s.toml", "--as-of", "2025-10-27", "--out", "x", "--offline")
        kwargs = pipeline.calls[0][2]
        assert kwargs["as_of"] == dt.date(2025, 10, 27)
        assert kwargs["out"] == Path("x")
        assert kwargs["offline"] is True

    def test_moment_with_its_offset(self, riskcast_command: Call, pipeline: Any) -> None:
        riskcast_command("run", "s.toml", "--as-of", "2025-10-27T08:00+02:00")
        moment = pipeline.calls[0][2]["as_of"]
        assert moment == dt.datetime(2025, 10, 27, 6, tzinfo=dt.UTC)

    @pytest.mark.parametrize(
        "text",
        ["27.10.2025", "2025-13-01", "2025-10-27T08:00", "yesterday", "20251027", "2025-W44-1"],
    )
    def test_other_ways_to_write_a_day(
        self, riskcast_command: Call, pipeline: Any, text: str
    ) -> None:
        done = riskcast_command("run", "s.toml", "--as-of", text)
        assert done.exit_code == 2
        assert "2025-10-27" in done.stderr
        assert not pipeline.calls

    def test_json(self, riskcast_command: Call, pipeline: Any) -> None:
        done = riskcast_command("run", "s.toml", "--json")
        assert json.loads(done.stdout)["schema"] == "riskcast.assessment/1"

    def test_rows_set_aside_are_told_and_are_no_failure(
        self, riskcast_command: Call, pipeline: Any
    ) -> None:
        pipeline.records_note = "weights.csv: 3 of 214 rows set aside, 211 used"
        done = riskcast_command("run", "s.toml")
        assert done.exit_code == 0
        assert done.stderr == "weights.csv: 3 of 214 rows set aside, 211 used\n"

    def test_trouble_with_the_weather_is_told_and_is_no_failure(
        self, riskcast_command: Call, pipeline: Any
    ) -> None:
        pipeline.weather_note = "We could not have the weather of met-norway."
        done = riskcast_command("run", "s.toml")
        assert done.exit_code == 0
        assert done.stderr == "We could not have the weather of met-norway.\n"

    @pytest.mark.parametrize(
        ("levels", "limit", "code"),
        [
            ({"monitor": "steady", "coordinator": "watch"}, "watch", 1),
            ({"monitor": "act"}, "watch", 1),
            ({"monitor": "watch"}, "plan", 0),
            ({"monitor": "plan"}, "act", 0),
            ({}, "watch", 0),
        ],
    )
    def test_fail_on(
        self,
        riskcast_command: Call,
        pipeline: Any,
        levels: dict[str, str],
        limit: str,
        code: int,
    ) -> None:
        pipeline.levels = levels
        done = riskcast_command("run", "s.toml", "--fail-on", limit)
        assert done.exit_code == code
        assert done.stdout

    def test_high_risk_alone_is_no_failure(self, riskcast_command: Call, pipeline: Any) -> None:
        pipeline.levels = {"monitor": "act"}
        assert riskcast_command("run", "s.toml").exit_code == 0

    def test_fail_on_steady_would_always_fail(self, riskcast_command: Call, pipeline: Any) -> None:
        assert riskcast_command("run", "s.toml", "--fail-on", "steady").exit_code == 2


class TestSend:
    @pytest.mark.parametrize("as_of", ["2020-10-27", "2020-10-27T08:00+00:00"])
    def test_never_with_a_day_in_the_past(
        self, riskcast_command: Call, pipeline: Any, as_of: str
    ) -> None:
        done = riskcast_command("run", "s.toml", "--send", "--as-of", as_of)
        assert done.exit_code == 2
        assert "--as-of" in done.stderr
        assert not pipeline.calls

    def test_never_offline(self, riskcast_command: Call, pipeline: Any) -> None:
        assert riskcast_command("run", "s.toml", "--send", "--offline").exit_code == 2
        assert not pipeline.calls

    def test_only_when_asked(self, riskcast_command: Call, pipeline: Any) -> None:
        riskcast_command("run", "s.toml")
        riskcast_command("run", "s.toml", "--send")
        assert [call[2]["send"] for call in pipeline.calls] == [False, True]

    def test_today_can_still_be_sent(self, riskcast_command: Call, pipeline: Any) -> None:
        """Whether the day is over at the site is for the pipeline to say."""
        today = dt.datetime.now(dt.UTC).date().isoformat()
        assert riskcast_command("run", "s.toml", "--send", "--as-of", today).exit_code == 0

    @pytest.mark.parametrize(
        ("outcome", "code"),
        [("sent", 0), ("already_sent", 0), ("failed", 75), ("unknown", 75), ("refused", 78)],
    )
    def test_what_became_of_the_mail(
        self, riskcast_command: Call, pipeline: Any, outcome: str, code: int
    ) -> None:
        pipeline.delivery = (
            Delivered("<1@x>", "a@example.org", "monitor", "sent"),
            Delivered("<2@x>", "b@example.org", "coordinator", outcome, "server busy"),  # type: ignore[arg-type]
        )
        pipeline.levels = {"monitor": "act"}
        done = riskcast_command("run", "s.toml", "--send", *(["--fail-on", "act"] if code else []))
        assert done.exit_code == code
        assert done.stdout == "Check the boxes on Saturday.\n"
        assert ("b@example.org" in done.stderr) is bool(code)
        assert "a@example.org" not in done.stderr


@pytest.mark.parametrize(
    ("as_of", "now", "over"),
    [
        # The day ends last at UTC-12, at noon UTC of the next.
        (dt.date(2025, 10, 27), "2025-10-28T11:59+00:00", False),
        (dt.date(2025, 10, 27), "2025-10-28T12:00+00:00", True),
        (dt.datetime(2025, 10, 27, 8, tzinfo=dt.UTC), "2025-10-27T07:59+00:00", False),
        (dt.datetime(2025, 10, 27, 8, tzinfo=dt.UTC), "2025-10-27T08:01+00:00", True),
    ],
)
def test_over_everywhere(as_of: dt.date, now: str, over: bool) -> None:
    time_machine = pytest.importorskip("time_machine")
    with time_machine.travel(dt.datetime.fromisoformat(now), tick=False):
        assert over_everywhere(as_of) is over


class TestCheck:
    @pytest.fixture
    def report(self, pipeline: Any) -> SimpleNamespace:
        lines = (
            SimpleNamespace(ok=True, topic="site", text="site.toml"),
            SimpleNamespace(ok=False, topic="weights", text="2 rows set aside\nrow 3: no date"),
        )
        pipeline.report = SimpleNamespace(lines=lines, exit_code=65)
        return pipeline.report

    def test_text(self, riskcast_command: Call, report: SimpleNamespace) -> None:
        done = riskcast_command("check", "site.toml", "--as-of", "2025-10-27")
        assert done.exit_code == 65
        assert done.stdout.splitlines() == [
            "ok     site     site.toml",
            "FAULT  weights  2 rows set aside",
            "                row 3: no date",
        ]

    def test_json(self, riskcast_command: Call, report: SimpleNamespace) -> None:
        done = riskcast_command("check", "site.toml", "--json")
        assert json.loads(done.stdout) == {
            "lines": [
                {"ok": True, "topic": "site", "text": "site.toml"},
                {"ok": False, "topic": "weights", "text": "2 rows set aside\nrow 3: no date"},
            ],
            "exit_code": 65,
        }

    def test_all_well(self, riskcast_command: Call, pipeline: Any, report: SimpleNamespace) -> None:
        report.exit_code = 0
        done = riskcast_command("check", "site.toml", "--as-of", "2025-10-27")
        assert done.exit_code == 0
        _, args, kwargs = pipeline.calls[0]
        assert args == (Path("site.toml"),)
        assert kwargs["as_of"] == dt.date(2025, 10, 27)
        assert kwargs["offline"] is False

    def test_offline(self, riskcast_command: Call, pipeline: Any, report: SimpleNamespace) -> None:
        riskcast_command("check", "site.toml", "--offline")
        assert pipeline.calls[0][2]["offline"] is True


class TestFetch:
    def test_sources_and_what_is_to_come(self, riskcast_command: Call, pipeline: Any) -> None:
        done = riskcast_command("fetch", "site.toml")
        assert done.exit_code == 0
        assert done.stdout.splitlines() == [
            "open-meteo ensemble, forecast: reached",
            "Weather data by Open-Meteo.com (https://open-meteo.com/)",
            "We have 7 of 20 past years so far.",
        ]
        ((name, args, kwargs),) = pipeline.calls
        assert (name, args, list(kwargs)) == ("fetch", (Path("site.toml"),), ["progress"])

    def test_json(self, riskcast_command: Call, pipeline: Any) -> None:
        done = riskcast_command("fetch", "site.toml", "--json")
        assert json.loads(done.stdout) == {"sources": [{"source": "open-meteo ensemble"}]}

    def test_progress_on_demand(self, riskcast_command: Call, pipeline: Any) -> None:
        done = riskcast_command("fetch", "site.toml", "-v")
        assert done.stderr.splitlines()[0] == "riskcast fetch site.toml"

    @pytest.mark.parametrize("option", ["--send", "--as-of=2025-10-27", "--offline"])
    def test_what_it_does_not_take(
        self, riskcast_command: Call, pipeline: Any, option: str
    ) -> None:
        assert riskcast_command("fetch", "site.toml", option).exit_code == 2
