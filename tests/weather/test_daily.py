"""Daily tables into hours: sums kept, extremes met, windows wherever the day is cut."""

from __future__ import annotations

import numpy as np
import pytest

from riskcast.base.errors import WeatherError
from riskcast.weather.daily import over_by
from riskcast.weather.dataset import FILLED, stamps
from riskcast.weather.files import assemble
from riskcast.weather.futures.past import fill_long_gaps
from riskcast.weather.table import Table

DAY = 24
START = int(np.datetime64("2025-01-10", "h").astype(int))
LOW = np.array([[-2.0, 1.0, -6.0, 0.0]])
HIGH = np.array([[5.0, 9.0, 3.0, 6.0]])


def table(source="station.csv", cut_h=0, days=4, **values):
    begin = START + cut_h + DAY * np.arange(days)
    out = Table(source, stamps(begin), np.arange(days) + 2, "row", np.zeros(1, dtype=np.int64))
    out.daily = True
    out.values = {name: np.asarray(v, dtype=float) for name, v in values.items()}
    return out


def both(**more):
    return table(air_temperature_min=LOW, air_temperature_max=HIGH, **more)


def course(place, *tables):
    return assemble(list(tables), [], place, "test")


def test_hours_have_the_days_extremes_and_say_that_a_model_made_them(place):
    found = course(place, both())
    assert found.size == 4 * DAY
    assert found.start == START + 1
    days = found.values["air_temperature"].reshape(4, DAY)
    np.testing.assert_allclose(days.max(axis=1), HIGH[0], atol=0.15)  # hours miss the very peak
    np.testing.assert_allclose(days.min(axis=1), LOW[0], atol=0.05)
    assert days.max() <= 9.0
    assert days.min() >= -6.0
    assert set(np.asarray(FILLED)[found.filled]) == {"diurnal_model"}
    told = {note.code: note.numbers for note in found.notes}
    assert told["daily_values"] == {"days": 4, "source": "station.csv"}
    coldest = found.times[np.argmin(found.values["air_temperature"])]
    assert str(coldest)[:13] == "2025-01-12T08"  # sunrise at 50 N 4 W: 08:12 UTC


def test_rain_is_shared_evenly_and_its_sum_kept(place):
    rain = np.array([[2.4, 0.0, 12.0, 0.7]])
    found = course(place, both(precipitation=rain))
    hourly = found.values["precipitation"][0].reshape(4, DAY)
    np.testing.assert_allclose(hourly.sum(axis=1), rain[0], rtol=1e-12)
    np.testing.assert_allclose(hourly.max(axis=1), rain[0] / DAY)


def test_rain_from_nine_to_nine(place):
    """A gauge read at 9 UTC: the first hour of its day ends at 10."""
    rain = table("rain.csv", cut_h=9, precipitation=[[2.4, 0.0, 12.0, 0.7]])
    found = course(place, both(), rain)
    by_hour = found.values["precipitation"][0]
    first = START + 10 - found.start
    assert by_hour[first] == pytest.approx(0.1)
    assert by_hour[first + DAY] == 0.0
    assert by_hour[first + 2 * DAY] == pytest.approx(0.5)


def test_files_of_one_variable_and_of_other_years_are_brought_together(place):
    low = table("tn.nc", air_temperature_min=LOW)
    early = table("tx_2024.nc", days=2, air_temperature_max=HIGH[:, :2])
    late = table("tx_2025.nc", air_temperature_max=HIGH + 0.0)
    apart = course(place, low, early, late)
    whole = course(place, both())
    np.testing.assert_allclose(apart.values["air_temperature"], whole.values["air_temperature"])


def test_the_dawn_of_a_window_from_nine_to_nine_is_that_of_the_next_day(place):
    """The same days, cut at 9: the lowest of the window that begins on the 11th is the 12th's."""
    low = table("tn.nc", cut_h=9 - DAY, air_temperature_min=LOW)
    high = table("tx.nc", cut_h=9, air_temperature_max=HIGH)
    found, plain = course(place, low, high), course(place, both())
    at = {name: c.values["air_temperature"][0] for name, c in (("cut", found), ("plain", plain))}
    for day in ("2025-01-11", "2025-01-12"):
        for clock in ("08", "13", "15", "18"):
            hour = int(np.datetime64(f"{day}T{clock}", "h").astype(int))
            assert at["cut"][hour - found.start] == pytest.approx(at["plain"][hour - plain.start])


def test_a_missing_day_stays_missing(place):
    low = LOW.copy()
    low[0, 1] = np.nan
    found = course(place, table(air_temperature_min=low, air_temperature_max=HIGH))
    missing = np.isnan(found.values["air_temperature"][0]).reshape(4, DAY).sum(axis=1)
    assert list(missing) == [0, DAY, 0, 0]
    assert list(found.filled[DAY : 2 * DAY]) == [0] * DAY


