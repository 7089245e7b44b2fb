"""Open-Meteo: real recorded answers read to the values in them, and what is asked for.

Files A01 to A05 are answers other projects recorded (Berlin, twelve places in Britain, two
ensembles, one error); the values beside them were read by hand in the files.
"""

from __future__ import annotations

import datetime as dt
import json
from types import SimpleNamespace

import invented_weather
import numpy as np
import pytest
import service_faults
from loopback import Services

from riskcast.base.errors import WeatherError
from riskcast.site import OpenMeteo
from riskcast.weather.files import assemble
from riskcast.weather.providers import open_meteo
from riskcast.weather.providers.open_meteo_body import read as read_body
from riskcast.weather.web import Limits, NotWhole, Web


@pytest.fixture
def recorded(real_data):
    def read(name):
        (path,) = (real_data / "weather").glob(f"{name}_*.json")
        return path.read_bytes()

    return read


def answer(**changes):
    """Two hours at the test place, in the documented shape."""
    hourly = {"time": ["2025-10-27T00:00", "2025-10-27T01:00"]}
    units = {"time": "iso8601"}
    head = {
        "latitude": 50.0,
        "longitude": -4.0,
        "utc_offset_seconds": 0,
        "timezone": "GMT",
        "elevation": 120.0,
    }
    for key, (unit, values) in changes.pop("hourly", TEMPERATURE | RAIN).items():
        hourly[key], units[key] = values, unit
    return {**head, "hourly_units": units, "hourly": hourly, **changes}


TEMPERATURE = {"temperature_2m": ("°C", [7.5, 7.1])}
RAIN = {"precipitation": ("mm", [0.0, 0.4])}


def body(document):
    return json.dumps(document).encode()


def values(table, name):
    return table.values[name][0].tolist()


# --- recorded answers ------------------------------------------------------------------------


def test_a01_berlin_hour_by_hour(recorded, make_place):
    place = make_place(52.52, 13.42, 40.0)
    table = open_meteo.read(recorded("A01"), "A01", place)
    # utc_offset_seconds is 3600: the first stamp, 2021-11-24T00:00, is 23:00 UTC the day before.
    assert table.time[0] == np.datetime64("2021-11-23T23:00")
    assert len(table.time) == 168
    assert values(table, "air_temperature")[:4] == [6.9, 6.8, 6.8, 6.6]
    assert values(table, "air_temperature")[-1] == 3.0
    assert values(table, "precipitation")[2] == 0.01
    assert values(table, "precipitation")[-2:] == [0.04, 0.88]
    assert table.elevation_m == 44.8125
    assert table.depth.tolist() == [0.0, 0.06, 0.18]
    assert table.values["soil_temperature"][0, 0].tolist() == [6.6, 6.4, 6.3]
    assert table.values["soil_temperature"][0, -1].tolist() == [2.7, 2.8, 3.4]
    assert set(values(table, "snow_depth")) == {0.0}
    assert "relative_humidity" not in table.values  # not asked for by who recorded it


def test_a01_daily_values_recomputed_from_its_hours_are_the_provider_s_own(recorded, make_place):
    """Days of the answer are days of its fixed offset, and sums belong to the stamp's day."""
    table = open_meteo.read(recorded("A01"), "A01", make_place(52.52, 13.42))
    theirs = json.loads(recorded("A01"))["daily"]
    day = (table.time + np.timedelta64(3600, "s")).astype("datetime64[D]")
    for i, date in enumerate(theirs["time"]):
        here = day == np.datetime64(date)
        assert here.sum() == 24
        air, rain = (table.values[n][0, here] for n in ("air_temperature", "precipitation"))
        assert air.max() == theirs["temperature_2m_max"][i]
        assert air.min() == theirs["temperature_2m_min"][i]
        assert rain.sum() == pytest.approx(theirs["precipitation_sum"][i], abs=1e-9)


