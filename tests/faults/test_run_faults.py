"""Whole runs when something is wrong or nothing is asked: the disk, the inputs, the calendar.

Small invented weather of sines, three members and seven past winters, so that a run takes about a
second. What matters is how a run ends: the exit code, what was said, and what lies on the disk.
"""

from __future__ import annotations

import datetime as dt
import errno
import json
import math
import os
import re
import sqlite3
import sys
from pathlib import Path

import numpy as np
import pytest
import xarray as xr
from click.testing import CliRunner

import riskcast as rc
import riskcast.pipeline  # so that it can be replaced in part
from riskcast.archive import FILE_NAME, Archive, database
from riskcast.base import files
from riskcast.base.errors import UsageError
from riskcast.cli.app import app

HEAD = "event_date,box,organism_id,life_stage,sex,body_mass_g,activity,remarks"
AUTUMN = (
    "2025-10-18,4,,juvenile,female,11.0,active,",
    "2025-10-18,9,,juvenile,male,16.5,active,",
    "2025-10-18,9,,adult,female,24.0,torpid,",
)
UNITS = {"air_temperature": "degC", "precipitation": "mm", "wind_speed": "m s-1"}


def weather(first, last, shifts=(0.0,)):
    """Hours of a mild climate whose years differ; one member a shift."""
    time = np.arange(np.datetime64(first, "h"), np.datetime64(last, "h"))
    hour = time.astype(int)
    season = np.cos(2 * np.pi * (hour / 24.0 - 20.0) / 365.2425)
    slow = 1.5 * np.sin(hour / 311.0) + 1.2 * np.sin(hour / 5003.0)
    air = 10.0 - 6.0 * season - 2.5 * np.cos(2 * np.pi * (hour % 24 - 2) / 24.0) + slow
    values = {
        "air_temperature": air + np.asarray(shifts)[:, np.newaxis],
        "precipitation": np.broadcast_to(
            np.where(hour % 61 < 3, 0.8, 0.0), (len(shifts), len(hour))
        ),
        "wind_speed": np.broadcast_to(3.0 + np.sin(hour / 9.0), (len(shifts), len(hour))),
    }
    dims = ("member", "time") if len(shifts) > 1 else ("time",)
    data = {
        name: (dims, array if len(shifts) > 1 else array[0], {"units": UNITS[name]})
        for name, array in values.items()
    }
    made = xr.Dataset(data, {"time": time.astype("datetime64[ns]")})
    return made.assign_coords(latitude=50.0, longitude=-4.0)


@pytest.fixture(scope="session")
def history(tmp_path_factory):
    path = tmp_path_factory.mktemp("sines") / "history.nc"
    weather("2018-07-01", "2027-01-01").to_netcdf(path)
    return path


class Wood:
    """A site in a folder, with everything it reads."""

    def __init__(self, folder, history):
        self.folder, self.history = folder, history
        self.out = folder / "out"
        folder.mkdir(parents=True, exist_ok=True)
        self.weigh(*AUTUMN)
        self.write()

    def weigh(self, *rows):
        (self.folder / "weights.csv").write_text("\n".join([HEAD, *rows, ""]), "utf-8")

    def write(self, **changes):
        values = {
            "history": str(self.history),
            "forecast": str(self.folder / "forecast-*.nc"),
            "weights": "weights.csv",
            "archive": str(self.folder / "archive"),
            "planned": "[2025-11-22, 2026-04-18]",
            **changes,
        }
        self.site = self.folder / "site.toml"
        self.site.write_text(
            f"""schema = "riskcast.site/1"
[site]
id = "test-wood"
name = "Test Wood"
latitude = 50.0
longitude = -4.0
elevation_m = 100
timezone = "Europe/London"
[habitat]
plants = ["oak", "hazel"]
[weights]
files = ["{values["weights"]}"]
[weather]
history = "{values["history"]}"
forecast = "{values["forecast"]}"
past_years = 7
[visits]
planned = {values["planned"]}
weekdays = ["sat", "sun"]
[[recipients]]
name = "Monitor"
address = "monitor@example.org"
role = "monitor"
[[recipients]]
name = "Rehabilitator"
address = "rehab@example.org"
role = "rehabilitator"
[archive]
folder = "{values["archive"]}"
""",
            "utf-8",
        )

    def forecast(self, day, days=10):
        start = np.datetime64(day, "h")
        made = weather(start, start + 24 * days, shifts=(-1.0, 0.0, 1.2))
        made.attrs["reference_time"] = f"{day}T00:00:00Z"
        made.to_netcdf(self.folder / f"forecast-{day}.nc")

    def run(self, day, *options, weather=True):
        """The command on a day, with the forecast of that day."""
        if weather:
            self.forecast(day)
        arguments = ["run", str(self.site), "--as-of", str(day), "--out", str(self.out), *options]
        return CliRunner().invoke(app, arguments)

    def document(self, day):
        path = self.out / "test-wood" / str(day) / "assessment.json"

        def refuse(name):
            raise AssertionError(f"{name} in assessment.json")

        return json.loads(path.read_text("utf-8"), parse_constant=refuse)

    def risks(self, day):
        return {risk["id"]: risk for risk in self.document(day)["risks"]}

    def letters(self, day):
        return sorted((self.out / "test-wood" / str(day)).glob("*.eml"))

    def left(self):
        """Everything under the results' folder."""
        return sorted(path.name for path in self.out.rglob("*") if path.is_file())


