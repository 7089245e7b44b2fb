"""Are dates, nights and sensors as they can be? Odd files are made of real ones and put back."""

from __future__ import annotations

import gzip

import numpy as np
import pandas as pd
import pytest

from riskcast.base.errors import WeatherError
from riskcast.site import TableLayout
from riskcast.weather.dataset import hours
from riskcast.weather.files import load
from riskcast.weather.quality.gaps import frozen
from riskcast.weather.quality.plausible import highest_degc, lowest_degc
from riskcast.weather.quality.rows import check
from riskcast.weather.quality.swapped import swap
from riskcast.weather.table import Table


def table(time, air, **more):
    time = np.asarray(time, dtype="datetime64[ns]")
    air = np.asarray(air, dtype=float)
    air = air[None] if air.ndim == 1 else air
    rows = np.arange(len(time)) + 2
    return Table("w.csv", time, rows, "row", np.arange(len(air)), {"air_temperature": air}, **more)


def every(step, n, first="2025-01-01T00"):
    return np.datetime64(first, "h") + np.arange(n) * np.timedelta64(step, "h")


def air(n, first=0):
    """Never twice the same in a row, between 0 and 10 °C."""
    return np.round(5 + 5 * np.sin((np.arange(n) + first) / 3.1), 2)


def problems(found):
    return [str(fault) for fault in found]


@pytest.fixture
def station(real_data):
    """A17: an hourly station in Hesse, 2014 to 2016, of dates put right; time, °C."""
    (path,) = (real_data / "weather").glob("A17_*")
    frame = pd.read_csv(path, parse_dates=["time"])
    return frame["time"].to_numpy("datetime64[ns]"), frame["airtemp_degC"].to_numpy()


def _open_meteo(real_data, name):
    (path,) = (real_data / "weather").glob(f"{name}_*")
    lines = gzip.decompress(path.read_bytes()).decode().splitlines()
    start = next(i for i, line in enumerate(lines) if line.startswith("time,"))
    cells = [line.split(",")[:2] for line in lines[start + 1 :] if line]
    time = np.array([c[0] for c in cells], dtype="datetime64[ns]")
    return time, np.array([float(c[1]) for c in cells])


@pytest.fixture
def hague(real_data):
    """A06: ten years of hours, The Hague."""
    return _open_meteo(real_data, "A06")


@pytest.fixture
def paris(real_data):
    """A07: ten years of hours, Paris."""
    return _open_meteo(real_data, "A07")


# --- the season -----------------------------------------------------------------------------


@pytest.fixture
def january():
    """Ten January days at 50° N in five courses, one of them 12 K warmer; (5, 240) °C."""
    return np.stack([air(240, first) for first in range(4)] + [air(240) + 12.6])


def test_one_member_that_beats_a_record_does_not_cost_the_forecast(january):
    assert january.max() > highest_degc(1, 50.0)
    assert check(table(every(1, 240), january, cell=(50.0, 8.0))) == []
    (fault,) = problems(check(table(every(1, 240), january[-1], cell=(50.0, 8.0))))
    assert "in January 22 degC is the bound" in fault


def test_a_lone_forecast_may_beat_a_record_too_but_not_by_a_season(january):
    time, place = every(1, 240), {"cell": (50.0, 8.0)}
    assert check(table(time, january[-1], forecast=True, **place)) == []
    assert len(check(table(time, january[-1] + 8.0, forecast=True, **place))) == 1
    assert len(check(table(time, january + 18.0, **place))) == 1


# --- day and month ------------------------------------------------------------------------


def test_swapping_is_its_own_opposite_and_leaves_late_days_alone():
    days = np.arange("2024-01-01", "2025-01-01", dtype="datetime64[h]").astype("datetime64[ns]")
    np.testing.assert_array_equal(swap(swap(days)), days)
    given = np.array(["2024-02-01T05:00", "2024-02-13T05:00", "NaT"], dtype="datetime64[ns]")
    expected = np.array(["2024-01-02T05:00", "2024-02-13T05:00", "NaT"], dtype="datetime64[ns]")
    np.testing.assert_array_equal(swap(given), expected)


def test_the_station_file_as_it_is_in_the_world_is_refused(station):
    """Swapped where the day is at most 12: the packaged file has it so, A17 put it right."""
    time, values = station
    assert check(table(time, values, cell=(50.5, 8.7))) == []
    (fault,) = problems(check(table(swap(time), values, cell=(50.5, 8.7))))
    assert (
        "row 26, 2014-02-01T00:00: day and month are swapped where the day is at most 12" in fault
    )
    assert "read as 2014-02-01, this can only be 2014-01-02" in fault
    assert "YYYY-MM-DD" in fault