@pytest.mark.parametrize(
    ("latitude", "longitude", "elevation_m", "first_degc"),
    [(51.5, -0.1, 23.0, 11.9), (55.9, -4.3, 38.0, 9.8), (51.5, -2.45, 27.0, 12.8)],
)
def test_a02_of_twelve_places_the_nearest(
    recorded, make_place, latitude, longitude, elevation_m, first_degc
):
    table = open_meteo.read(recorded("A02"), "A02", make_place(latitude, longitude))
    assert table.elevation_m == elevation_m
    assert values(table, "air_temperature")[0] == first_degc
    assert table.time[[0, -1]].astype("datetime64[h]").tolist() == [
        np.datetime64("2024-01-26T00", "h").item(),
        np.datetime64("2024-02-04T23", "h").item(),
    ]
    assert not table.faults


@pytest.mark.parametrize(("height_m", "first_degc"), [(80.0, 12.1), (50.0, 12.2)])
def test_a02_of_two_in_one_cell_the_one_nearer_in_height(
    recorded, make_place, height_m, first_degc
):
    """Entries 4 and 10 have the same cell, 52.8 N 1.2 W, for heights of 75 and 59 m."""
    table = open_meteo.read(recorded("A02"), "A02", make_place(52.8, -1.2, height_m))
    assert values(table, "air_temperature")[0] == first_degc


def test_a02_no_place_near_is_told(recorded, make_place):
    table = open_meteo.read(recorded("A02"), "A02", make_place(50.0, 8.0))
    assert "the site lies outside the file" in table.faults[0].problem


def test_a03_control_and_twenty_members(recorded, make_place):
    table = open_meteo.read(recorded("A03"), "A03", make_place(52.5, 7.0))
    assert table.member.tolist() == list(range(21))
    air = table.values["air_temperature"]
    assert air.shape == (21, 2)
    assert air[0].tolist() == [10.5, 10.1]
    assert air[14].tolist() == [11.8, 11.3]
    assert air[20].tolist() == [11.1, 10.8]


def test_a03_a_member_taken_out_leaves_the_others_their_numbers(recorded, make_place):
    document = json.loads(recorded("A03"))
    del document["hourly"]["temperature_2m_member02"]
    table = open_meteo.read(body(document), "A03", make_place(52.5, 7.0))
    assert table.member.tolist() == [0, 1, *range(3, 21)]
    assert table.values["air_temperature"][2].tolist() == [10.3, 9.7]  # member 3


def test_a04_summer_time_is_taken_off(recorded, make_place):
    table = open_meteo.read(recorded("A04"), "A04", make_place(52.25, 5.0))
    # 2026-07-11T00:00, seven thousand two hundred seconds ahead of UTC
    assert table.time.tolist() == [np.datetime64("2026-07-10T22:00", "ns").item()]
    assert table.member.tolist() == list(range(31))
    air = table.values["air_temperature"][:, 0]
    assert air[[0, 1, 8, 30]].tolist() == [18.9, 19.0, 18.5, 19.1]


def test_a05_the_provider_s_reason_is_told(recorded, place):
    with pytest.raises(WeatherError) as error:
        open_meteo.read(recorded("A05"), "A05", place)
    assert "Cannot initialize TemperatureUnit from invalid String value asdfsfd" in str(error.value)


# --- shapes that come along ------------------------------------------------------------------


def test_a_reason_is_told_without_the_place_of_the_question(place):
    document = {"error": True, "reason": "No data at latitude 50.12, longitude -4.99 in model x1"}
    with pytest.raises(WeatherError, match=r"latitude …, longitude … in model x1") as error:
        open_meteo.read(body(document), "answer.json", place)
    assert "50.1" not in str(error.value)


def test_units_are_those_of_each_array(place):
    """precipitation_unit=inch brings snow depth in feet (server source, SiUnit.swift)."""
    document = answer(
        hourly={
            "temperature_2m": ("°F", [50.0, 32.0]),
            "precipitation": ("inch", [0.0, 0.5]),
            "snow_depth": ("ft", [1.0, 0.0]),
            "wind_speed_10m": ("mp/h", [10.0, 0.0]),
        }
    )
    table = open_meteo.read(body(document), "answer", place)
    assert values(table, "air_temperature") == pytest.approx([10.0, 0.0])
    assert values(table, "precipitation") == pytest.approx([0.0, 12.7])
    assert values(table, "snow_depth") == pytest.approx([0.3048, 0.0])
    assert values(table, "wind_speed") == pytest.approx([4.4704, 0.0])


