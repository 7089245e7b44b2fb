from __future__ import annotations

import numpy as np
import pytest

from riskcast.base.errors import WeatherError
from riskcast.weather.dataset import Course, hours, stamps
from riskcast.weather.futures.past import (
    annual_mean,
    fill_long_gaps,
    past_year_mean,
    recent_gap_share,
    same_dates,
    share_present,
    winter_year,
)


def course(first, last, values):
    start, end = hours(np.array([first, last], dtype="datetime64[ns]"))
    size = int(end - start) + 1
    array = np.broadcast_to(values(stamps(start + np.arange(size))), (1, size)).astype(float).copy()
    none = np.zeros(size, dtype=bool)
    return Course(int(start), np.zeros(1, int), {"air_temperature": array},
                  none.astype(np.int8), none)  # fmt: skip


def year_of(time):
    return time.astype("datetime64[Y]").astype(int) + 1970


def moved(text, years):
    return str(stamps(same_dates(hours([np.datetime64(text, "ns")]), years))[0])[:13]


def test_same_dates_of_other_years():
    assert moved("2025-10-27T06", -3) == "2022-10-27T06"
    assert moved("2025-03-01T00", -1) == "2024-03-01T00"
    assert moved("2024-02-29T13", -1) == "2023-02-28T13"
    assert moved("2024-02-29T13", -4) == "2020-02-29T13"
    assert moved("2025-01-01T00", 2) == "2027-01-01T00"


def test_a_winter_year_runs_from_july_to_june():
    names = [winter_year(int(hours([np.datetime64(t, "ns")])[0])) for t in
             ("2025-06-30T23", "2025-07-01T00", "2026-01-01T00", "2026-06-30T23")]  # fmt: skip
    assert names == [2024, 2025, 2025, 2025]


def test_the_usual_value_leaves_the_own_winter_out():
    """Value = the year: around 10 January the other winters hold 2021, 2022 and 2024."""
    past = course("2020-07-01T00", "2024-06-30T23", year_of)
    wanted = hours([np.datetime64("2023-01-10T05", "ns")])
    assert past_year_mean(past, "air_temperature", wanted)[0] == pytest.approx(
        (2021 + 2022 + 2024) / 3
    )


def test_the_usual_value_is_of_the_same_hour_within_seven_days():
    def noon_of_one_day(time):
        day = time.astype("datetime64[D]")
        hour = time.astype("datetime64[h]").astype(int) % 24
        return np.where((day == np.datetime64("2021-05-10")) & (hour == 12), 15.0, 0.0)

    past = course("2020-07-01T00", "2022-06-30T23", noon_of_one_day)

    def usual(text):
        wanted = hours([np.datetime64(text, "ns")])
        return past_year_mean(past, "air_temperature", wanted)[0]

    assert usual("2022-05-10T12") == pytest.approx(1.0)  # a fifteenth of 15
    assert usual("2022-05-17T12") == pytest.approx(1.0)
    assert usual("2022-05-03T12") == pytest.approx(1.0)
    assert usual("2022-05-18T12") == usual("2022-05-02T12") == usual("2022-05-10T11") == 0.0


def test_the_window_reaches_around_new_year():
    past = course("2020-07-01T00", "2022-06-30T23",
                  lambda t: np.where(t.astype("datetime64[D]") == np.datetime64("2020-12-30"),
                                     15.0, 0.0))  # fmt: skip
    wanted = hours([np.datetime64("2022-01-03T04", "ns")])
    assert past_year_mean(past, "air_temperature", wanted)[0] == pytest.approx(1.0)


def test_no_other_year_no_value():
    past = course("2023-07-01T00", "2024-06-30T23", year_of)
    wanted = hours([np.datetime64("2024-01-10T05", "ns")])
    assert np.isnan(past_year_mean(past, "air_temperature", wanted)[0])


def test_annual_mean_takes_whole_winter_years():
    past = course("2020-03-01T00", "2023-02-01T00", year_of)
    # July 2020 to June 2022 are whole; each is half of two calendar years.
    assert annual_mean(past, [2020, 2021]) == pytest.approx(2021.0, abs=0.01)


def test_annual_mean_of_a_short_history_counts_no_season_twice():
    """15 months, summer of 20 °C twice, winter of 0 °C once: the mean is 10, not 12."""

    def seasons(time):
        month = time.astype("datetime64[M]").astype(int) % 12
        return np.where((month >= 3) & (month < 9), 20.0, 0.0)

    past = course("2024-04-01T00", "2025-06-30T23", seasons)
    assert annual_mean(past, []) == pytest.approx(20.0 * 183 / 365, abs=0.01)


def test_less_than_a_year_has_no_annual_mean():
    with pytest.raises(WeatherError, match="a whole year is needed"):
        annual_mean(course("2025-01-01T00", "2025-06-30T23", year_of), [])


def test_more_than_a_fifth_of_ten_days_is_not_enough():
    missing = np.zeros(500, dtype=bool)
    missing[-48:] = True
    assert recent_gap_share(missing) == pytest.approx(0.2)
    missing[-49:] = True
    with pytest.raises(WeatherError, match="not enough data because 49 of the last 240 hours"):
        recent_gap_share(missing)
    missing[:] = True
    missing[-240:] = False
    assert recent_gap_share(missing) == 0.0


def test_gaps_are_told_by_how_near_they_are():
    past = course("2020-07-01T00", "2024-06-30T23", year_of)
    assert fill_long_gaps(past) is past
    past.values["air_temperature"][0, 900:950] = np.nan
    (note,) = fill_long_gaps(past).notes
    assert (note.code, note.numbers["hours"]) == ("earlier_gap_filled", 50)
    past.values["air_temperature"][0, -30:-10] = np.nan
    (note,) = fill_long_gaps(past).notes
    assert note.code == "gap_filled"
    assert note.numbers["share_last_10_days"] == pytest.approx(20 / 240, abs=1e-3)


def test_share_present_counts_hours_outside_as_missing():
    past = course("2024-01-01T00", "2024-01-01T09", year_of)
    wanted = past.start + np.arange(20)
    assert share_present(past, ("air_temperature",), wanted) == 0.5
