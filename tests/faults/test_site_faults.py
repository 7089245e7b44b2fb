"""Faults of a site file: all at once, each with its place, its line, and the way out."""

from __future__ import annotations

import sys
import traceback
from collections.abc import Callable
from pathlib import Path

import pytest

from riskcast.base.errors import ConfigError, InputMissingError, RiskcastError
from riskcast.site import Mail, load_site

GOOD = """\
schema = "riskcast.site/1"

[site]
id = "alder-hanger"
name = "Alder Hanger (invented)"
latitude = 50.0
longitude = -4.0
elevation_m = 120
timezone = "Europe/London"
boxes = 60
language = "en"

[species.override]
"torpor.q10" = { value = 1.9, reason = "report 3" }

[habitat]
nest_depth_cm = 3
canopy = "deciduous"

[weights]
files = ["weights.csv"]
date_format = "YYYY-MM-DD"
bag_included = false
columns = { Gewicht = "body_mass_g" }

[weather]
forecast = "forecast.csv"
history = "history.nc"
[weather.open-meteo]
archive_url = "https://example.org/archive"

[visits]
planned = [2025-11-22, 2026-04-18]
notice_days = 2
weekdays = ["sat", "sun"]
season = ["04-01", "11-30"]

[risk]
target_mass_g = 15

[[recipients]]
name = "Site monitor"
address = "monitor@example.org"
role = "monitor"

[[recipients]]
name = "Coordinator"
address = "coordinator@example.org"
role = "coordinator"

[mail]
host = "smtp.example.org"
port = 465
security = "tls"
from = "riskcast <alerts@example.org>"
"""

Read = Callable[..., RiskcastError]


@pytest.fixture
def read(tmp_path: Path) -> Read:
    """The error of the good file after some edits; each edit has to hit something."""
    for name in ("weights.csv", "forecast.csv", "history.nc"):
        (tmp_path / name).touch()

    def error_of(*edits: tuple[str, str]) -> RiskcastError:
        text = GOOD
        for old, new in edits:
            assert old in text
            text = text.replace(old, new, 1)
        (tmp_path / "site.toml").write_text(text, "utf-8")
        with pytest.raises(RiskcastError) as caught:
            load_site(tmp_path / "site.toml")
        return caught.value

    return error_of


def line(text: str, edited: str = GOOD) -> int:
    return next(n for n, row in enumerate(edited.splitlines(), 1) if row.startswith(text))


def test_the_file_all_these_start_from_is_good(tmp_path: Path) -> None:
    for name in ("weights.csv", "forecast.csv", "history.nc"):
        (tmp_path / name).touch()
    (tmp_path / "site.toml").write_text(GOOD, "utf-8")
    assert load_site(tmp_path / "site.toml").place.boxes == 60