def test_units_nobody_knows_are_refused(place):
    document = answer(hourly={"temperature_2m": ("undefined", [7.0, 7.0])} | RAIN)
    table = open_meteo.read(body(document), "answer", place)
    assert "is not a unit known here" in table.faults[0].problem


def test_unix_time_is_utc_whatever_the_offset(place):
    document = answer(utc_offset_seconds=3600)
    document["hourly"]["time"] = [1761523200, 1761526800]  # 2025-10-27 00:00 and 01:00 UTC
    document["hourly_units"]["time"] = "unixtime"
    table = open_meteo.read(body(document), "answer", place)
    assert table.time[0] == np.datetime64("2025-10-27T00:00")


def test_null_is_missing_and_never_zero(place):
    document = answer(
        hourly={"temperature_2m": ("°C", [None, 7.1]), "precipitation": ("mm", [1, None])}
    )
    table = open_meteo.read(body(document), "answer", place)
    assert np.isnan(table.values["air_temperature"][0, 0])
    assert np.isnan(table.values["precipitation"][0, 1])
    assert values(table, "precipitation")[0] == 1.0


def test_an_array_of_nulls_is_left_out_and_told_even_without_units(place):
    empty = {
        "snow_depth": ("undefined", [None, None]),
        "soil_temperature_28_to_100cm": ("", [None, None]),
    }
    table = open_meteo.read(body(answer(hourly=TEMPERATURE | RAIN | empty)), "answer", place)
    assert table.values.keys() == {"air_temperature", "precipitation"}
    assert [(note.code, dict(note.numbers)) for note in table.notes] == [
        ("null_column", {"name": "snow_depth", "source": "answer"})
    ]  # most models have no soil: nothing to tell
    assert not table.faults


def test_no_temperature_at_all_is_a_fault(place):
    document = answer(hourly={"temperature_2m": ("°C", [None, None])} | RAIN)
    table = open_meteo.read(body(document), "answer", place)
    assert "null throughout" in table.faults[0].problem


def test_a_member_of_nulls_is_left_out_of_the_course(place):
    stamps = [f"2025-10-27T{h:02}:00" for h in range(6)]
    arrays = {}
    for member, degc in ((0, 7.0), (1, None), (2, 9.0)):
        tail = f"_member{member:02}" if member else ""
        arrays[f"temperature_2m{tail}"] = ("°C", [degc] * 6)
        arrays[f"precipitation{tail}"] = ("mm", [0.0] * 6)
    document = answer(hourly=arrays)
    document["hourly"]["time"] = stamps
    table = open_meteo.read(body(document), "answer", place)
    course = assemble([table], [], place, "answer")
    assert course.member.tolist() == [0, 2]
    assert course.values["air_temperature"][:, 0].tolist() == [7.0, 9.0]
    assert "members_left_out" in {note.code for note in course.notes}


def test_nulls_before_and_behind_are_cut_off(place):
    document = answer(hourly={"temperature_2m": ("°C", [None, 7.0, 8.0, None])})
    document["hourly"]["time"] = [f"2025-10-27T{h:02}:00" for h in range(4)]
    table = open_meteo.read(body(document), "answer", place)
    course = assemble([table], [], place, "answer")
    assert course.values["air_temperature"].tolist() == [[7.0, 8.0]]
    assert course.times[0] == np.datetime64("2025-10-27T01:00")


def test_one_of_several_models_is_named_and_a_mixture_refused(place):
    one = {"temperature_2m_icon_seamless": ("°C", [7.0, 7.0])}
    table = open_meteo.read(body(answer(hourly=one)), "answer", place)
    assert table.attrs["model"] == "icon_seamless"
    two = one | {"temperature_2m_gfs_seamless": ("°C", [7.0, 7.0])}
    table = open_meteo.read(body(answer(hourly=two)), "answer", place)
    assert "mixes 2 models" in table.faults[0].problem


def test_rows_after_as_of_are_not_looked_at(place):
    document = answer(hourly={"temperature_2m": ("°C", [7.5, 999.0])})
    first = np.datetime64("2025-10-27T00:00", "ns")
    table = open_meteo.read(body(document), "answer", place, first)
    assert values(table, "air_temperature") == [7.5]
    assert open_meteo.read(body(document), "answer", place, first - 1) is None


