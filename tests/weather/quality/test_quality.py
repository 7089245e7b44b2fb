from __future__ import annotations

import numpy as np
import pytest

from riskcast.weather.dataset import hours
from riskcast.weather.quality.rows import check, close_short_gaps, grid
from riskcast.weather.table import Table


def table(time, values=None, name="air_temperature", members=1, **more):
    time = np.asarray(time, dtype="datetime64[ns]")
    values = np.arange(len(time), dtype=float) if values is None else np.asarray(values, float)
    values = np.broadcast_to(values, (members, len(time))).copy()
    rows = np.arange(len(time)) + 2
    return Table("w.csv", time, rows, "row", np.arange(members), {name: values}, **more)


def every(step, n, first="2025-01-01T00"):
    return np.datetime64(first, "h") + np.arange(n) * np.timedelta64(step, "h")


def problems(found):
    return [str(fault) for fault in found]


def test_good_rows_have_no_faults():
    assert check(table(every(1, 30))) == []
    assert check(table(every(3, 30))) == []


def test_there_is_no_filter_on_jumps():
    """A fall of 16.5 K from one hour to the next: odd, but nothing that weather cannot do."""
    fallen = table(every(1, 48), np.repeat([10.0, -6.5], 24) + np.arange(48) % 5 / 10)
    assert check(fallen) == []
    assert fallen.notes == []


def test_backwards_and_doubled_times_name_the_first_place():
    time = every(1, 6)
    (fault,) = problems(check(table(time[[0, 1, 3, 2, 4, 5]])))
    assert fault.startswith("row 5, 2025-01-01T02:00: time goes backwards here")
    assert "2025-01-01T03:00" in fault
    (fault,) = problems(check(table(time[[0, 1, 1, 2, 3, 3]])))
    assert fault.startswith("row 4, 2025-01-01T01:00: this time stands twice (2 such places)")


@pytest.mark.parametrize(("step", "words"), [(6, "steps of 6 h"), (24, "daily values")])
def test_coarse_steps_are_refused(step, words):
    (fault,) = problems(check(table(every(step, 10))))
    assert words in fault


def test_steps_that_turn_coarse_on_the_way_are_named_there():
    time = np.concatenate([every(3, 8), every(6, 8, "2025-01-02T03")])
    (fault,) = problems(check(table(time)))
    assert "2025-01-02T03:00: steps of 6 h from here on" in fault


def test_half_hours_are_refused():
    time = every(1, 5).astype("datetime64[m]") + np.timedelta64(30, "m")
    (fault,) = problems(check(table(time)))
    assert "5 times are not on the full hour" in fault


@pytest.mark.parametrize(
    ("name", "value"),
    [
        ("air_temperature", 999.0),
        ("air_temperature", -99.9),
        ("relative_humidity", 130.0),
        ("relative_humidity", -999.0),
        ("precipitation", -9999.0),
        ("precipitation", 999.0),
        ("snow_depth", -1.0),
        ("wind_speed", 99.0),
    ],
)
def test_values_no_weather_has(name, value):
    values = np.full(30, 5.0)
    values[17] = value
    (fault,) = problems(check(table(every(1, 30), values, name)))
    assert f"row 19, 2025-01-01T17:00, {name}" in fault
    assert f"{value:g}" in fault
    assert "leave it empty" in fault


def test_kelvin_and_celsius_mixed_up_are_told_apart_and_refused():
    (fault,) = problems(check(table(every(1, 30), np.full(30, 281.0))))
    assert "says degC, but its values are those of K" in fault
    (fault,) = problems(check(table(every(1, 30), np.full(30, 8.0 - 273.15))))
    assert "says K, but its values are those of degC" in fault


def test_humidity_as_a_fraction_is_refused():
    (fault,) = problems(check(table(every(1, 30), np.full(30, 0.8), "relative_humidity")))
    assert "fractions" in fault


def test_all_faults_together():
    bad = table(every(6, 30), np.full(30, 281.0))
    bad.values["precipitation"] = np.full((1, 30), -9999.0)
    assert len(check(bad)) == 3


def test_packing_errors_are_moved_onto_the_bound():
    wet = table(every(1, 4), [-0.01, 0.0, 1.0, 0.0], "precipitation")
    assert check(wet) == []
    np.testing.assert_array_equal(grid(wet)[1]["precipitation"], [[0, 0, 1, 0]])


def test_three_hourly_temperature_is_a_straight_line_and_marked():
    start, values, filled = grid(table(every(3, 5), [0, 3, 6, 0, 3]))
    assert start == hours([np.datetime64("2025-01-01T00")])[0]
    np.testing.assert_allclose(values["air_temperature"][0, :8], [0, 1, 2, 3, 4, 5, 6, 4])
    np.testing.assert_array_equal(filled[:7], [0, 1, 1, 0, 1, 1, 0])


def test_three_hourly_sums_are_shared_out():
    values = grid(table(every(3, 5), [9, 3, 0, 6, 0], "precipitation"))[1]["precipitation"][0]
    np.testing.assert_allclose(values[1:], [1, 1, 1, 0, 0, 0, 2, 2, 2, 0, 0, 0])
    rates = grid(table(every(3, 5), [9, 3, 0, 6, 0], "precipitation", rate=True))[1]
    np.testing.assert_allclose(rates["precipitation"][0, 1:4], 3.0)


def test_a_missing_row_is_a_gap_not_a_step():
    time = np.delete(every(1, 12), [5, 6])
    _, values, filled = grid(table(time, np.delete(np.arange(12.0), [5, 6])))
    assert np.isnan(values["air_temperature"][0, 5:7]).all()
    assert np.isfinite(values["air_temperature"]).sum() == 10
    assert not filled.any()


def test_short_gaps_are_interpolated_long_ones_are_not():
    line = np.arange(20.0)
    line[[4, 5, 6, 10, 11, 12, 13]] = np.nan
    closed, filled = close_short_gaps(line[None])
    np.testing.assert_allclose(closed[0, 4:7], [4, 5, 6])
    assert np.isnan(closed[0, 10:14]).all()
    np.testing.assert_array_equal(np.flatnonzero(filled), [4, 5, 6])
    assert np.isnan(line[4])  # the input is left alone


def test_members_and_depths_are_filled_each_by_its_own():
    cube = np.zeros((2, 6, 2)) + np.arange(6.0)[:, None]
    cube[1, 2, 1] = np.nan
    closed, filled = close_short_gaps(cube)
    assert closed[1, 2, 1] == 2.0
    np.testing.assert_array_equal(np.flatnonzero(filled), [2])


def test_ends_carry_the_nearest_value():
    closed, _ = close_short_gaps(np.array([[np.nan, 2.0, 3.0, np.nan, np.nan]]))
    np.testing.assert_array_equal(closed, [[2, 2, 3, 3, 3]])
