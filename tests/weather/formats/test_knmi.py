"""KNMI's hourly text: De Bilt 2000 against itself, and against KNMI's own daily values.

Real files (origin in the MANIFEST of their folder): A18, hourly text of station 260; A15, daily
values of the same station as another package ships them.
"""

from __future__ import annotations

import csv
import gzip
from collections import defaultdict

import numpy as np
import pytest

from riskcast.base.errors import WeatherError
from riskcast.site import TableLayout
from riskcast.weather import daily
from riskcast.weather.formats import knmi

HOURLY = "A18_knmi260_debilt_hourly_2000.txt.gz"
DAILY = "A15_knmi260_debilt_daily_1993_2002.csv"
HEADING = "# STN,YYYYMMDD,   HH,   FH,   FF,    T,   TD,   RH,    U\n\n"
ROWS = (
    "  260,20200101,    1,   30,   40,  -15,  -20,   -1,   96\n"
    "  260,20200101,    2,   30,   40,   50,   45,    4,     \n"
    "  260,20200101,   24,     ,     ,     ,   45,     ,   97\n"
)


@pytest.fixture
def de_bilt(make_place):
    return make_place(52.1, 5.18, 2.0)


def decode(text, place, as_of=None, layout=None):
    return knmi.decode(text.encode("latin-1"), "knmi.txt", place, as_of, layout)


def test_hours_end_at_the_stamp_and_units_are_tenths(de_bilt):
    table = decode(HEADING + ROWS, de_bilt)
    assert [str(time)[:16] for time in table.time] == [
        "2020-01-01T01:00",
        "2020-01-01T02:00",
        "2020-01-02T00:00",
    ]
    np.testing.assert_array_equal(table.values["air_temperature"], [[-1.5, 5.0, np.nan]])
    np.testing.assert_array_equal(table.values["precipitation"], [[0.0, 0.4, np.nan]])
    np.testing.assert_array_equal(table.values["relative_humidity"], [[96.0, np.nan, 97.0]])
    np.testing.assert_array_equal(table.values["wind_speed"], [[4.0, 4.0, np.nan]])
    assert list(table.row) == [3, 4, 5]
    assert "KNMI" in table.attrs["attribution"]


def test_a_shorter_heading_of_the_hour_makes_no_days_of_hours(de_bilt):
    table = decode(HEADING.replace("   HH,", "    H,") + ROWS, de_bilt)
    assert not table.daily
    assert str(table.time[-1])[:16] == "2020-01-02T00:00"


def test_the_mean_wind_of_the_hour_where_the_other_is_not_there(de_bilt):
    table = decode(HEADING.replace("FF", "XX") + ROWS, de_bilt)
    np.testing.assert_array_equal(table.values["wind_speed"], [[3.0, 3.0, np.nan]])


@pytest.mark.parametrize(
    "line",
    [
        "# 260         5.180       52.100       1.90  De Bilt\n",
        "# 260: 5.180 52.100 1.90 DE BILT\n",
    ],
)
def test_the_station_of_the_head_counts_before_that_of_the_layout(line, de_bilt):
    layout = TableLayout(latitude=10.0, longitude=10.0, elevation_m=5.0)
    table = decode("# STN  LON(east)  LAT(north)  ALT(m)  NAME\n" + line + HEADING + ROWS,
                   de_bilt, None, layout)  # fmt: skip
    assert table.cell == (52.1, 5.18)
    assert table.elevation_m == 1.9
    assert table.attrs["cell_distance_km"] == 0.0


def test_without_a_place_the_layout_says_it_or_a_note(de_bilt):
    layout = TableLayout(latitude=52.1, longitude=5.3, elevation_m=20.0)
    assert decode(HEADING + ROWS, de_bilt, None, layout).elevation_m == 20.0
    assert [note.code for note in decode(HEADING + ROWS, de_bilt).notes] == ["place_not_stated"]


def test_two_stations_and_unreadable_cells_are_named_together(de_bilt):
    rows = ROWS.replace("  260,20200101,    2", "  270,20200101,    2").replace("-15", "wet")
    with pytest.raises(WeatherError) as raised:
        decode(HEADING + rows, de_bilt)
    assert "2 stations (260, 270)" in str(raised.value)
    assert 'row 3, 2020-01-01T01:00, T "wet"' in str(raised.value)