CASES = {
    # keys
    "mistyped key": (
        "notice_days =", "notice_day =", "[visits] notice_day", "unknown key",
        "Did you mean notice_days?",
    ),
    "mistyped section": ("[habitat]", "[habitats]", "[habitats]", "unknown key", "habitat?"),
    "key of another section": (
        "boxes = 60", "notice_days = 2", "[site] notice_days", "unknown key here",
        "belongs in [visits]",
    ),
    "key of a section inside another": (
        'forecast = "forecast.csv"', 'user_agent = "a@b.org"', "[weather] user_agent",
        "unknown key here", "belongs in [weather.met-norway]",
    ),
    "unknown key": ("boxes = 60", "zebra = 60", "[site] zebra", "unknown key", "latitude"),
    "name of the attribute instead of the key": (
        "[weather.open-meteo]", "[weather.open_meteo]", "[weather.open_meteo]", "unknown key",
        "open-meteo",
    ),
    "key left out": (
        "latitude = 50.0\n", "", "[site] latitude", "is missing", "Add latitude = 50.0",
    ),
    "section left out": (
        '[weights]\nfiles = ["weights.csv"]\ndate_format = "YYYY-MM-DD"\nbag_included = false\n'
        'columns = { Gewicht = "body_mass_g" }\n', "", "[weights]", "section is missing", "",
    ),
    "unknown key in the second of two": (
        'role = "coordinator"', 'role = "coordinator"\nphone = "1"', "[[recipients]] no. 2, phone",
        "unknown key", "address",
    ),
    # types
    "number in quotes": (
        "latitude = 50.0", 'latitude = "50.0"', "[site] latitude", "expected a number",
        "without quotes",
    ),
    "truth for a number": (
        "elevation_m = 120", "elevation_m = true", "[site] elevation_m", "expected a number", "",
    ),
    "nan": ("elevation_m = 120", "elevation_m = nan", "[site] elevation_m", "a number", ""),
    "half a box": ("boxes = 60", "boxes = 60.5", "[site] boxes", "a whole number", ""),
    "number for a text": ('id = "alder-hanger"', "id = 7", "[site] id", "expected a text", ""),
    "text for a switch": (
        "bag_included = false", 'bag_included = "no"', "[weights] bag_included", "true or false",
        "",
    ),
    "date in quotes": (
        "2026-04-18", '"2026-04-18"', "[visits] planned, no. 2", "expected a date", "2025-11-22",
    ),
    "one file without brackets": (
        '["weights.csv"]', '"weights.csv"', "[weights] files", "a list", "square brackets",
    ),
    "no file at all": ('["weights.csv"]', "[]", "[weights] files", "empty", "at least one"),
    # places and ranges
    "latitude": ("latitude = 50.0", "latitude = 95", "[site] latitude", "between -90 and 90", ""),
    "longitude": (
        "longitude = -4.0", "longitude = 356", "[site] longitude", "between -180 and 180", "-4",
    ),
    "height": ("elevation_m = 120", "elevation_m = 12000", "[site] elevation_m", "8850", ""),
    "time zone": (
        "Europe/London", "Europe/Lodnon", "[site] timezone", "no time zone", "Europe/London",
    ),
    "time zone that is a folder": ("Europe/London", "Europe", "[site] timezone", "zone", ""),
    "id": ('"alder-hanger"', '"Alder Hanger"', "[site] id", "a to z", "alder-hanger"),
    "id that climbs out of its folder": ('"alder-hanger"', '"../x"', "[site] id", "a to z", ""),
    "name with a line break": (
        '"Alder Hanger (invented)"', '"Alder\\nHanger"', "[site] name", "line break", "one line",
    ),
    "language": ('"en"', '"de"', "[site] language", "expected en", ""),
    "schema": ("riskcast.site/1", "riskcast.site/9", "schema", "expected riskcast.site/1", ""),
    "depth": ("nest_depth_cm = 3", "nest_depth_cm = -3", "[habitat] nest_depth_cm", "0", ""),
    "canopy": (
        '"deciduous"', '"decidous"', "[habitat] canopy", "evergreen or open", "deciduous",
    ),
    "species override without a reason": (
        ', reason = "report 3"', "", '[species.override."torpor.q10"] reason', "missing", "reason",
    ),
    "species override without a value": (
        "value = 1.9, ", "", '[species.override."torpor.q10"] value', "missing", "value",
    ),
    "species override in quotes": (
        "value = 1.9", 'value = "1.9"', '[species.override."torpor.q10"] value', "a number",
        "without quotes",
    ),
    # weights and weather
    "date format": (
        '"YYYY-MM-DD"', '"ISO"', "[weights] date_format", "day, month and year", "DD/MM/YYYY",
    ),
    "bag without its mass": (
        "bag_included = false", "bag_included = true", "[weights] bag_mass_g", "not given",
        "Weigh the empty bag",
    ),
    "column name": (
        '"body_mass_g"', '"body_mass"', "[weights.columns] Gewicht", "event_date", "body_mass_g",
    ),
    "service name": (
        '"forecast.csv"', '"openmeteo"', "[weather] forecast, no. 1", "no service", "open-meteo",
    ),
    "second of two sources": (
        '"forecast.csv"', '["forecast.csv", "openmeteo"]', "[weather] forecast, no. 2",
        "no service", "open-meteo",
    ),
    "no source": ('"forecast.csv"', "[]", "[weather] forecast", "empty", "at least one"),
    "nobody says who asks": (
        '"forecast.csv"', '"met-norway"', "[weather.met-norway]", "user_agent is missing",
        'user_agent = "riskcast (keeper@example.org)"',
    ),
    "no way to reach who asks": (
        "[weather.open-meteo]", '[weather.met-norway]\nuser_agent = "me"\n[weather.open-meteo]',
        "[weather.met-norway] user_agent", "no way to reach you", "keeper@example.org",
    ),
    "service without past weather": (
        '"history.nc"', '"met-norway"', "[weather] history", "no past weather", "open-meteo",
    ),
    "empty path": ('"forecast.csv"', '""', "[weather] forecast, no. 1", "is empty", ""),
    "address of a service": (
        "https://example.org/archive", "example.org", "[weather.open-meteo] archive_url",
        "no web address", "https://",
    ),
    "address with a broken bracket": (
        "https://example.org/archive", "https://[example.org/archive",
        "[weather.open-meteo] archive_url", "no web address", "behind the //",
    ),
    "address in the clear": (
        "https://example.org/archive", "http://example.org/archive",
        "[weather.open-meteo] archive_url", "send the place in the clear", "https://",
    ),
    "name of a model": (
        "archive_url = ", 'history_model = "ERA5 Land"\narchive_url = ',
        "[weather.open-meteo] history_model", "no model's name", "ecmwf_ifs025",
    ),
    "clock of a table": (
        "[weather.open-meteo]", "[weather.table]\nutc_offset_hours = 60\n[weather.open-meteo]",
        "[weather.table] utc_offset_hours", "between -12 and 14", "",
    ),
    # visits
    "dates out of order": (
        "2025-11-22, 2026-04-18", "2026-04-18, 2025-11-22", "[visits] planned", "not later",
        "earliest first",
    ),
    "weekday": (
        '"sat", ', '"Saturday", ', "[visits] weekdays, no. 1", "expected mon", '"sat"',
    ),
    "weekday twice": ('"sat", "sun"', '"sun", "sun"', "[visits] weekdays", "twice", ""),
    "day that does not exist": (
        '"11-30"', '"11-31"', "[visits] season, no. 2", "no day of the year", "04-01",
    ),
    "season of one day": (', "11-30"]', "]", "[visits] season, no. 2", "two values", "04-01"),
    "season of three days": ('"11-30"]', '"11-30", "12-01"]', "[visits] season", "two", ""),
    "notice below zero": ("notice_days = 2", "notice_days = -1", "[visits] notice_days", "0", ""),
    # people and mail
    "address with two @": (
        "monitor@example.org", "monitor@@example.org", "[[recipients]] no. 1, address",
        "exactly one @", "",
    ),
    "address with a line break": (
        "monitor@example.org", "monitor@example.org\\nBcc: x@example.org",
        "[[recipients]] no. 1, address", "line break", "",
    ),
    "address with a name": (
        "monitor@example.org", "Me <monitor@example.org>", "[[recipients]] no. 1, address",
        "no e-mail address", "bare address",
    ),
    "role": (
        '"monitor"\n', '"monitr"\n', "[[recipients]] no. 1, role", "coordinator", "monitor",
    ),
    "sender": ("<alerts@example.org>", "alerts", "[mail] from", "exactly one @", ""),
    "465 with starttls": (
        '"tls"', '"starttls"', "[mail] security", 'port 465 goes with "tls"', "port = 587",
    ),
    "587 with tls": (
        "465", "587", "[mail] security", 'port 587 goes with "starttls"', '"starttls"',
    ),
    "in the clear to another machine": (
        'port = 465\nsecurity = "tls"', 'port = 25\nsecurity = "none"', "[mail] security",
        "in the clear", "465",
    ),
    "port": ("465", "70000", "[mail] port", "65535", ""),
    "password by two ways": (
        "[mail]\n", '[mail]\npassword_file = "x"\npassword_command = "y"\n',
        "[mail] password_command", "password_file is given too", "one of the two",
    ),
}  # fmt: skip