@pytest.mark.parametrize(
    ("change", "told"),
    [
        (lambda d: d["hourly"].update(temperature_2m=[7.5]), "1 values for 2 times"),
        (lambda d: d["hourly"].update(precipitation=["wet", 0.0]), 'precipitation "wet"'),
        (lambda d: d["hourly"].update(temperature_2m=[True, 0.0]), "no number"),
        (lambda d: d["hourly"].update(temperature_2m=[10**400, 0.0]), "no number"),
        (lambda d: d["hourly"].pop("temperature_2m"), "no column holds the air temperature"),
    ],
)
def test_arrays_that_do_not_fit_are_faults_with_their_names(place, change, told):
    document = answer()
    change(document)
    table = open_meteo.read(body(document), "answer", place)
    with pytest.raises(WeatherError) as error:
        assemble([table], [], place, "answer")
    assert told in str(error.value)


@pytest.mark.parametrize(
    ("document", "told"),
    [
        ({"latitude": 50.0}, "no hourly values"),
        ([], "no weather of this provider"),
        ([{"name": "Exeter"}], "no weather of this provider"),
        (17, "no weather of this provider"),
        (answer() | {"utc_offset_seconds": "one hour"}, "expected a number of seconds"),
        (answer() | {"utc_offset_seconds": 10**9}, "expected a number of seconds"),
        ({"error": True, "reason": "No data is available for this location"}, "No data is"),
    ],
)
def test_json_that_is_no_hourly_weather_is_refused(place, document, told):
    with pytest.raises(WeatherError) as error:
        open_meteo.read(body(document), "answer.json", place)
    assert told in str(error.value)


@pytest.mark.parametrize(
    "broken",
    [
        body(answer())[:-30],
        b'{"hourly":{"temperature_2m":[7.1,Unexpected error while streaming data: timeout',
        b"Unexpected error while streaming data: noDataAvailable",
        body(answer()) + b"Unexpected error while streaming data: timeout",
        b"<html><body>Bad gateway</body></html>",
        b'{"a": "\xff\xfe"}',
        b"",
        b"[" * 100_000,
    ],
)
def test_a_body_that_is_not_whole_is_worth_asking_again(place, broken):
    with pytest.raises(NotWhole):
        read_body(broken, "answer", place)
    with pytest.raises(WeatherError, match=r"Download it again"):
        open_meteo.read(broken, "answer.json", place)


def test_the_provider_is_credited_with_a_link(place):
    table = open_meteo.read(body(answer()), "answer", place)
    assert table.attrs["attribution"] == "Weather data by Open-Meteo.com (https://open-meteo.com/)"
    assert table.attrs["licence"] == "CC BY 4.0"


# --- what is asked for -----------------------------------------------------------------------

NOW = np.datetime64("2025-10-27T09:20:31", "ns")
DAY = np.datetime64("2025-10-20")


class Recorder:
    """Stands for the network: keeps the question, and reads a body with the asker's reader."""

    def __init__(self, document):
        self.document = document

    def get(self, service, url, params, *, parse, **options):
        self.service, self.url, self.params, self.options = service, url, params, options
        data = self.document if isinstance(self.document, bytes) else body(self.document)
        return SimpleNamespace(
            value=parse(data),
            fetched_at=NOW,
            from_cache=False,
            stale=False,
            problem="",
            headers={},
            notes=(),
            asked=True,
        )


def days(first, count, members=1):
    """An answer for whole days: 7 °C, the members half a degree apart."""
    start = np.datetime64(first, "h")
    stamps = [str(t) + ":00" for t in start + np.arange(24 * count)]
    arrays = {}
    for member in range(members):
        tail = f"_member{member:02}" if member else ""
        arrays[f"temperature_2m{tail}"] = ("°C", [7.0 + member / 2] * len(stamps))
        arrays[f"precipitation{tail}"] = ("mm", [0.0] * len(stamps))
    document = answer(hourly=arrays)
    document["hourly"]["time"] = stamps
    return document


@pytest.fixture
def deep_place(make_place):
    return make_place(50.123456, -4.098765, 123.0)