def test_hour_25_cannot_be_read(de_bilt):
    table = decode(HEADING + ROWS.replace("   24,", "   25,"), de_bilt)
    assert np.isnat(table.time).tolist() == [False, False, True]


def test_daily_values_become_hours_later(de_bilt):
    text = "STN,YYYYMMDD,   TN,   TX,   RH,   UG\n  260,20200101,  -10,   50,   -1,   90\n"
    text += "  260,20200102,    0,   60,   24,     \n"
    table = decode(text, de_bilt)
    assert table.daily
    assert str(table.time[0])[:16] == "2020-01-01T00:00"
    np.testing.assert_array_equal(table.values["air_temperature_min"], [[-1.0, 0.0]])
    np.testing.assert_array_equal(table.values["air_temperature_max"], [[5.0, 6.0]])
    np.testing.assert_array_equal(table.values["precipitation"], [[0.0, 2.4]])
    (made,) = daily.hourly([table], de_bilt)
    assert made.values["precipitation"].sum() == pytest.approx(2.4)
    # The second day is not over at noon.
    assert decode(text, de_bilt, np.datetime64("2020-01-02T12", "ns")).time.size == 1


def test_rows_after_the_moment_are_never_parsed(de_bilt):
    as_of = np.datetime64("2020-01-01T02:00", "ns")
    table = decode(HEADING + ROWS + "  260,20200102,    1,what\n", de_bilt, as_of)
    assert table.time.size == 2
    assert table.faults == []
    assert decode(HEADING + ROWS, de_bilt, np.datetime64("2019-01-01", "ns")) is None


@pytest.fixture
def year_2000(real_data, de_bilt):
    text = gzip.decompress((real_data / "weather" / HOURLY).read_bytes())
    return knmi.decode(text, HOURLY, de_bilt, None)


@pytest.mark.real_data
def test_spot_values_of_de_bilt(year_2000):
    """Read off A18: 1 January 01 UT 4.9 °C, 96 %, 3.0 m/s; the last hour of the year 1.2 °C;
    coldest -7.5 °C on 24 January at 07 UT, warmest 33.1 °C on 19 June at 15 UT."""
    time, air = year_2000.time, year_2000.values["air_temperature"][0]
    assert (str(time[0])[:13], str(time[-1])[:13]) == ("2000-01-01T01", "2001-01-01T00")
    assert (air[0], air[-1]) == (4.9, 1.2)
    assert year_2000.values["relative_humidity"][0, 0] == 96.0
    assert year_2000.values["wind_speed"][0, 0] == 3.0
    assert (str(time[np.argmin(air)])[:13], air.min()) == ("2000-01-24T07", -7.5)
    assert (str(time[np.argmax(air)])[:13], air.max()) == ("2000-06-19T15", 33.1)
    assert len(time) == 8784
    assert not np.isnan(air).any()


@pytest.mark.real_data
def test_days_of_2000_against_the_daily_values_of_the_same_station(year_2000, real_data):
    """A15. Rain of all 366 days to the last tenth, with a trace read as nothing. Extremes of the
    hours lie within those of the day, by 0.4 K at most on the average, 1.7 K on the worst day:
    the day's are of continuous readings."""
    with (real_data / "weather" / DAILY).open(encoding="utf-8") as file:
        known = {
            f"{r['YYYY']}-{r['MM']}-{r['DD']}": r
            for r in csv.DictReader(file)
            if r["YYYY"] == "2000"
        }
    # Hour 24 belongs to the day it ends, so a day is told by the beginning of its hours.
    days = (year_2000.time - np.timedelta64(1, "h")).astype("datetime64[D]").astype(str)
    rows = defaultdict(list)
    for i, day in enumerate(days):
        rows[day].append(i)
    assert rows.keys() == known.keys()
    rain = year_2000.values["precipitation"][0]
    air = year_2000.values["air_temperature"][0]
    for day, index in rows.items():
        assert rain[index].sum() == pytest.approx(float(known[day]["Rain"]), abs=1e-9)
    above = np.array([float(known[day]["Tmax"]) - air[index].max() for day, index in rows.items()])
    below = np.array([air[index].min() - float(known[day]["Tmin"]) for day, index in rows.items()])
    for beyond in (above, below):
        assert beyond.min() > -1e-9
        assert beyond.max() < 1.75
        assert beyond.mean() < 0.4