@pytest.fixture
def wood(tmp_path, history):
    return Wood(tmp_path / "wood", history)


OCTOBER = dt.date(2025, 10, 27)
WHOLE = ["alert-monitor-1.eml", "alert-rehabilitator-1.eml", "assessment.json"]


def test_the_small_wood_runs(wood):
    done = wood.run(OCTOBER)
    assert done.exit_code == 0, done.output
    assert wood.left() == WHOLE
    assert done.stderr == ""
    assert wood.risks(OCTOBER)["autumn_mass"]["status"] == "assessed"


# --- the disk ---------------------------------------------------------------------------------


@pytest.fixture(autouse=True)
def few_draws(monkeypatch):
    """What is tested here does not depend on how often chance was asked."""
    module = sys.modules["riskcast.pipeline.run"]
    real = module.forecast
    few = lambda site, now, **options: real(site, now, **{**options, "draws": 32})  # noqa: E731
    monkeypatch.setattr(module, "forecast", few)


@pytest.fixture(scope="module")
def numbers_of():
    return {}


@pytest.fixture
def computed_once(monkeypatch, few_draws, numbers_of):
    """The same numbers again for the same weights: these tests begin where files are written."""
    module = sys.modules["riskcast.pipeline.run"]
    real = module.forecast

    def once(site, now, **options):
        key = (now.issued_at, site.weights.files[0].read_bytes())
        if key not in numbers_of:
            numbers_of[key] = real(site, now, **options)
        return numbers_of[key]

    monkeypatch.setattr(module, "forecast", once)


def refusing(function, error, after=0):
    """The function, which raises from the call number `after` on."""
    calls = []

    def called(*args, **kwargs):
        calls.append(args)
        if len(calls) > after:
            raise error
        return function(*args, **kwargs)

    return called


def runs_kept(wood):
    path = wood.folder / "archive" / FILE_NAME
    if not path.exists():
        return 0
    with sqlite3.connect(path) as connection:
        (count,) = connection.execute("SELECT count(*) FROM runs").fetchone()
    connection.close()
    return count


def test_results_folder_that_is_a_file(wood, computed_once):
    wood.out.mkdir()
    (wood.out / "test-wood").write_text("a file of mine")
    done = wood.run(OCTOBER)
    assert done.exit_code == 66
    assert "test-wood" in done.stderr
    assert wood.left() == ["test-wood"]
    assert runs_kept(wood) == 0


def test_results_folder_that_may_not_be_written(wood, computed_once, monkeypatch):
    denied = PermissionError(errno.EACCES, "Permission denied", "/somewhere/.x.part")
    monkeypatch.setattr(files.tempfile, "mkstemp", refusing(None, denied))
    done = wood.run(OCTOBER)
    assert done.exit_code == 66
    assert "alert-monitor-1.eml: Permission denied" in done.stderr
    assert ".part" not in done.stderr
    assert wood.left() == []
    assert runs_kept(wood) == 0