def test_an_ensemble_is_asked_for(deep_place):
    web = Recorder(days("2025-10-24", 18, members=3))
    got = open_meteo.fetch_ensemble(web, OpenMeteo(), deep_place, as_of=NOW)
    assert web.service == "open-meteo ensemble"  # its first word: whose calls are counted
    assert web.url == "https://ensemble-api.open-meteo.com/v1/ensemble"
    assert web.params == {
        "latitude": "50.12",  # 0.01° and 10 m: no nearer to the boxes
        "longitude": "-4.10",
        "elevation": "120",
        "hourly": "temperature_2m,relative_humidity_2m,precipitation,snow_depth,wind_speed_10m",
        "models": "ecmwf_ifs025",
        "forecast_days": "15",
        "past_days": "3",
        "timezone": "GMT",
        "temperature_unit": "celsius",
        "wind_speed_unit": "ms",
        "precipitation_unit": "mm",
        "timeformat": "iso8601",
    }
    assert web.options["calls_a_day"] == 10_000
    # 5 variables × 51 members, 18 days: 25.5 × 18 / 14
    assert web.options["weight"] == pytest.approx(25.5 * 18 / 14)
    assert got.table.member.tolist() == [0, 1, 2]
    assert got.table.forecast
    assert got.reference_time == np.datetime64("2025-10-27T09:20")
    assert got.table.attrs["reference_time"] == "2025-10-27T09:20Z"
    assert got.table.attrs["reference_time_is"] == "time of fetching"
    assert got.table.attrs["model"] == "ecmwf_ifs025"


def test_a_single_forecast_is_asked_for_with_the_days_before(deep_place):
    web = Recorder(days("2025-10-13", 30))
    got = open_meteo.fetch_forecast(web, OpenMeteo(), deep_place, as_of=NOW)
    assert web.url == "https://api.open-meteo.com/v1/forecast"
    assert (web.params["forecast_days"], web.params["past_days"]) == ("16", "14")
    assert web.params["models"] == "best_match"
    assert web.params["elevation"] == "120"
    assert "soil" not in web.params["hourly"]  # another model's than the history's
    assert web.options["weight"] == pytest.approx(max(1.0, 0.5 * 30 / 14))
    assert len(got.table.time) == 720


def test_past_weather_is_asked_for_without_a_height(deep_place):
    web = Recorder(days("2024-07-01", 365))
    first, last = np.datetime64("2024-07-01"), np.datetime64("2025-06-30")
    got = open_meteo.fetch_archive(web, OpenMeteo(), 50.15, -4.05, first, last, deep_place)
    assert web.url == "https://archive-api.open-meteo.com/v1/archive"
    assert "elevation" not in web.params
    assert (web.params["latitude"], web.params["longitude"]) == ("50.15", "-4.05")
    assert (web.params["start_date"], web.params["end_date"]) == ("2024-07-01", "2025-06-30")
    assert web.params["models"] == "era5_seamless"
    assert web.options["weight"] == pytest.approx(0.6 * 365 / 14)
    assert got.table.elevation_m == 120.0  # the answer's own: the room corrects for it
    assert not got.table.forecast


def test_ten_archive_years_of_six_variables_are_157_calls():
    """The documentation's example, by the formula of the server's source."""
    assert open_meteo.call_weight(6, 1, 3652) == pytest.approx(157, abs=0.6)
    assert open_meteo.call_weight(8, 1, 16) == 1.0
    assert open_meteo.call_weight(30, 1, 7) == 3.0  # short, but wide


@pytest.mark.parametrize("first", ["2025-10-19", "2025-11-02"])
def test_a_model_that_stands_still_is_refused(place, first):
    """Open-Meteo served one ensemble run for five days (server issue 2057)."""
    web = Recorder(days(first, 18))
    with pytest.raises(WeatherError, match=r"stands still"):
        open_meteo.fetch_ensemble(web, OpenMeteo(), place, as_of=NOW)


def test_a_copy_of_yesterday_is_no_model_that_stands_still(place):
    web = Recorder(days("2025-10-23", 18))
    got = open_meteo.fetch_ensemble(web, OpenMeteo(), place, as_of=NOW)
    assert got.table.time[0] == np.datetime64("2025-10-23T00:00")


