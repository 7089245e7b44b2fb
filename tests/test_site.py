"""The site file: what is read from it, and what it becomes."""

from __future__ import annotations

import datetime as dt
import sys
import tomllib
from pathlib import Path

import pydantic
import pytest

from riskcast.site import (
    SCHEMA,
    Habitat,
    Mail,
    MetNorway,
    OpenMeteo,
    Place,
    Recipient,
    Site,
    TableLayout,
    Visits,
    Weather,
    Weights,
    load_site,
)
from riskcast.site.lines import line_of, lines_of_keys
from riskcast.site.nearest import nearest
from riskcast.site.password import ENVIRONMENT, masked

LEAST = """\
schema = "riskcast.site/1"
[site]
id = "alder-hanger"
name = "Alder Hanger (invented)"
latitude = 50
longitude = -4.0
elevation_m = 120
timezone = "Europe/London"
[weights]
files = ["sheets/weights.xlsx"]
"""

FULL = """\
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

[species]
name = "hazel_dormouse"
[species.override]
"torpor.q10" = { value = 1.9, reason = "own measurements, report 3" }
"levels.look_again_days" = { value = [[30, 7], [90, 14]], reason = "rota" }

[habitat]
nest_depth_cm = 4
litter_depth_cm = 7.5
canopy = "evergreen"
plants = ["willow", "hazel"]
food_dates = "food_dates.csv"

[weights]
files = ["sheets/weights.xlsx", "sheets/more.csv"]
date_format = "DD/MM/YYYY"
unit = "mg"
bag_included = true
bag_mass_g = 12.5
columns = { "Nest box" = "box", Gewicht = "body_mass_g" }

[weather]
forecast = ["weather/forecast_*.csv", "open-meteo"]
history = "weather/history.nc"
past_years = 25
max_age_hours = 48
trend_adjusted = true
logger = "nest_logger.csv"
cache = "fetched"
[weather.open-meteo]
forecast_url = "http://127.0.0.1:8000/forecast"
ensemble_url = "http://127.0.0.1:8000/ensemble"
archive_url = "http://127.0.0.1:8000/archive"
previous_runs_url = "http://127.0.0.1:8000/previous"
forecast_model = "icon_seamless"
ensemble_model = "icon_eu_eps"
history_model = "era5_land"
calls_a_day = 5000
[weather.met-norway]
url = "http://127.0.0.1:8000/complete"
user_agent = "riskcast (keeper@example.org)"
[weather.table]
columns = { Lufttemperatur = "air_temperature (degC)" }
time = ["Datum", "Stunde"]
time_format = "DD.MM.YYYY hh"
utc_offset_hours = 1.0
missing = ["-999", "n/a"]
latitude = 50.1
longitude = -4.1
elevation_m = 95.0
[weather.logger_table]
columns = { "Temp 1" = "litter_temperature (degC)" }
time = ["Zeit"]
time_format = "YYYY-MM-DD hh:mm"
utc_offset_hours = 0.0
missing = []
latitude = 50.0
longitude = -4.0
elevation_m = 120.0

[visits]
planned = [2025-11-22, 2026-04-18]
notice_days = 3
min_gap_days = 21
weekdays = ["sat", "sun"]
season = ["03-15", "11-15"]

[risk]
target_mass_g = 15
rehab_below_g = 11.5

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
port = 587
security = "starttls"
username = "riskcast"
password_file = "smtp-password"
from = "riskcast <alerts@example.org>"
reply_to = "keeper@example.org"

[archive]
folder = "kept"
"""

FILES = (
    "sheets/weights.xlsx",
    "sheets/more.csv",
    "food_dates.csv",
    "nest_logger.csv",
    "weather/forecast_2025-10-27.csv",
    "weather/history.nc",
)


# Keys that become absolute paths.
PATHS = ("files", "food_dates", "logger", "forecast", "history", "cache", "folder")


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    for name in FILES:
        (tmp_path / name).parent.mkdir(exist_ok=True)
        (tmp_path / name).touch()
    return tmp_path


def write(folder: Path, text: str, encoding: str = "utf-8") -> Path:
    path = folder / "site.toml"
    path.write_text(text, encoding)
    return path


def mail(**changes: object) -> Mail:
    return Mail(
        **{"host": "localhost", "port": 2525, "security": "none"}
        | {"from_": "alerts@example.org"}
        | changes
    )