def test_sorting_the_rows_does_not_hide_it(station):
    time, values = station
    wrong = swap(time)
    order = np.argsort(wrong)
    (fault,) = problems(check(table(wrong[order], values[order])))
    assert "day and month are swapped" in fault


def test_three_months_of_a_swapped_file_are_strewn_over_the_year(hague):
    time, values = hague
    part = (time >= np.datetime64("2016-01-01")) & (time < np.datetime64("2016-04-01"))
    wrong = swap(time[part])
    for order in (np.arange(part.sum()), np.argsort(wrong)):
        (fault,) = problems(check(table(wrong[order], values[part][order])))
        assert "day and month are swapped" in fault


@pytest.mark.parametrize("name", ["hague", "paris", "station"])
def test_real_hours_pass_whole_and_in_parts(name, request):
    time, values = request.getfixturevalue(name)
    for part in (slice(None), slice(None, 24 * 40), slice(24 * 200, 24 * 300)):
        whole = table(time[part], values[part], cell=(50.0, 4.0))
        assert check(whole) == []
        assert [note.code for note in whole.notes] == []


DAILY = {
    "A15": TableLayout(
        columns={"Tmin": "air_temperature_min (degC)", "Tmax": "air_temperature_max (degC)"},
        time=("DD", "MM", "YYYY"),
        time_format="DD MM YYYY",
    ),
    "A16": TableLayout(
        columns={
            "Tmin(C)": "air_temperature_min (degC)",
            "Tmax(C)": "air_temperature_max (degC)",
        },
        time=("Day", "Month", "Year"),
        time_format="DD MM YYYY",
    ),
}


@pytest.fixture(params=DAILY)
def station_of_days(request, real_data):
    """A15, De Bilt 1993 to 2002; A16, Suffolk 1991 to 2021: its path and its layout."""
    (path,) = (real_data / "weather").glob(f"{request.param}_*")
    return path, DAILY[request.param]


def test_real_days_of_a_station_pass(station_of_days, make_place):
    path, layout = station_of_days
    course = load([path], make_place(52.1, 5.2), None, layout)
    assert not {"frozen_sensor", "hours_missing"} & {note.code for note in course.notes}
    assert course.size > 24 * 3650


@pytest.mark.parametrize("in_order", [False, True])
def test_swapped_days_of_a_station_are_refused(in_order, station_of_days, make_place, tmp_path):
    """As a spreadsheet leaves them; sorted by the wrong dates or not."""
    path, layout = station_of_days
    opened = gzip.open if path.suffix == ".gz" else open
    with opened(path, "rt", encoding="utf-8") as file:
        frame = pd.read_csv(file, sep=None, engine="python", quotechar="'")
    day, month, year = layout.time
    may = frame[day] <= 12
    frame.loc[may, [day, month]] = frame.loc[may, [month, day]].to_numpy()
    if in_order:
        frame = frame.sort_values([year, month, day])
    frame.to_csv(tmp_path / "days.csv", index=False)
    with pytest.raises(WeatherError, match="day and month are swapped where the day is at most"):
        load([tmp_path / "days.csv"], make_place(52.1, 5.2), None, layout)


def test_a_swapped_station_file_is_refused_on_its_way_in(real_data, make_place, tmp_path):
    """The hourly file through a column map, as a keeper would give it."""
    (path,) = (real_data / "weather").glob("A17_*")
    frame = pd.read_csv(path, parse_dates=["time"])
    layout = TableLayout(columns={"airtemp_degC": "air_temperature (degC)"})
    place = make_place(50.5, 8.7)
    frame.to_csv(tmp_path / "right.csv", index=False)
    assert load([tmp_path / "right.csv"], place, None, layout).size == len(frame)
    frame["time"] = swap(frame["time"].to_numpy("datetime64[ns]"))
    frame.to_csv(tmp_path / "wrong.csv", index=False)
    with pytest.raises(WeatherError, match="read as 2014-02-01, this can only be 2014-01-02"):
        load([tmp_path / "wrong.csv"], place, None, layout)


