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

from riskcast.base.errors import ConfigError, InputMissingError
from riskcast.cli import new as new_module
from riskcast.site import Mail, Recipient, Site, load_site

Call = Callable[..., Result]

PLACE = ("--latitude", "50.123456", "--longitude", "-4", "--elevation", "120")
ZONE = ("--timezone", "Europe/London")


def test_only_the_weather_is_missing(riskcast_command: Call, tmp_path: Path) -> None:
    done = riskcast_command("new", "my-wood", "--name", 'Wäldchen "am Hang"', *PLACE, *ZONE)
    assert done.exit_code == 0, done.output
    with pytest.raises(InputMissingError) as caught:
        load_site(tmp_path / "my-wood/site.toml")
    assert {fault.where.split(",")[0] for fault in caught.value.faults} == {
        "[weather] forecast",
        "[weather] history",
    }
    (tmp_path / "my-wood/forecast_2025-10-27.csv").touch()
    (tmp_path / "my-wood/history.csv").touch()
    site = load_site(tmp_path / "my-wood/site.toml")
    assert site.place.id == "waldchen-am-hang"
    assert site.place.name == 'Wäldchen "am Hang"'
    assert (site.place.latitude, site.place.longitude) == (50.123456, -4.0)
    assert (site.place.elevation_m, site.place.timezone) == (120, "Europe/London")
    openpyxl.load_workbook(site.weights.files[0]).close()


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
    assert "latitude=50.12&longitude=LONGITUDE&elevation=ELEVATION&" in text


def test_every_key_of_the_form_is_in_it(riskcast_command: Call, tmp_path: Path) -> None:
    """Switched on or off; with all of them switched on it is a whole site file."""
    riskcast_command("new", "w", *PLACE, *ZONE)
    text = (tmp_path / "w/site.toml").read_text("utf-8")
    text = text.partition("# Every day by itself")[0]
    switched_on = re.sub(r"(?m)^# (?=\[|[\w\".]+ = )", "", text)
    switched_on = re.sub(r"(?m)^rehab_below_g =", "rehab_below_g = 11.5", switched_on)
    switched_on = re.sub(r"(?m)^password_command", "# password_command", switched_on)
    content = tomllib.loads(switched_on)
    for name in ("food_dates.csv", "nest_logger.csv", "forecast_2025-10-27.csv", "history.csv"):
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
    assert set(content["recipients"][0]) == keys(Recipient)
    assert set(content["mail"]) == keys(Mail) - {"password_command"}
    assert "password_command" in text


def test_every_line_can_be_read_in_an_editor(riskcast_command: Call, tmp_path: Path) -> None:
    riskcast_command("new", "w", *PLACE, *ZONE)
    rows = (tmp_path / "w/site.toml").read_text("utf-8").splitlines()
    assert [row for row in rows if len(row) > 100 and "https://" not in row] == []
    assert not [row for row in rows if row != row.rstrip()]


def test_addresses_ask_at_a_hundredth_of_a_degree(riskcast_command: Call, tmp_path: Path) -> None:
    riskcast_command("new", "w", *PLACE, *ZONE)
    text = (tmp_path / "w/site.toml").read_text("utf-8")
    asked = re.findall(r"https://(\S+?)\.open-meteo\.com\S+latitude=([-\d.]+)&", text)
    assert [place for _, place in asked] == ["50.12"] * 3
    assert [host for host, _ in asked] == ["ensemble-api", "archive-api", "archive-api"]


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