@pytest.mark.skipif(getattr(os, "geteuid", int)() == 0, reason="root may write anywhere")
def test_results_folder_without_the_right_to_write(wood, computed_once):
    wood.out.mkdir(mode=0o500)
    done = wood.run(OCTOBER)
    assert done.exit_code == 66
    assert wood.left() == []


@pytest.mark.parametrize(
    ("after", "code"),
    [(0, errno.ENOSPC), (1, errno.EDQUOT), (2, errno.ENOSPC)],
    ids=["first file", "second file, quota", "last file"],
)
def test_full_disk_leaves_no_half_file_and_no_finished_run(
    wood, computed_once, monkeypatch, after, code
):
    """The disk fills up before the first, the second or the last of three files."""
    real = os.fsync
    monkeypatch.setattr(files.os, "fsync", refusing(real, OSError(code, "no space"), after))
    done = wood.run(OCTOBER)
    assert done.exit_code == 75
    assert "disk is full" in done.stderr
    assert "fault of its own" not in done.stderr
    left = wood.left()
    assert "assessment.json" not in left
    assert left == WHOLE[:after]
    for path in wood.letters(OCTOBER):
        assert path.read_bytes().rstrip().endswith(b"--")  # the last boundary: a whole message
    assert runs_kept(wood) == 0

    monkeypatch.setattr(files.os, "fsync", real)
    assert wood.run(OCTOBER).exit_code == 0
    assert wood.left() == WHOLE
    assert runs_kept(wood) == 1


def test_full_disk_keeps_the_document_of_before(wood, computed_once, monkeypatch):
    assert wood.run(OCTOBER).exit_code == 0
    before = wood.document(OCTOBER)
    wood.weigh(*AUTUMN[:1])
    monkeypatch.setattr(files.os, "fsync", refusing(os.fsync, OSError(errno.ENOSPC, "full"), 2))
    assert wood.run(OCTOBER).exit_code == 75
    assert wood.document(OCTOBER) == before
    assert wood.left() == WHOLE


def test_archive_that_may_only_be_read(wood, computed_once, monkeypatch):
    """SQLite's own refusal, from a database opened read-only."""
    Archive(wood.folder / "archive")

    def read_only(path):
        uri = f"{Path(path).absolute().as_uri()}?mode=ro"
        return sqlite3.connect(uri, uri=True, isolation_level=None)

    monkeypatch.setattr(database, "_connected", read_only)
    done = wood.run(OCTOBER)
    assert done.exit_code == 75
    assert "may only be read" in done.stderr
    assert all(not name.endswith(".part") for name in wood.left())
    monkeypatch.undo()
    assert runs_kept(wood) == 0


@pytest.mark.parametrize(
    "spoil",
    [
        lambda folder: folder.write_text("a file where the folder should be"),
        lambda folder: (folder.mkdir(), (folder / FILE_NAME).write_bytes(b"garbage" * 500)),
    ],
    ids=["a file", "damaged"],
)
def test_archive_that_cannot_be_used_stops_before_anything_is_written(wood, computed_once, spoil):
    spoil(wood.folder / "archive")
    done = wood.run(OCTOBER)
    assert done.exit_code == 66
    assert "archive" in done.stderr
    assert wood.left() == []


def test_interrupted_by_the_keeper(wood, computed_once, monkeypatch):
    monkeypatch.setattr(files.os, "fsync", refusing(os.fsync, KeyboardInterrupt(), 1))
    done = wood.run(OCTOBER)
    assert done.exit_code == 130
    assert wood.left() == WHOLE[:1]
    assert runs_kept(wood) == 0


