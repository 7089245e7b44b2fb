"""``visits``, ``triage`` and ``explain``, and how a table is shown."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from click.testing import Result

from riskcast.advice.tables import Table
from riskcast.base.errors import UsageError
from riskcast.cli.output import TABLE_SCHEMA, as_csv, as_json, as_text

Call = Callable[..., Result]

TABLE = Table(
    title="Most urgent first",
    columns=("animal", "body mass (g)", "days to spare without food"),
    rows=(("box 14, 3rd of 5, weighed 18 October", 9.5, -12), ("box 2", 18.25, None)),
    notes=("Other deaths are not counted.",),
)

WIDE = Table(
    "Candidate days",
    ("day", *(f"a heading of some length, number {i} (g)" for i in range(8))),
    (("2025-11-01", *(float(i) for i in range(8))),),
)


@pytest.fixture(autouse=True)
def _table_of_the_pipeline(pipeline: Any) -> None:
    pipeline.table = TABLE


class TestText:
    def test_words_and_numbers_stand_in_columns(self) -> None:
        assert as_text(TABLE, 100).splitlines() == [
            "Most urgent first",
            "",
            "animal                                body mass (g)  days to spare without food",
            "------------------------------------  -------------  --------------------------",
            "box 14, 3rd of 5, weighed 18 October            9.5                         -12",
            "box 2                                         18.25                   not known",
            "",
            "Other deaths are not counted.",
        ]

    @pytest.mark.parametrize("width", [80, 60, 45])
    def test_fits_and_the_first_column_stays_readable(self, width: int) -> None:
        lines = as_text(TABLE, width).splitlines()
        assert max(map(len, lines)) <= width
        assert any(line.startswith("box 14, 3rd of 5, weighed") for line in lines)
        text = " ".join(" ".join(lines).split())
        assert "not known" in text

    @pytest.mark.parametrize("width", [20, 80])
    def test_too_many_columns_become_blocks(self, width: int) -> None:
        lines = as_text(WIDE, width).splitlines()
        assert lines[2] == "2025-11-01"
        assert max(map(len, lines)) <= width
        assert "number 7 (g): 7" in " ".join(" ".join(lines).split())

    def test_no_rows(self) -> None:
        empty = Table("Nobody to see to", ("animal",), (), ("No weights since 1 June.",))
        assert as_text(empty, 80).splitlines()[2:] == ["No rows.", "", "No weights since 1 June."]

    def test_unknown_is_never_zero_or_blank(self) -> None:
        table = Table("t", ("a", "b"), (("x", None), ("y", 0)))
        rows = [line.split(maxsplit=1) for line in as_text(table, 80).splitlines()[4:]]
        assert rows == [["x", "not known"], ["y", "0"]]


def test_json_keeps_null_and_every_digit() -> None:
    document = json.loads(as_json(TABLE))
    assert document["schema"] == TABLE_SCHEMA
    assert document["columns"] == list(TABLE.columns)
    assert document["rows"][1] == {
        "animal": "box 2",
        "body mass (g)": 18.25,
        "days to spare without food": None,
    }
    assert document["notes"] == list(TABLE.notes)


def test_json_refuses_nan() -> None:
    with pytest.raises(ValueError, match="not JSON compliant"):
        as_json(Table("t", ("a",), ((float("nan"),),)))


def test_csv_reads_back() -> None:
    rows = list(csv.reader(io.StringIO(as_csv(TABLE))))
    assert rows == [
        list(TABLE.columns),
        ["box 14, 3rd of 5, weighed 18 October", "9.5", "-12"],
        ["box 2", "18.25", ""],
    ]


@pytest.mark.parametrize("name", ["visits", "triage"])
class TestForms:
    def test_text(self, riskcast_command: Call, pipeline: Any, name: str) -> None:
        done = riskcast_command(name, "site.toml")
        assert done.stdout == as_text(TABLE, 80) + "\n"
        called, args, kwargs = pipeline.calls[0]
        assert (called, args, kwargs["as_of"]) == (name, (Path("site.toml"),), None)
        assert kwargs["offline"] is False

    def test_offline(self, riskcast_command: Call, pipeline: Any, name: str) -> None:
        riskcast_command(name, "site.toml", "--offline")
        assert pipeline.calls[0][2]["offline"] is True

    def test_json(self, riskcast_command: Call, pipeline: Any, name: str) -> None:
        assert json.loads(riskcast_command(name, "site.toml", "--json").stdout)["rows"]

    def test_csv_keeps_the_notes_out(
        self, riskcast_command: Call, pipeline: Any, name: str
    ) -> None:
        done = riskcast_command(name, "site.toml", "--csv")
        assert done.stdout == as_csv(TABLE)
        assert done.stderr == "Other deaths are not counted.\n"

    def test_one_form_at_a_time(self, riskcast_command: Call, pipeline: Any, name: str) -> None:
        assert riskcast_command(name, "site.toml", "--csv", "--json").exit_code == 2


class TestFoundAnimals:
    WEATHER = ("--forecast", "f.csv", "--history", "h.csv", "--timezone", "Europe/London")

    def test_without_a_site(self, riskcast_command: Call, pipeline: Any) -> None:
        done = riskcast_command(
            "triage", "--near", "50.5, -4", "--animals", "found.csv", *self.WEATHER
        )
        assert done.exit_code == 0
        name, args, kwargs = pipeline.calls[0]
        assert (name, args) == ("triage_found", (Path("found.csv"), 50.5, -4.0))
        assert kwargs["forecast"] == "f.csv"
        assert kwargs["history"] == "h.csv"
        assert kwargs["timezone"] == "Europe/London"
        assert kwargs["elevation_m"] is None
        assert kwargs["site_path"] is None

    def test_without_a_site_and_without_files(self, riskcast_command: Call, pipeline: Any) -> None:
        """The height has to be told then; a file of past weather may say it."""
        place = ("--near", "50.5,-4", "--timezone", "Europe/London", "--elevation", "120")
        assert riskcast_command("triage", *place, "--animals", "found.csv").exit_code == 0
        kwargs = pipeline.calls[0][2]
        assert (kwargs["forecast"], kwargs["history"]) == (None, None)
        assert kwargs["elevation_m"] == 120

    def test_weather_of_a_site_another_place(self, riskcast_command: Call, pipeline: Any) -> None:
        riskcast_command("triage", "s.toml", "--near", "50.5,-4", "--animals", "found.csv")
        _, args, kwargs = pipeline.calls[0]
        assert args == (Path("found.csv"), 50.5, -4.0)
        assert kwargs["site_path"] == Path("s.toml")

    def test_place_of_the_site(self, riskcast_command: Call, pipeline: Any, tmp_path: Path) -> None:
        for name in ("w.csv", "f.csv", "h.csv"):
            (tmp_path / name).touch()
        (tmp_path / "s.toml").write_text(
            'schema = "riskcast.site/1"\n[site]\nid = "a"\nname = "A"\nlatitude = 50.5\n'
            'longitude = -4.25\nelevation_m = 1\ntimezone = "UTC"\n[weights]\nfiles = ["w.csv"]\n'
            '[weather]\nforecast = "f.csv"\nhistory = "h.csv"\n'
        )
        done = riskcast_command("triage", "s.toml", "--animals", "found.csv")
        assert done.exit_code == 0, done.stderr
        assert pipeline.calls[0][1] == (Path("found.csv"), 50.5, -4.25)

    @pytest.mark.parametrize(
        ("arguments", "said"),
        [
            ((), "SITE.toml"),
            (("--animals", "f.csv"), "--near, --timezone, --elevation"),
            (("--animals", "f.csv", "--near", "50,-4", "--timezone", "UTC"), "needs --elevation."),
            (("--animals", "f.csv", "--near", "50,-4", "--history", "h"), "needs --timezone."),
            (("--near", "50,-4"), "--animals"),
            (("s.toml", "--timezone", "UTC"), "says that already"),
            (("--near", "50,0,-4,0", "--animals", "f"), "decimal points"),
            (("--near", "fifty", "--animals", "f"), "decimal points"),
            (("--near", "95,-4", "--animals", "f"), "not on the globe"),
            (("--near", "nan,nan", "--animals", "f"), "not on the globe"),
        ],
    )
    def test_calls_that_make_no_sense(
        self,
        riskcast_command: Call,
        pipeline: Any,
        arguments: tuple[str, ...],
        said: str,
    ) -> None:
        done = riskcast_command("triage", *arguments)
        assert done.exit_code == 2
        assert said in " ".join(done.stderr.split())
        assert not pipeline.calls


def test_explain(riskcast_command: Call, pipeline: Any) -> None:
    done = riskcast_command("explain", "site.toml", "--animal", "box 14", "--offline")
    assert done.stdout == "9.5 g on 18 October …\n"
    name, args, kwargs = pipeline.calls[0]
    assert (name, args) == ("explain", (Path("site.toml"),))
    assert (kwargs["animal"], kwargs["as_of"]) == ("box 14", None)
    assert kwargs["offline"] is True


class TestDays:
    """``explain --days``: the table of days as a file, beside the text."""

    def test_the_file_holds_the_table_and_nothing_else(
        self, riskcast_command: Call, pipeline: Any, tmp_path: Path
    ) -> None:
        file = tmp_path / "not yet there" / "days.csv"
        for _ in range(2):  # the second time over the first
            done = riskcast_command("explain", "site.toml", "--days", str(file))
            assert done.exit_code == 0, done.output
            assert done.stdout == "9.5 g on 18 October …\n"
            assert file.read_text("utf-8") == as_csv(TABLE)
            assert [one.name for one in file.parent.iterdir()] == ["days.csv"]
        name, args, kwargs = pipeline.calls[0]
        assert (name, args) == ("explain_by_day", (Path("site.toml"),))
        assert (kwargs["animal"], kwargs["as_of"], kwargs["offline"]) == (None, None, False)

    def test_what_cannot_be_a_file_is_told_before_anything_is_computed(
        self, riskcast_command: Call, pipeline: Any, tmp_path: Path
    ) -> None:
        (tmp_path / "a file").write_text("x")
        for wrong, said in (
            (tmp_path, "is a directory"),
            (tmp_path / "a file" / "days.csv", "is a file, not a folder"),
            ("", "give the name of a file"),
        ):
            done = riskcast_command("explain", "site.toml", "--days", str(wrong))
            assert done.exit_code == 2
            assert said in " ".join(done.stderr.split())
        assert not pipeline.calls

    def test_an_old_file_outlives_a_run_that_fails(
        self, riskcast_command: Call, pipeline: Any, tmp_path: Path
    ) -> None:
        file = tmp_path / "days.csv"
        file.write_text("of yesterday")
        pipeline.error = UsageError("No days to write down: box 9 was not carried to spring.")
        done = riskcast_command("explain", "site.toml", "--days", str(file))
        assert done.exit_code == 2
        assert "No days to write down" in done.stderr
        assert file.read_text() == "of yesterday"