def test_humidity_keeps_the_vapour_of_the_day(place):
    """Air of 80 % at the day's middle is wetter at dawn and drier in the afternoon."""
    found = course(place, both(relative_humidity=[[80.0] * 4]))
    humidity = found.values["relative_humidity"][0].reshape(4, DAY)
    temperature = found.values["air_temperature"][0].reshape(4, DAY)
    assert (humidity[np.arange(4), temperature.argmax(axis=1)] < 80).all()
    assert (humidity[np.arange(4), temperature.argmin(axis=1)] > 80).all()
    middle = np.abs(temperature - 1.5) < 0.3  # first day: (−2 + 5) / 2
    assert np.abs(humidity[0][middle[0]] - 80).max() < 2.5


def test_means_alone_are_refused_with_the_way_out(place):
    with pytest.raises(WeatherError, match="frost of the nights") as refusal:
        course(place, table("tg.nc", air_temperature=LOW))
    assert "tn and tx" in refusal.value.faults[0].remedy


def test_means_beside_extremes_are_not_used(place):
    found = course(place, both(air_temperature=LOW * 0 + 30.0))
    assert found.values["air_temperature"].max() <= 9.0


def test_half_of_the_extremes_is_refused(place):
    with pytest.raises(WeatherError, match="highest air temperatures without the lowest"):
        course(place, table("tx.nc", air_temperature_max=HIGH))


def test_exchanged_columns_name_the_row(place):
    with pytest.raises(WeatherError, match="lies above the highest \\(4 such days\\)") as refusal:
        course(place, table(air_temperature_min=HIGH, air_temperature_max=LOW))
    assert refusal.value.faults[0].where == "row 2, 2025-01-10"


@pytest.mark.parametrize(("name", "value"), [("precipitation", 999.9), ("precipitation", -9999.0)])
def test_a_filler_is_no_rain(place, name, value):
    rain = np.array([[0.0, value, 0.0, 0.0]])
    with pytest.raises(WeatherError, match="row 3, 2025-01-11"):
        course(place, both(**{name: rain}))


def test_days_out_of_order_are_refused(place):
    mixed = both()
    mixed.time = mixed.time[[0, 2, 1, 3]]
    with pytest.raises(WeatherError, match="less than a day after the row before"):
        course(place, mixed)


def test_only_days_that_are_over_are_known():
    begin = stamps(START + DAY * np.arange(4))
    assert list(over_by(begin, np.datetime64("2025-01-12T09", "ns"))) == [0, 1]
    assert list(over_by(begin, np.datetime64("2025-01-13T00", "ns"))) == [0, 1, 2]
    assert list(over_by(begin, None)) == [0, 1, 2, 3]


@pytest.mark.parametrize("latitude", [78.0, -78.0])
def test_the_polar_night_and_day_have_hours_too(make_place, latitude):
    # No site lies in the south; there it is polar day on these dates.
    place = make_place(78.0, 15.0).model_copy(update={"latitude": latitude})
    found = course(place, both())
    values = found.values["air_temperature"]
    assert np.isfinite(values).all()
    np.testing.assert_allclose(values.reshape(4, DAY).max(axis=1), HIGH[0], atol=0.3)


def test_hours_of_another_table_go_before_the_model(place):
    hourly = Table("logger.csv", stamps(START + np.arange(30, 40)), np.arange(10), "row",
                   np.zeros(1, dtype=np.int64))  # fmt: skip
    hourly.values = {"air_temperature": np.full((1, 10), 4.5)}
    found = course(place, both(), hourly)
    window = slice(START + 30 - found.start, START + 40 - found.start)
    np.testing.assert_array_equal(found.values["air_temperature"][0, window], 4.5)
    assert set(found.filled[window]) == {0}


def two_years(lacking):
    """Smooth days of two years, those `lacking` before the end without a value."""
    season = np.cos(2 * np.pi * np.arange(730) / 365.25)
    low, high = 4.0 - 6.0 * season, 12.0 - 6.0 * season
    at = 730 - np.asarray(lacking, dtype=int)
    low[at] = np.nan
    return table(days=730, air_temperature_min=[low], air_temperature_max=[high])


def test_days_worked_out_into_hours_are_no_gap(place):
    """Nothing of them is missing: no word of gaps, and never "not enough data"."""
    found = fill_long_gaps(course(place, two_years([])))
    assert "gap_filled" not in {note.code for note in found.notes}
    assert set(np.asarray(FILLED)[found.filled]) == {"diurnal_model"}


def test_a_day_without_its_values_is_a_gap_all_the_same(place):
    found = fill_long_gaps(course(place, two_years([6])))
    (gap,) = [note for note in found.notes if note.code == "gap_filled"]
    assert gap.numbers["share_last_10_days"] == pytest.approx(0.1)
    assert (np.asarray(FILLED)[found.filled] == "past_year_mean").sum() == DAY
    with pytest.raises(WeatherError, match="72 of the last 240 hours are missing"):
        fill_long_gaps(course(place, two_years([6, 5, 4])))