# --- the inputs -------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("content", "code", "said"),
    [
        (f"{HEAD}\n2025-10-18,4,,juvenile,female,195,active,\n", 65, "195"),
        (f"{HEAD}\n", 65, "no row"),
        ("", 65, "empty"),
        ("%PDF-1.4\n%\xe2\xe3\xcf\xd3 stream", 65, "PDF"),
        ("a,b,c\n1,2,3\n", 65, "heading"),
    ],
    ids=["one bad row", "headings only", "empty file", "a PDF", "another table"],
)
def test_no_usable_weights(wood, content, code, said):
    (wood.folder / "weights.csv").write_text(content, "latin-1")
    done = wood.run(OCTOBER)
    assert done.exit_code == code, done.output
    assert said in done.stderr
    assert done.stdout == ""
    assert wood.left() == []


def test_weights_that_are_not_there(wood):
    (wood.folder / "weights.csv").unlink()
    done = wood.run(OCTOBER)
    assert done.exit_code == 66
    assert "weights.csv" in done.stderr


def test_no_forecast_yet(wood):
    wood.forecast(dt.date(2025, 11, 3))
    done = wood.run(OCTOBER, weather=False)
    assert done.exit_code == 69
    assert "forecast-2025-11-03.nc" in done.stderr
    assert "made later" in done.stderr
    assert wood.left() == []


def test_damaged_forecast(wood):
    (wood.folder / f"forecast-{OCTOBER}.nc").write_bytes(b"\x89HDF\r\n\x1a\n" + bytes(100))
    done = wood.run(OCTOBER, weather=False)
    assert done.exit_code == 69
    assert f"forecast-{OCTOBER}.nc" in done.stderr


def test_no_service_is_asked_for_a_forecast_of_the_past(wood):
    """What it says today was not known then: only kept forecasts count, and there are none."""
    wood.write(forecast="open-meteo")
    done = wood.run(OCTOBER)
    assert done.exit_code == 69
    assert "No forecast made by 2025-10-27T23:59" in done.stderr
    assert "leave --as-of out" in done.stderr
    assert "50.0" not in done.stderr
    assert wood.left() == []


def test_faults_of_the_site_file_come_all_at_once(wood):
    text = wood.site.read_text("utf-8")
    text = text.replace("latitude = 50.0", "latitude = 95.0").replace("weekdays", "weekday")
    wood.site.write_text(text, "utf-8")
    done = wood.run(OCTOBER)
    assert done.exit_code == 78
    assert "latitude" in done.stderr
    assert "weekday" in done.stderr
    assert wood.left() == []


def with_history(wood, first, last="2026-06-01"):
    wood.history = wood.folder / "short-history.nc"
    weather(first, last).to_netcdf(wood.history)
    wood.write()


def test_history_of_this_season_only(wood):
    """Nothing to go on with after the forecast: an error that names the remedy, no NaN."""
    with_history(wood, "2025-07-01")
    done = wood.run(OCTOBER)
    assert done.exit_code == 69
    assert "no complete past winter" in done.stderr
    assert "two years back" in done.stderr
    assert wood.left() == []


@pytest.mark.parametrize("day", [OCTOBER, dt.date(2026, 1, 12), dt.date(2026, 3, 30)], ids=str)
def test_too_few_past_years_to_say_what_is_normal(wood, day):
    """Two past winters carry the futures on, but are no normal."""
    with_history(wood, "2023-07-01")
    done = wood.run(day)
    assert done.exit_code == 0, done.output
    document = wood.document(day)
    asked = [risk for risk in document["risks"] if risk["status"] != "not_asked_now"]
    assert asked
    for risk in asked:
        if risk["id"] == "autumn_mass":  # needs no normal
            assert risk["status"] == "assessed"
            assert risk["confidence"] == "low"
            continue
        assert risk["status"] == "not_enough_data"
        (reason,) = risk["reasons"]
        assert reason == {"code": "no_past_years", "numbers": {"have": 2, "needed": 5}}
    assert document["gate"] == {
        "passed": False, "share": None, "needed": 0.8, "reason": "no_past_years"
    }  # fmt: skip
    reference = document["reference_animal"]
    assert reference["days_vs_normal"]["value"] is None
    assert reference["days_vs_normal"]["reason"] == "no_past_years"
    assert reference["days_in_hand"]["none"]["value"] is not None
    assert "2 past years" in " ".join(done.stdout.split()) or day == OCTOBER
    assert {advice["level"] for advice in document["advice"]} <= {"steady", "watch", "plan", "act"}