class TestReading:
    def test_every_key_arrives_under_its_own_name(self, folder: Path) -> None:
        site = load_site(write(folder, FULL))
        read = site.model_dump(mode="json", by_alias=True)
        written = tomllib.loads(FULL)
        for section, keys in written.items():
            if section in ("schema", "recipients"):
                continue
            for key, value in keys.items():
                if key in PATHS:
                    continue  # resolved: tested below
                if key == "password_file":
                    assert key not in read[section]
                    continue
                if key == "planned":
                    value = [day.isoformat() for day in value]
                assert read[section][key] == value, f"[{section}] {key}"
        assert read["recipients"] == written["recipients"]
        assert site.schema_ == SCHEMA

    def test_example_names_every_key_of_the_models(self) -> None:
        """So that the test above covers all of them."""

        def keys(model: type[pydantic.BaseModel]) -> set[str]:
            return {field.alias or name for name, field in model.model_fields.items()}

        written = tomllib.loads(FULL)
        assert keys(Site) == set(written)
        for section, model in {
            "site": Place,
            "habitat": Habitat,
            "weights": Weights,
            "weather": Weather,
            "visits": Visits,
        }.items():
            assert keys(model) == set(written[section])
        for section, model in {
            "open-meteo": OpenMeteo,
            "met-norway": MetNorway,
            "table": TableLayout,
            "logger_table": TableLayout,
        }.items():
            assert keys(model) == set(written["weather"][section])
        assert keys(Recipient) == set(written["recipients"][0])
        assert keys(Mail) == set(written["mail"]) | {"password_command"}

    def test_paths_are_absolute_from_the_folder_of_the_file(
        self, folder: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        write(folder, FULL)
        monkeypatch.chdir(folder.parent)
        site = load_site(Path(folder.name) / "site.toml")
        assert site.path == folder / "site.toml"
        assert site.folder == folder
        assert site.weights.files == (folder / "sheets/weights.xlsx", folder / "sheets/more.csv")
        assert site.habitat.food_dates == folder / "food_dates.csv"
        assert site.weather.logger == folder / "nest_logger.csv"
        assert site.weather.forecast == (str(folder / "weather/forecast_*.csv"), "open-meteo")
        assert site.weather.cache_folder == folder / "fetched"
        assert site.weather.history == str(folder / "weather/history.nc")
        assert site.archive_folder == folder / "kept"

    def test_defaults_of_what_is_left_out(self, folder: Path) -> None:
        site = load_site(write(folder, LEAST))
        assert site.place.latitude == 50.0
        assert site.place.boxes is None
        assert (site.habitat.nest_depth_cm, site.habitat.litter_depth_cm) == (3, 6)
        assert site.habitat.canopy == "deciduous"
        assert (site.weather.forecast, site.weather.history) == (("open-meteo",), "open-meteo")
        assert (site.weather.past_years, site.weather.max_age_hours) == (20, 36)
        assert (site.visits.notice_days, site.visits.min_gap_days) == (2, 14)
        assert site.visits.weekdays == ()
        assert site.risk.target_mass_g is None
        assert site.risk.rehab_below_g is None
        assert site.mail is None
        assert site.recipients == ()

    def test_archive_is_in_the_platforms_folder_when_none_is_named(
        self, folder: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        monkeypatch.setattr("platformdirs.user_state_path", lambda app: folder / "state" / app)
        site = load_site(write(folder, LEAST))
        assert site.archive_folder == folder / "state" / "riskcast" / "alder-hanger"

    def test_cache_is_in_the_platforms_folder_when_none_is_named(
        self, folder: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        monkeypatch.setattr("platformdirs.user_cache_path", lambda app: folder / "cache" / app)
        site = load_site(write(folder, LEAST))
        assert site.weather.cache_folder == folder / "cache" / "riskcast"

    def test_byte_order_mark_of_windows_editors(self, folder: Path) -> None:
        assert load_site(write(folder, LEAST, "utf-8-sig")).place.id == "alder-hanger"

    def test_service_names_are_not_taken_for_files(self, folder: Path) -> None:
        text = LEAST + '[weather]\nforecast = ["met-norway", "open-meteo"]\n'
        text += 'history = "open-meteo"\n[weather.met-norway]\nuser_agent = "riskcast (a@b.org)"\n'
        site = load_site(write(folder, text))
        assert (site.weather.forecast, site.weather.history) == (
            ("met-norway", "open-meteo"),
            "open-meteo",
        )

    def test_folder_of_forecasts(self, folder: Path) -> None:
        site = load_site(write(folder, LEAST + '[weather]\nforecast = "weather"\n'))
        assert site.weather.forecast == (str(folder / "weather"),)

    def test_species_file_of_ones_own(self, folder: Path) -> None:
        (folder / "own.toml").touch()
        site = load_site(write(folder, LEAST + '[species]\nname = "own.toml"\n'))
        assert site.species.name == str(folder / "own.toml")

    @pytest.mark.parametrize("text", ["YYYY-MM-DD", "DD/MM/YY", "D MMM YYYY", "DDMMYYYY"])
    def test_date_formats_of_the_weights_reader(self, folder: Path, text: str) -> None:
        site = load_site(write(folder, LEAST + f'date_format = "{text}"\n'))
        assert site.weights.date_format == text

    def test_season_over_new_year(self, folder: Path) -> None:
        site = load_site(write(folder, LEAST + '[visits]\nseason = ["10-01", "02-29"]\n'))
        assert site.visits.season == ("10-01", "02-29")

    def test_site_is_read_only(self, folder: Path) -> None:
        site = load_site(write(folder, LEAST))
        with pytest.raises(pydantic.ValidationError, match="frozen"):
            site.place.latitude = 51.0  # type: ignore[misc]

    def test_sections_can_be_built_by_hand(self) -> None:
        """In a notebook there is no folder: paths are taken as they are, nothing is looked up."""
        assert Habitat(food_dates=Path("x.csv")).food_dates == Path("x.csv")
        assert Weather(forecast="some/*.nc").forecast == ("some/*.nc",)
        assert Visits(planned=(dt.date(2025, 11, 22),)).planned == (dt.date(2025, 11, 22),)
        with pytest.raises(pydantic.ValidationError, match="between -90 and 90"):
            Place(id="a", name="a", latitude=91, longitude=0, elevation_m=0, timezone="UTC")
        with pytest.raises(pydantic.ValidationError, match="south of the equator"):
            Place(id="a", name="a", latitude=-41, longitude=0, elevation_m=0, timezone="UTC")


class TestPassword:
    def test_from_a_file_without_its_line_end(self, tmp_path: Path) -> None:
        (tmp_path / "pw").write_bytes(b"\xef\xbb\xbfhunter 2\r\n")
        assert mail(password_file=tmp_path / "pw").password() == "hunter 2"

    def test_file_in_the_credentials_folder_of_systemd(
        self, folder: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        (folder / "smtp").write_text("hunter2")
        monkeypatch.setenv("CREDENTIALS_DIRECTORY", str(folder))
        text = FULL.replace('"smtp-password"', '"$CREDENTIALS_DIRECTORY/smtp"')
        site = load_site(write(folder, text))
        assert site.mail is not None
        assert site.mail.password() == "hunter2"

    def test_from_the_first_line_of_a_command(self) -> None:
        command = f"""'{sys.executable}' -c "print('hunter2'); print('user: me')" """
        assert mail(password_command=command).password() == "hunter2"

    def test_from_the_environment_last(
        self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        monkeypatch.setenv(ENVIRONMENT, "from-environment")
        assert mail().password() == "from-environment"
        (tmp_path / "pw").write_text("from-file")
        assert mail(password_file=tmp_path / "pw").password() == "from-file"

    def test_none_is_known(self, monkeypatch: pytest.MonkeyPatch) -> None:
        monkeypatch.delenv(ENVIRONMENT, raising=False)
        assert mail().password() is None

    def test_masked_wherever_it_turns_up(
        self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        monkeypatch.setenv(ENVIRONMENT, "open sesame")
        (tmp_path / "pw").write_text("it's\\hidden")
        mail(password_file=tmp_path / "pw").password()
        said = masked(f"login {'it' + chr(39) + 's' + chr(92) + 'hidden'!r} then open sesame.")
        assert "hidden" not in said
        assert "sesame" not in said


class TestLines:
    def test_sections_dotted_and_quoted_keys(self) -> None:
        text = (
            "top = 1\n[a]\nx = 1 # y = 2\n\n[a.'b.c']\n\"q.r\" = { v = 1 }\ns.t = 2\n"
            "[[p]]\nk = 1\n[[p]]\n# k = 3\nk = 2\n"
        )
        lines = lines_of_keys(text)
        assert lines == {
            ("top",): 1,
            ("a",): 2,
            ("a", "x"): 3,
            ("a", "b.c"): 5,
            ("a", "b.c", "q.r"): 6,
            ("a", "b.c", "s", "t"): 7,
            ("p", 0): 8,
            ("p", 0, "k"): 9,
            ("p", 1): 10,
            ("p", 1, "k"): 12,
        }
        assert line_of(("a", "b.c", "q.r", "v"), lines) == 6
        assert line_of(("z",), lines) == 0

    def test_agrees_with_the_standard_parser(self) -> None:
        """Every key that `tomllib` finds in the example has its line, and the line names it."""
        rows = FULL.splitlines()
        lines = lines_of_keys(FULL)
        content = tomllib.loads(FULL)
        for section, keys in content.items():
            for key in keys if isinstance(keys, dict) else ():
                assert key in rows[lines[section, key] - 1]


@pytest.mark.parametrize(
    ("typed", "meant"),
    [
        ("notice_day", "notice_days"),
        ("Notice-Days", "notice_days"),
        ("weekday", "weekdays"),
        ("xyz", ""),
        ("", ""),
    ],
)
def test_nearest_key(typed: str, meant: str) -> None:
    assert nearest(typed, ["planned", "notice_days", "min_gap_days", "weekdays"]) == meant