@pytest.mark.parametrize("name", CASES)
def test_one_fault(read: Read, name: str) -> None:
    old, new, where, problem, remedy = CASES[name]
    error = read((old, new))
    assert isinstance(error, ConfigError)
    assert error.exit_code == 78
    (fault,) = error.faults
    assert fault.where.split(", line ")[0] == where
    assert fault.source == "site.toml"
    assert problem in fault.problem
    assert remedy in fault.remedy
    said = str(error)
    assert "pydantic" not in said
    assert "Input should" not in said
    assert "validation" not in said


def test_value_where_a_section_was_expected(read: Read) -> None:
    error = read(("schema =", "risk = 1\nschema ="), ("[risk]\ntarget_mass_g = 15\n", ""))
    assert str(error.faults[0]) == '[risk], line 1 "1": expected a section with keys of its own.'


@pytest.mark.parametrize(
    ("old", "new", "row"),
    [
        ("latitude = 50.0", "latitude = 95", "latitude"),
        ("notice_days = 2", "notice_day = 2", "notice_day"),
        ('address = "coordinator@example.org"', 'address = "x"', 'address = "x"'),
        ('Gewicht = "body_mass_g"', 'Gewicht = "mass"', "columns"),
        ("[risk]", "[rsik]", "[rsik]"),
    ],
)
def test_the_line_is_told(read: Read, old: str, new: str, row: str) -> None:
    fault = read((old, new)).faults[0]
    assert fault.where.endswith(f", line {line(row, GOOD.replace(old, new, 1))}")