@pytest.mark.parametrize(
    ("day", "assessed", "without"),
    [
        (OCTOBER, set(), {"autumn_mass"}),
        (dt.date(2026, 1, 12), {"winter_arousal", "winter_reserve"}, set()),
        (dt.date(2026, 3, 30), {"winter_arousal", "winter_reserve", "spring_food"}, set()),
    ],
    ids=str,
)
def test_no_current_animal_leaves_the_reference_animal(wood, day, assessed, without):
    """The sheet ends in May: whoever lived then has not been seen since."""
    wood.weigh("2025-05-17,4,,adult,female,18.0,torpid,", "2025-05-17,9,,adult,male,21.0,,")
    done = wood.run(day)
    assert done.exit_code == 0, done.output
    risks = wood.risks(day)
    assert {name for name, risk in risks.items() if risk["status"] == "assessed"} == assessed
    unknown = {name for name, risk in risks.items() if risk["status"] == "not_enough_data"}
    assert unknown == without
    for name in without:
        assert [reason["code"] for reason in risks[name]["reasons"]] == ["no_weights"]
    document = wood.document(day)
    assert document["animals"] == []
    assert math.isfinite(document["reference_animal"]["days_to_spare"]["none"]["value"])
    assert "No weighed animal to show." in done.stdout
    if without:
        assert "bring scales. We have no weights" in " ".join(done.stdout.split())


def test_old_weights_are_shown_and_not_ranked(wood):
    """Sixty-nine days old in autumn: too old to say what the animals weigh now."""
    wood.weigh("2025-08-19,4,,juvenile,female,11.0,active,")
    done = wood.run(OCTOBER)
    assert done.exit_code == 0
    (animal,) = wood.document(OCTOBER)["animals"]
    assert (animal["ranked"], animal["why_not"]) == (False, "weight_too_old")
    assert animal["days_to_spare"]["none"] == {
        "value": None, "unit": "day", "low": None, "high": None, "at_least": False,
        "reason": "weight_too_old",
    }  # fmt: skip
    text = wood.letters(OCTOBER)[0].read_text("ascii").replace("=\n", "")
    assert "Not ranked: the weight is too old" in " ".join(text.split())


def test_no_planned_visit(wood):
    wood.write(planned="[]")
    done = wood.run(OCTOBER)
    assert done.exit_code == 0, done.output
    (advice, _) = wood.document(OCTOBER)["advice"]
    assert advice["visit_day"] is None
    assert "no_planned_visit" in {reason["code"] for reason in advice["reasons"]}


# --- the calendar -----------------------------------------------------------------------------


def test_summer_asks_nothing_and_the_run_is_fine(wood):
    day = dt.date(2025, 7, 10)
    wood.weigh("2025-05-17,4,,adult,female,18.0,torpid,", *AUTUMN)
    done = wood.run(day)
    assert done.exit_code == 0, done.output
    risks = wood.risks(day)
    assert {risk["status"] for risk in risks.values()} == {"not_asked_now"}
    assert risks["autumn_mass"]["window"]["start"] == "2025-09-01"
    for advice in wood.document(day)["advice"]:
        assert advice["level"] == "steady"
        assert advice["look_again"] == "2025-09-01"
    assert done.stdout.count("not asked now") == 4


@pytest.mark.parametrize(
    ("day", "status"),
    [
        (dt.date(2025, 8, 31), "not_asked_now"),
        (dt.date(2025, 9, 1), "assessed"),
    ],
    ids=str,
)
def test_autumn_begins_on_the_first_of_september(wood, day, status):
    wood.weigh("2025-08-16,4,,juvenile,female,11.0,active,")
    assert wood.run(day).exit_code == 0
    assert wood.risks(day)["autumn_mass"]["status"] == status
    (animal,) = wood.document(day)["animals"]
    assert animal["ranked"] is (status == "assessed")
    assert animal["why_not"] == ("" if animal["ranked"] else "not_asked_now")