def test_rows_in_disorder_for_another_reason_are_not_called_swapped(hague):
    time, values = hague
    order = np.random.default_rng(1).permutation(2000)
    (fault,) = problems(check(table(time[order], values[order])))
    assert "time goes backwards" in fault


# --- the season of the place --------------------------------------------------------------


def test_summer_in_january_is_refused_with_the_way_out():
    """27 to 34 °C in "January" is what the swapped station file shows."""
    values = air(72)
    values[30:40] = 27.5
    (fault,) = problems(check(table(every(1, 72), values, cell=(50.5, 8.7))))
    assert "row 32, 2025-01-02T06:00, air_temperature" in fault
    assert "27.5 degC" in fault
    assert "1 day is warmer than weather is there; in January 22 degC is the bound" in fault
    assert "day and month swapped?" in fault


@pytest.mark.parametrize(
    ("month", "latitude", "degc"),
    [
        # Seen in reports of the first days of January 2023.
        (1, 50.4, 19.6),  # Javornik, Czechia
        (1, 52.2, 18.9),  # Warsaw
        (1, 43.3, 25.1),  # Bilbao
        (1, 43.4, 24.9),  # south-west France
        # From memory: Kew 26 February 2019; Upper Rhine 25 February 2021; Coningsby 19 July 2022.
        (2, 51.5, 21.2),
        (2, 48.4, 22.0),
        (7, 53.1, 40.3),
    ],
)
def test_records_are_weather(month, latitude, degc):
    assert degc < highest_degc(month, latitude)


def test_record_cold_is_weather():
    """From memory: Braemar 10 January 1982; Finland, Pokka, 28 January 1999."""
    assert lowest_degc(1, 57.0) < -27.2
    assert lowest_degc(1, 68.2) < -51.5


def test_bounds_turn_with_the_hemisphere_and_end_near_the_equator():
    months = np.arange(1, 13)
    np.testing.assert_array_equal(
        highest_degc(months, -50.0), np.roll(highest_degc(months, 50.0), 6)
    )
    assert np.isinf(highest_degc(months, 10.0)).all()
    assert (lowest_degc(months, 50.0) < highest_degc(months, 50.0) - 30).all()


def test_the_latitude_of_the_site_counts_where_the_file_says_none(make_place):
    warm = np.where(np.arange(72) == 40, 27.0, air(72))
    assert check(table(every(1, 72), warm)) == []
    assert check(table(every(1, 72), warm), make_place(40.0, 0.0)) == []
    assert len(check(table(every(1, 72), warm), make_place(52.0, 0.0))) == 1


def test_winter_in_july_is_refused():
    cold = np.where(np.arange(72) == 40, -13.0, air(72))
    (fault,) = problems(check(table(every(1, 72, "2025-07-01T00"), cold, cell=(52.0, 0.0))))
    assert "1 day is colder than weather is there; in July -12 degC is the bound" in fault


def test_ten_real_years_hold_falls_that_a_filter_on_jumps_would_delete(hague, station):
    """The steepest day of each series passes as it is."""
    for time, values in (hague, station):
        days = pd.Series(values, time).resample("D").max()
        worst = days.diff().idxmin()
        part = (time >= (worst - pd.Timedelta(days=2)).to_datetime64()) & (
            time <= (worst + pd.Timedelta(days=2)).to_datetime64()
        )
        kept = table(time[part], values[part], cell=(50.0, 8.0))
        assert check(kept) == []
        np.testing.assert_array_equal(kept.values["air_temperature"][0], values[part])
    assert days.diff().min() < -9  # the station's steepest, K from one day to the next


# --- sensors that hang ----------------------------------------------------------------------


def test_a_streak_of_a_day_in_tenths_hangs_and_is_set_aside(hague):
    """Dunn et al. 2012, test for repeated streaks: 24 equal values where tenths are told."""
    time, values = (x[:2000].copy() for x in hague)
    values[500:524] = values[500]
    edges = values[500] + 0.1
    values[499] = values[524] = edges
    hung = table(time, values)
    assert check(hung) == []
    assert np.flatnonzero(np.isnan(hung.values["air_temperature"][0])).tolist() == list(
        range(500, 524)
    )
    (note,) = [n for n in hung.notes if n.code == "frozen_sensor"]
    assert note.numbers["hours"] == 24
    np.testing.assert_array_equal(values[500:524], values[500])  # the given array is left alone