def test_all_faults_in_one_go_in_the_order_of_the_file(read: Read) -> None:
    error = read(
        ("latitude = 50.0", "latitude = 95"),
        ("longitude = -4.0", 'longitude = "4 W"'),
        ("canopy", "canopi"),
        ('"weights.csv"', '"weights.csv", "lost.csv"'),
        ("notice_days", "notice_day"),
        ("2025-11-22, 2026-04-18", "2026-04-18, 2025-11-22"),
        ("monitor@example.org", "monitor"),
        ("465", "587"),
    )
    assert isinstance(error, ConfigError)
    assert [fault.where.split(", line")[0] for fault in error.faults] == [
        "[site] latitude",
        "[site] longitude",
        "[habitat] canopi",
        "[weights] files, no. 2",
        "[visits] planned",
        "[visits] notice_day",
        "[[recipients]] no. 1, address",
        "[mail] security",
    ]
    assert "site.toml: 8 faults" in str(error)
    assert 'longitude, line 7 "4 W": expected a number.' in str(error)


class TestMissingFiles:
    def test_several_and_nothing_else(self, read: Read) -> None:
        error = read(
            ('"weights.csv"', '"lost.csv", "weights.csv"'),
            ('"forecast.csv"', '"forecast_*.nc"'),
            ('"history.nc"', '"../elsewhere/history.nc"'),
            ("nest_depth_cm = 3", 'nest_depth_cm = 3\nfood_dates = "food.csv"'),
        )
        assert isinstance(error, InputMissingError)
        assert error.exit_code == 66
        assert [fault.where.split(", line")[0] for fault in error.faults] == [
            "[habitat] food_dates",
            "[weights] files, no. 1",
            "[weather] forecast, no. 1",
            "[weather] history",
        ]
        assert [fault.value for fault in error.faults][-1] == "../elsewhere/history.nc"

    def test_with_another_fault_it_is_the_configuration(self, read: Read) -> None:
        error = read(('"weights.csv"', '"lost.csv"'), ("latitude = 50.0", "latitude = 95"))
        assert isinstance(error, ConfigError)
        assert len(error.faults) == 2

    def test_folder_where_a_sheet_was_expected(self, read: Read, tmp_path: Path) -> None:
        (tmp_path / "sheets").mkdir()
        error = read(('"weights.csv"', '"sheets"'))
        assert isinstance(error, ConfigError)
        assert "is a folder" in error.faults[0].problem

    def test_species_file(self, read: Read) -> None:
        error = read(("[species.override]", '[species]\nname = "own.toml"\n[species.override]'))
        assert isinstance(error, InputMissingError)
        assert "[species] name" in error.faults[0].where

    def test_the_site_file_itself(self, tmp_path: Path) -> None:
        with pytest.raises(InputMissingError, match=r"no such site file.*riskcast new"):
            load_site(tmp_path / "lost.toml")

    def test_a_folder_instead_of_a_file(self, tmp_path: Path) -> None:
        with pytest.raises(InputMissingError, match=r"is a folder.*site\.toml"):
            load_site(tmp_path)