def test_a_forecast_whose_values_end_before_now_is_refused(place):
    document = days("2025-10-24", 18)
    past_hours = 24 * 3 + 9
    for key, array in document["hourly"].items():
        if key != "time":
            array[past_hours:] = [None] * (len(array) - past_hours)
    with pytest.raises(WeatherError, match=r"no value after 2025-10-27T08:00Z"):
        open_meteo.fetch_ensemble(Recorder(document), OpenMeteo(), place, as_of=NOW)


def test_other_days_than_those_asked_for_are_refused(place):
    web = Recorder(days("2024-07-01", 300))
    first, last = np.datetime64("2024-07-01"), np.datetime64("2025-06-30")
    with pytest.raises(WeatherError, match=r"answered with 2024-07-01 to 2025-04-26"):
        open_meteo.fetch_archive(web, OpenMeteo(), 50.0, -4.0, first, last, place)


def test_a_forecast_of_nulls_is_refused_with_the_way_out(place):
    document = days("2025-10-24", 18)
    document["hourly"]["temperature_2m"] = [None] * (18 * 24)
    with pytest.raises(WeatherError, match=r"null throughout.*name another model"):
        open_meteo.fetch_ensemble(Recorder(document), OpenMeteo(), place, as_of=NOW)


# --- previous runs ---------------------------------------------------------------------------


def runs():
    arrays = {
        "temperature_2m": ("°C", [5.0, 6.0, None, 8.0]),
        "temperature_2m_previous_day1": ("°C", [5.5, None, 7.5, 8.5]),
        "temperature_2m_previous_day7": ("°C", [9.0, 9.0, 9.0, 9.0]),
        "temperature_2m_previous_day6": ("undefined", [None] * 4),
    }
    document = answer(hourly=arrays)
    document["hourly"]["time"] = [f"2025-10-27T{h:02}:00" for h in (7, 8, 9, 10)]
    return document


def test_previous_runs_pair_by_lead_what_was_foretold_and_what_came(deep_place):
    web = Recorder(runs())
    pairs = open_meteo.fetch_previous_runs(web, OpenMeteo(), deep_place, as_of=NOW)
    assert web.url == "https://previous-runs-api.open-meteo.com/v1/forecast"
    asked = web.params["hourly"].split(",")
    assert asked == ["temperature_2m", *(f"temperature_2m_previous_day{d}" for d in range(1, 8))]
    assert web.params["past_days"] == "92"
    assert web.params["elevation"] == "120"
    # 10:00 is after 09:20 and not looked at; hours that lack one of the two make no pair.
    assert pairs.lead_day.tolist() == [1, 7, 7]
    assert pairs.forecast_degc.tolist() == [5.5, 9.0, 9.0]
    assert pairs.observed_degc.tolist() == [5.0, 5.0, 6.0]
    assert pairs.valid[2] == np.datetime64("2025-10-27T08:00")


def test_previous_runs_of_a_model_without_any_are_refused(place):
    document = runs()
    for key in list(document["hourly"]):
        if "previous" in key:
            del document["hourly"][key]
    with pytest.raises(WeatherError, match=r"no earlier runs"):
        open_meteo.fetch_previous_runs(Recorder(document), OpenMeteo(), place, as_of=NOW)


# --- over the network, from services on this machine -----------------------------------------


@pytest.fixture
def services():
    with Services() as services:
        services.now = dt.datetime(2025, 10, 27, 9, 20, 31, tzinfo=dt.UTC)
        yield services


@pytest.fixture
def asking(services, tmp_path):
    settings = OpenMeteo(**services.open_meteo())
    with Web(tmp_path, limits=Limits(back_off_s=0.01, jitter_s=0.0, most_back_off_s=0.02)) as web:
        yield web, settings


def degc(time, got, member=0):
    """What the invented weather has at those hours, in the cell of the answer."""
    hour = invented_weather.hours_of(time)
    return invented_weather.temperature(hour, *got.table.cell, member, got.table.elevation_m)