def test_23_equal_tenths_are_weather(hague):
    time, values = (x[:2000].copy() for x in hague)
    values[500:523] = values[500]
    values[499] = values[523] = values[500] + 0.1
    steady = table(time, values)
    assert check(steady) == []
    assert np.isfinite(steady.values["air_temperature"]).all()


@pytest.mark.parametrize(("step", "rows"), [(0.1, 24), (0.5, 30), (1.0, 40)])
def test_the_coarser_the_thermometer_the_longer_it_may_stand_still(step, rows):
    """Thresholds of HadISD (Dunn et al. 2012) by reporting resolution."""
    values = np.round(10 * np.sin(np.arange(500) / 3.1) / step) * step
    values[200 : 200 + rows] = 30.0
    assert frozen(np.arange(500.0), values).sum() == rows
    values[200 : 200 + rows] = np.nan
    values[200 : 200 + rows - 1] = 30.0
    assert not frozen(np.arange(500.0), values).any()


def test_equal_values_over_a_week_of_gaps_hang_too():
    """Seven days in tenths, if ten values arrived; fewer may be chance."""
    values = np.round(10 * np.sin(np.arange(500) / 3.1), 1)
    values[100:300] = np.nan
    values[[*range(100, 109), 299]] = 30.0
    assert frozen(np.arange(500.0), values).sum() == 10
    values[100] = np.nan
    assert not frozen(np.arange(500.0), values).any()


def test_one_value_throughout_is_refused_or_too_short_to_say():
    assert check(table(every(1, 48), np.full(48, 5.0))) == []
    (fault,) = problems(check(table(every(1, 24 * 20), np.full(24 * 20, 5.0))))
    assert "the same value in every row" in fault


def test_models_do_not_hang():
    members = np.full((3, 500), 5.0)
    assert check(table(every(1, 500), members)) == []
    assert check(table(every(1, 500), np.full(500, 5.0), forecast=True)) == []


# --- what is missing ------------------------------------------------------------------------


def test_columns_of_different_length_are_refused_before_anything_else():
    odd = table(every(1, 30), air(30))
    odd.values["precipitation"] = np.zeros((1, 29))
    (fault,) = problems(check(odd))
    assert "columns of different length: 30 times, but precipitation has 1 x 29 values" in fault


def test_an_empty_column_is_taken_out_and_told():
    empty = table(every(1, 30), air(30))
    empty.values["snow_depth"] = np.full((1, 30), np.nan)
    assert check(empty) == []
    assert list(empty.values) == ["air_temperature"]
    (note,) = empty.notes
    assert (note.code, note.numbers["name"]) == ("null_column", "snow_depth")


def test_missing_hours_are_told_by_column_and_night(make_place):
    """Ten days; 40 hours without a value, the better part of two nights among them."""
    values = air(240)
    values[90:110] = np.nan  # 4 January 18 h to 5 January 13 h UTC
    time = np.delete(every(1, 240), np.arange(160, 180))  # rows that are not there at all
    short = table(time, np.delete(values, np.arange(160, 180)))
    short.values["precipitation"] = np.zeros((1, 220))
    assert check(short, make_place(50.0, 0.0)) == []
    notes = {n.numbers["name"]: n.numbers for n in short.notes if n.code == "hours_missing"}
    assert notes["air_temperature"]["percent"] == pytest.approx(100 * 40 / 240, abs=0.05)
    assert notes["air_temperature"]["nights"] == 2
    assert notes["precipitation"]["percent"] == pytest.approx(100 * 20 / 240, abs=0.05)
    assert notes["precipitation"]["nights"] == 1


def test_columns_that_lack_the_same_rows_are_told_of_together(make_place):
    time = np.delete(every(1, 240), np.arange(160, 180))
    short = table(time, np.delete(air(240), np.arange(160, 180)))
    short.values["precipitation"] = np.zeros((1, 220))
    assert check(short, make_place(50.0, 0.0)) == []
    (note,) = short.notes
    assert note.numbers["name"] == "air_temperature, precipitation"


def test_regular_steps_of_three_hours_and_the_unknown_end_are_not_missing():
    values = air(80)
    values[60:] = np.nan
    coarse = table(every(3, 80), values)
    assert check(coarse) == []
    assert coarse.notes == []


def test_plausible_values_stay_as_they_are(hague):
    time, values = hague
    kept = table(time, values)
    assert check(kept) == []
    np.testing.assert_array_equal(kept.values["air_temperature"][0], values)
    assert hours(kept.time)[0] == hours(time[:1])[0]