def test_winter_begins_at_the_onset_and_autumn_ends_there(wood):
    """Some days before the median onset, the day itself, the day after, and well after."""
    wood.run(OCTOBER)
    onset = dt.date.fromisoformat(wood.risks(OCTOBER)["winter_arousal"]["window"]["start"])
    assert dt.date(2025, 10, 15) < onset < dt.date(2025, 12, 1)
    seen = []
    for days in (-3, 0, 1, 12):
        day = onset + dt.timedelta(days=days)
        assert wood.run(day).exit_code == 0
        risks = wood.risks(day)
        now = dt.date.fromisoformat(risks["winter_arousal"]["window"]["start"])
        assert abs((now - onset).days) <= 7  # the weather moves it a little from day to day
        winter = risks["winter_arousal"]["status"]
        assert winter == ("assessed" if day >= now else "not_asked_now")
        assert risks["winter_reserve"]["status"] == winter
        end = dt.date.fromisoformat(risks["autumn_mass"]["window"]["end"])
        assert risks["autumn_mass"]["status"] == ("assessed" if day <= end else "not_asked_now")
        seen.append(winter)
    assert seen[0] == "not_asked_now"
    assert seen[-1] == "assessed"


def test_the_last_days_of_the_season(wood):
    for day in (dt.date(2026, 5, 20), dt.date(2026, 5, 31)):
        done = wood.run(day)
        assert done.exit_code == 0, done.output
        document = wood.document(day)
        assert document["horizon"] == "2026-06-01"
        for risk in document["risks"]:
            assert risk["reasons"]
            assert (risk["concern"] is None) == (risk["status"] != "assessed")


def test_the_first_of_june_is_the_next_season(wood):
    day = dt.date(2026, 6, 1)
    done = wood.run(day)
    assert done.exit_code == 0, done.output
    document = wood.document(day)
    assert document["horizon"] == "2027-06-01"
    assert {risk["status"] for risk in document["risks"]} == {"not_asked_now"}
    assert wood.risks(day)["autumn_mass"]["window"]["start"] == "2026-09-01"
    assert document["animals"][0]["ranked"] is False


@pytest.mark.parametrize(
    "day",
    [dt.date(2025, 10, 26), dt.date(2026, 3, 29), dt.date(2024, 2, 29), dt.date(2025, 12, 31)],
    ids=["25 hours", "23 hours", "leap day", "new year's eve"],
)
def test_days_that_trip_clocks(wood, day):
    if day.year == 2024:
        wood.weigh("2023-10-18,4,,juvenile,female,11.0,active,")
    done = wood.run(day)
    assert done.exit_code == 0, done.output
    document = wood.document(day)
    assert document["issued_on"] == day.isoformat()
    assert document["calendar"]["days"][0] == day.isoformat()
    days = [dt.date.fromisoformat(text) for text in document["calendar"]["days"]]
    assert [(d - days[0]).days for d in days] == list(range(len(days)))


def test_fail_on_comes_after_everything_is_written(wood):
    done = wood.run(OCTOBER, "--fail-on", "watch")
    levels = {advice["level"] for advice in wood.document(OCTOBER)["advice"]}
    assert levels & {"watch", "plan", "act"}
    assert done.exit_code == 1
    assert wood.left() == WHOLE
    assert (
        wood.run(OCTOBER, "--json").stdout.strip()
        == (wood.out / "test-wood" / str(OCTOBER) / "assessment.json").read_text("utf-8").strip()
    )


def test_progress_tells_the_steps_and_where_it_lies(wood):
    done = wood.run(OCTOBER, "-v")
    for step in ("weights", "weather", "nest temperature", "risk", "advice and letters"):
        assert re.search(rf"^  {step}", done.stderr, re.MULTILINE)
    assert "assessment.json" in done.stderr


def test_the_python_surface_runs_the_same_way(wood):
    wood.forecast(OCTOBER)
    done = rc.run(wood.site, as_of=OCTOBER, out=wood.out)
    assert isinstance(done, rc.Run)
    assert done.assessment.draws == 32
    assert {one.role for one in done.advice} == {"monitor", "rehabilitator"}
    assert len(done.messages) == 2
    with pytest.raises(UsageError, match="as-of"):
        rc.run(wood.site, as_of=OCTOBER, out=wood.out, send=True)