def test_an_ensemble_comes_over_the_network(services, asking, deep_place):
    got = open_meteo.fetch_ensemble(*asking, deep_place, as_of=NOW)
    assert got.table.member.tolist() == list(range(51))
    assert len(got.table.time) == 18 * 24
    air = got.table.values["air_temperature"]
    for member in (0, 1, 50):
        assert air[member].tolist() == degc(got.table.time, got, member).tolist()
    course = assemble([got.table], [], deep_place, "open-meteo ensemble")
    assert course.attrs["height_gap_m"] == -3.0  # 123 m, asked for as 120
    assert course.attrs["lapse_correction_degc"] == pytest.approx(-0.0195, abs=0.001)
    assert {"snow_depth", "relative_humidity", "wind_speed"} <= course.values.keys()
    (request,) = services.asked("ensemble")
    assert request.query["latitude"] == "50.12"


def test_the_next_question_is_answered_from_what_was_kept(services, asking, place):
    open_meteo.fetch_ensemble(*asking, place, as_of=NOW)
    again = open_meteo.fetch_ensemble(*asking, place, as_of=NOW)
    assert again.from_cache
    assert not again.stale
    assert services.count("ensemble") == 1


def test_a_forecast_comes_with_the_days_before(asking, place):
    got = open_meteo.fetch_forecast(*asking, place, as_of=NOW)
    assert got.table.time[0] == np.datetime64("2025-10-13T00:00")
    assert got.table.time[-1] == np.datetime64("2025-11-11T23:00")
    assert "soil_temperature" not in got.table.values


def test_past_weather_comes_with_its_last_days_missing(asking, place):
    first, last = np.datetime64("2025-10-01"), np.datetime64("2025-10-27")
    got = open_meteo.fetch_archive(*asking, 50.0, -4.0, first, last, place)
    air = got.table.values["air_temperature"][0]
    known = np.isfinite(air)
    assert air[known].tolist() == degc(got.table.time[known], got).tolist()
    assert not known[-72:].any()  # five days behind
    assert known[:500].all()


def test_earlier_runs_come_as_pairs(asking, place):
    pairs = open_meteo.fetch_previous_runs(*asking, place, as_of=NOW)
    assert set(pairs.lead_day.tolist()) == {1, 2, 3, 4, 5, 6, 7}
    assert pairs.valid.max() <= NOW
    assert pairs.valid.min() >= np.datetime64("2025-07-27")
    assert np.isfinite(pairs.forecast_degc).all()
    assert np.isfinite(pairs.observed_degc).all()


def test_other_units_than_asked_for_change_nothing(services, asking, place):
    fahrenheit = service_faults.in_units("temperature_2m", "°F", lambda degc: degc * 1.8 + 32)
    services.fail("ensemble", fahrenheit, times=None)
    got = open_meteo.fetch_ensemble(*asking, place, as_of=NOW)
    air = got.table.values["air_temperature"][0]
    assert air == pytest.approx(degc(got.table.time, got))


@pytest.mark.parametrize(
    ("service", "key", "model", "ask"),
    [
        ("ensemble", "ensemble", "ecmwf_ifs025", open_meteo.fetch_ensemble),
        ("forecast", "forecast", "best_match", open_meteo.fetch_forecast),
        ("previous-runs", "forecast", "best_match", open_meteo.fetch_previous_runs),
        (
            "archive",
            "history",
            "era5_seamless",
            lambda web, settings, place, **_: open_meteo.fetch_archive(
                web, settings, 50.1, -4.1, DAY, DAY, place
            ),
        ),
    ],
)
def test_a_model_that_was_renamed_is_told_with_the_key_to_change(
    services, asking, place, service, key, model, ask
):
    """The provider's sentence names neither our key nor our section."""
    services.fail(service, service_faults.refused(400, f"invalid String value {model}"), times=None)
    with pytest.raises(WeatherError) as error:
        ask(*asking, place, as_of=NOW)
    said = str(error.value)
    assert f'invalid String value {model}"' in said
    assert f'check {key}_model = "{model}" and ' in said
    assert said.endswith("_url under [weather.open-meteo] in the site file.")
    assert services.count(service) == 1


def test_who_asks_is_no_remedy_where_nobody_can_be_named(services, asking, place):
    services.fail("forecast", service_faults.status(403), times=None)
    with pytest.raises(WeatherError) as error:
        open_meteo.fetch_forecast(*asking, place, as_of=NOW)
    assert "user_agent" not in str(error.value)
    assert "forecast_url under [weather.open-meteo]" in str(error.value)