class TestSyntax:
    @pytest.mark.parametrize(
        ("old", "new", "row", "remedy"),
        [
            ("50.0", "50,0", "latitude", "point"),
            ('"Alder Hanger (invented)"', "Alder Hanger", "name", "quotes"),
            ('"weights.csv"', '"sheets\\weights.csv"', "files", "single quotes"),
            ("[habitat]", "[habitat", "[habitat", "[section]"),
            ("boxes = 60", "boxes = 60\nboxes = 61", "boxes = 61", ""),
        ],
    )
    def test_line_and_remedy(self, read: Read, old: str, new: str, row: str, remedy: str) -> None:
        error = read((old, new))
        assert isinstance(error, ConfigError)
        (fault,) = error.faults
        assert fault.where == f"line {line(row, GOOD.replace(old, new, 1))}"
        assert remedy in fault.remedy

    def test_text_that_never_ends(self, read: Read) -> None:
        (fault,) = read(('"riskcast <alerts@example.org>"', '"""')).faults
        assert fault.where in ("end of the file", "line 62")

    def test_not_a_text_file(self, tmp_path: Path) -> None:
        (tmp_path / "site.toml").write_bytes(b"%PDF-1.7\xff\xfe\x00")
        with pytest.raises(ConfigError, match="UTF-8"):
            load_site(tmp_path / "site.toml")

    def test_empty_file(self, tmp_path: Path) -> None:
        (tmp_path / "site.toml").touch()
        with pytest.raises(ConfigError) as caught:
            load_site(tmp_path / "site.toml")
        assert {fault.where for fault in caught.value.faults} == {"schema", "[site]", "[weights]"}


class TestSecrets:
    SECRET = "hunter2!x"

    @pytest.mark.parametrize(
        "row",
        [
            'password = "{}"',
            'passwrd = "{}"',
            'smtp_password = "{}"',
            'pasword_file = "{}"',
            'token = "{}"',
            'port = "{}"\nusername = 3\npassword = "{}"',
            'password_file = ["{}"]',
            'password_command = ["{}"]',
            'password_file = "x"\npassword_command = "{}"',
            "password = {}",  # a syntax error on the line of the password
            'username = "{}',
        ],
    )
    def test_no_fault_repeats_one(
        self, read: Read, row: str, capfd: pytest.CaptureFixture[str]
    ) -> None:
        value = self.SECRET
        if row.startswith("port"):
            error = read(("port = 465\n", ""), ("[mail]\n", f"[mail]\n{row.format('x', value)}\n"))
        else:
            error = read(("[mail]\n", f"[mail]\n{row.format(value)}\n"))
        shown = "".join(traceback.format_exception(error))
        assert value not in str(error) + repr(error.faults) + shown
        assert value not in "".join(capfd.readouterr())

    def test_password_in_the_file_is_a_fault_with_the_way_out(self, read: Read) -> None:
        (fault,) = read(("[mail]\n", f'[mail]\npassword = "{self.SECRET}"\n')).faults
        assert fault.where.startswith("[mail] password, line ")
        assert "password_file" in fault.remedy

    def test_model_shows_neither_command_nor_file(self, tmp_path: Path) -> None:
        """People paste the password itself where a file or a command is asked for."""
        for key in ("password_file", "password_command"):
            mail = Mail(host="localhost", from_="a@example.org", **{key: self.SECRET})
            shown = [repr(mail), str(mail), str(mail.model_dump()), mail.model_dump_json()]
            assert self.SECRET not in "".join(shown)

    @pytest.mark.parametrize(
        "ways",
        [
            {"password_file": "hunter2!x"},
            {"password_command": "hunter2!x"},
            {"password_command": "'hunter2!x"},
            {"password_command": f"'{sys.executable}' -c 'import sys; sys.exit(3)' hunter2!x"},
            {"password_command": f"'{sys.executable}' -c '' hunter2!x"},
        ],
    )
    def test_error_of_a_way_that_fails_does_not_repeat_it(
        self, ways: dict[str, str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        monkeypatch.chdir(tmp_path)
        mail = Mail(host="localhost", from_="a@example.org", **ways)
        with pytest.raises(ConfigError, match="password") as caught:
            mail.password()
        assert caught.value.exit_code == 78
        shown = "".join(traceback.format_exception(caught.value))
        assert "hunter2" not in shown.replace(repr(ways), "")

    def test_empty_password_file(self, tmp_path: Path) -> None:
        (tmp_path / "pw").write_text("\n")
        mail = Mail(host="localhost", from_="a@example.org", password_file=tmp_path / "pw")
        with pytest.raises(ConfigError, match="empty"):
            mail.password()
