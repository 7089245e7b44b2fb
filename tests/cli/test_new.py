"""``riskcast new``: what it writes can be used, and nothing is ever overwritten."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Callable
from pathlib import Path

import openpyxl
import pydantic
import pytest
from click.testing import Result

from riskcast.base.errors import ConfigError
from riskcast.cli import new as new_module
from riskcast.site import (
    Mail,
    MetNorway,
    OpenMeteo,
    Recipient,
    Site,
    TableLayout,
    Weather,
    load_site,
)

Call = Callable[..., Result]

PLACE = ("--latitude", "50.123456", "--longitude", "-4", "--elevation", "120")
ZONE = ("--timezone", "Europe/London")


def test_what_it_writes_can_be_loaded(riskcast_command: Call, tmp_path: Path) -> None:
    done = riskcast_command("new", "my-wood", "--name", 'Wäldchen "am Hang"', *PLACE, *ZONE)
    assert done.exit_code == 0, done.output
    site = load_site(tmp_path / "my-wood/site.toml")
    assert site.place.id == "waldchen-am-hang"
    assert site.place.name == 'Wäldchen "am Hang"'
    assert (site.place.latitude, site.place.longitude) == (50.123456, -4.0)
    assert (site.place.elevation_m, site.place.timezone) == (120, "Europe/London")
    assert (site.weather.forecast, site.weather.history) == (("open-meteo",), "open-meteo")
    openpyxl.load_workbook(site.weights.files[0]).close()


def test_the_next_steps_are_commands_to_copy(riskcast_command: Call, tmp_path: Path) -> None:
    done = riskcast_command("new", "my-wood", *PLACE, *ZONE)
    site = Path("my-wood") / "site.toml"
    for words in (f"riskcast fetch {site}", f"riskcast check {site}"):
        assert words in done.stdout
    assert "Fill in" not in done.stdout


def test_what_is_not_given_is_asked_for_never_invented(
    riskcast_command: Call, tmp_path: Path
) -> None:
    done = riskcast_command("new", "My Wood", *PLACE[:2])
    assert "Fill in longitude, elevation_m, timezone" in done.stdout
    with pytest.raises(ConfigError) as caught:
        load_site(tmp_path / "My Wood/site.toml")
    missing = [fault.where for fault in caught.value.faults if "is missing" in fault.problem]
    assert missing == ["[site] longitude", "[site] elevation_m", "[site] timezone"]
    text = (tmp_path / "My Wood/site.toml").read_text("utf-8")
    assert 'id = "my-wood"' in text


def _switched_on(path: Path) -> str:
    """The file with all keys that are switched off taken into use."""
    text = path.read_text("utf-8").partition("# Every day by itself")[0]
    text = re.sub(r"(?m)^# (?=\[|[\w\".]+ = )", "", text)
    text = re.sub(r"(?m)^rehab_below_g =", "rehab_below_g = 11.5", text)
    return re.sub(r"(?m)^password_command", "# password_command", text)


def test_every_key_of_the_form_is_in_it(riskcast_command: Call, tmp_path: Path) -> None:
    """Switched on or off; with all of them switched on it is a whole site file."""
    riskcast_command("new", "w", *PLACE, *ZONE)
    switched_on = _switched_on(tmp_path / "w/site.toml")
    content = tomllib.loads(switched_on)
    for name in ("food_dates.csv", "nest_logger.csv"):
        (tmp_path / "w" / name).touch()
    (tmp_path / "w/whole.toml").write_text(switched_on, "utf-8")
    assert load_site(tmp_path / "w/whole.toml").mail is not None

    def keys(model: type[pydantic.BaseModel]) -> set[str]:
        return {field.alias or name for name, field in model.model_fields.items()}

    assert set(content) == keys(Site)
    for name, field in Site.model_fields.items():
        section = content[field.alias or name]
        model = field.annotation
        if isinstance(model, type) and issubclass(model, pydantic.BaseModel):
            assert set(section) == keys(model), name
    assert set(content["weather"]["open-meteo"]) == keys(OpenMeteo)
    assert set(content["weather"]["met-norway"]) == keys(MetNorway)
    for table in ("table", "logger_table"):
        assert set(content["weather"][table]) == keys(TableLayout)
    assert set(content["recipients"][0]) == keys(Recipient)
    assert set(content["mail"]) == keys(Mail) - {"password_command"}
    assert "# password_command = " in (tmp_path / "w/site.toml").read_text("utf-8")


def test_every_line_can_be_read_in_an_editor(riskcast_command: Call, tmp_path: Path) -> None:
    riskcast_command("new", "w", *PLACE, *ZONE)
    rows = (tmp_path / "w/site.toml").read_text("utf-8").splitlines()
    assert [row for row in rows if len(row) > 100 and str(tmp_path) not in row] == []
    assert not [row for row in rows if row != row.rstrip()]


def test_what_is_switched_off_is_the_default(riskcast_command: Call, tmp_path: Path) -> None:
    """So that the file may be read as a list of what riskcast does."""
    riskcast_command("new", "w", *PLACE, *ZONE)
    weather = tomllib.loads(_switched_on(tmp_path / "w/site.toml"))["weather"]
    assert OpenMeteo(**weather["open-meteo"]) == OpenMeteo()
    assert weather["met-norway"]["url"] == MetNorway().url
    site = load_site(tmp_path / "w/site.toml")
    assert (site.weather.past_years, site.weather.max_age_hours) == (20, 36)
    assert site.weather.trend_adjusted is Weather().trend_adjusted


def test_the_daily_job_names_its_folder(riskcast_command: Call, tmp_path: Path) -> None:
    """Neither cron nor systemd starts there; an odd minute spares the services."""
    riskcast_command("new", "my wood", *PLACE, *ZONE)
    text = (tmp_path / "my wood/site.toml").read_text("utf-8")
    folder = tmp_path / "my wood"
    found = re.search(
        r"(?m)^#     (\d+) 7 \* \* \*  cd '(.*)' && '(.*)' run site.toml --send$", text
    )
    assert found
    assert int(found[1]) % 2 == 1
    assert found[2] == str(folder)
    assert f"WorkingDirectory={folder}\n" in text
    assert f'ExecStart="{found[3]}" run site.toml --send\n' in text


def test_cautions_and_place_rounding_are_in_it(riskcast_command: Call, tmp_path: Path) -> None:
    riskcast_command("new", "w")
    text = " ".join((tmp_path / "w/site.toml").read_text("utf-8").replace("#", "").split())
    for words in ("needs a licence", "left alone", "to a vet", "0.1 degrees", "OnCalendar"):
        assert words in text


@pytest.mark.parametrize("there", [["site.toml"], ["weights.xlsx"], ["site.toml", "weights.xlsx"]])
def test_nothing_is_overwritten(riskcast_command: Call, tmp_path: Path, there: list[str]) -> None:
    (tmp_path / "w").mkdir()
    for name in there:
        (tmp_path / "w" / name).write_text("precious")
    done = riskcast_command("new", "w")
    assert done.exit_code == 2
    for name in there:
        assert str(Path("w") / name) in done.stderr
        assert (tmp_path / "w" / name).read_text() == "precious"
    assert sorted(path.name for path in (tmp_path / "w").iterdir()) == sorted(there)


def test_folder_that_is_a_file(riskcast_command: Call, tmp_path: Path) -> None:
    (tmp_path / "w").write_text("precious")
    assert riskcast_command("new", "w").exit_code == 2
    assert (tmp_path / "w").read_text() == "precious"


def test_other_files_in_the_folder_do_not_matter(riskcast_command: Call, tmp_path: Path) -> None:
    (tmp_path / "notes.txt").write_text("precious")
    assert riskcast_command("new", ".").exit_code == 0
    assert (tmp_path / "notes.txt").read_text() == "precious"


def test_half_a_start_is_taken_back(
    riskcast_command: Call, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(new_module, "write_whole", full)
    assert riskcast_command("new", "w").exit_code == 75
    assert list((tmp_path / "w").iterdir()) == []


@pytest.mark.parametrize(
    ("option", "value"),
    [
        ("--latitude", "91"),
        ("--longitude", "356"),
        ("--elevation", "high"),
        ("--timezone", "Europe/Lodnon"),
        ("--name", "two\nlines"),
        ("--name", " "),
    ],
)
def test_wrong_values(riskcast_command: Call, tmp_path: Path, option: str, value: str) -> None:
    done = riskcast_command("new", "w", option, value)
    assert done.exit_code == 2
    assert not (tmp_path / "w").exists()
