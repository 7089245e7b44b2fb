"""Nights from noon to noon, whatever the clocks do."""

import numpy as np
import pytest

from riskcast.base.daylight import sun_times
from riskcast.habitat import autumn_food_left, feeding_share, nest_temperature, nights

HOUR = np.timedelta64(1, "h")


def hours_of(course):
    return course["time"].values.astype("datetime64[h]")


def dates(found):
    return found["night"].values.astype("datetime64[D]")


@pytest.fixture
def week(weather):
    """Air that counts the hours; one millimetre of rain in every hour."""
    return weather(np.arange(8 * 24.0), start="2025-11-01", precipitation=1.0)


def test_what_comes_back(week, place):
    found = nights(week, place)
    assert found["feeding_share"].dims == ("member", "night")
    assert found["day_length_h"].dims == ("night",)
    assert found["night"].dtype == "datetime64[ns]"
    assert all(found[name].attrs["units"] for name in found)
    assert "nest_temperature" not in found
    # 8 November has only its evening: the night runs on to noon of the 9th.
    assert list(dates(found)) == list(np.arange("2025-11-01", "2025-11-08", dtype="M8[D]"))
    assert all(np.isfinite(found[name]).all() for name in found)


def test_midnight_and_day(week, place):
    found = nights(week, place)
    # In winter the wall shows UTC: the evening of the 1st ends at hour 24.
    assert float(found["midnight_temperature"][0, 0]) == 24.0
    assert float(found["air_temperature_mean"][0, 0]) == np.arange(24).mean()
    assert float(found["air_temperature_max"][0, 0]) == 23.0


def test_dark_rain_and_dark_air(week, place):
    found = nights(week, place)
    evening = sun_times(place.latitude, place.longitude, dates(found))
    morning = sun_times(place.latitude, place.longitude, dates(found) + np.timedelta64(1, "D"))
    dark_h = (morning.sunrise - evening.sunset) / HOUR
    # A millimetre an hour: as many millimetres as dark hours. Air rises by one an hour, so its
    # mean is that of the middle of the dark.
    assert found["dark_precipitation"].values[0] == pytest.approx(dark_h, abs=1e-3)
    middle = (evening.sunset - week["time"].values[0]) / HOUR + dark_h / 2
    assert found["night_air_temperature"].values[0] == pytest.approx(middle, abs=0.02)


def test_rain_by_day_is_not_counted(weather, place):
    course = weather(np.full(96, 8.0), start="2025-11-01", precipitation=0.0)
    # Between 12 and 13 UTC on the 2nd, then between 22 and 23: the stamp ends the hour.
    for stamp, millimetres in (("2025-11-02T13", 50.0), ("2025-11-02T23", 3.0)):
        course["precipitation"].loc[{"time": np.datetime64(stamp)}] = millimetres
    found = nights(course, place)["dark_precipitation"].values[0]
    assert found == pytest.approx([0.0, 3.0, 0.0], abs=1e-12)


def test_feeding_falls_with_cold_and_rain(hazel_dormouse):
    sp = hazel_dormouse
    cold_to_warm = feeding_share(np.arange(0.0, 18.0), 0.0, sp)
    assert (np.diff(cold_to_warm) > 0).all()
    assert feeding_share(sp.autumn.midnight_temperature, 0.0, sp) == pytest.approx(0.5)
    assert feeding_share(30.0, sp.autumn.rain_scale, sp) == pytest.approx(np.exp(-1), rel=1e-4)
    assert feeding_share(30.0, 0.0, sp) == pytest.approx(1.0, abs=1e-4)


def test_autumn_food_ends_in_november_and_is_not_there_in_spring(hazel_dormouse):
    left = autumn_food_left(np.array([245, 320, 350, 365, 1, 100]), hazel_dormouse)
    assert left[0] > 0.99
    assert left[1] == pytest.approx(0.5)
    assert left[2] < 0.01
    assert (left[4:] == 0.0).all()


def test_feeding_share_does_not_hold_the_end_of_food(weather, place, hazel_dormouse):
    warm = nights(weather(np.full(240, 25.0), start="2025-12-10"), place, hazel_dormouse)
    assert (warm["food_left"] < 0.02).all()
    assert (warm["feeding_share"] > 0.99).all()


@pytest.mark.parametrize(
    ("start", "evening", "length"),
    [("2025-10-23", "2025-10-25", 25), ("2026-03-26", "2026-03-28", 23)],
)
def test_nights_of_a_clock_change(weather, place, litter, start, evening, length):
    course = weather(np.full(24 * 6, 8.0), start=start)
    wall_noon = np.datetime64(f"{evening}T12:00")
    summer_before = length == 25
    first = wall_noon - HOUR * summer_before
    stop = first + length * HOUR
    # Warm in exactly the hours of that night, so its mean says which hours were taken.
    inside = (course["time"].values >= first) & (course["time"].values < stop)
    nest = course["air_temperature"].copy(data=np.where(inside, 1.0, 0.0)[np.newaxis])
    found = nights(course, place, nest=nest)["nest_temperature"].isel(member=0)
    assert float(found.sel(night=evening)) == pytest.approx(1.0, abs=1e-12)
    others = found.drop_sel(night=np.datetime64(evening))
    assert (others == 0.0).all()


@pytest.mark.parametrize(
    ("evening", "midnight_utc"),
    [
        ("2025-09-15", "2025-09-15T23"),  # summer time
        ("2025-10-25", "2025-10-25T23"),  # clocks go back an hour after this midnight
        ("2025-10-26", "2025-10-27T00"),
        ("2026-03-28", "2026-03-29T00"),  # clocks go forward an hour after this midnight
        ("2026-03-29", "2026-03-29T23"),
    ],
)
def test_midnight_is_the_walls(weather, place, evening, midnight_utc):
    start = str(np.datetime64(evening) - np.timedelta64(2, "D"))
    course = weather(np.zeros(24 * 6), start=start)
    course["air_temperature"].loc[{"time": np.datetime64(midnight_utc)}] = 7.0
    found = nights(course, place)["midnight_temperature"].isel(member=0)
    assert float(found.sel(night=evening)) == 7.0
    assert float(found.sum()) == 7.0


def test_short_ends_are_left_out(weather, place):
    course = weather(np.full(24 * 5, 8.0), start="2025-11-01")
    # Without the first 13 hours there is no day; without the last 20 no whole last night.
    cut = course.isel(time=slice(13, -20))
    assert list(dates(nights(cut, place))) == [
        np.datetime64("2025-11-02"),
        np.datetime64("2025-11-03"),
    ]
    whole = course.isel(time=slice(4, None))
    assert dates(nights(whole, place))[0] == np.datetime64("2025-11-01")


def test_mean_over_the_nights_before(weather, place):
    course = weather(np.full(24 * 20, 8.0), start="2025-11-01")
    nest = course["air_temperature"].copy(data=(np.arange(480) // 24 * 1.0)[np.newaxis])
    found = nights(course, place, nest=nest)
    by_night = found["nest_temperature"].values[0]
    memory = found["nest_temperature_10d"].values[0]
    assert dates(found)[0] == np.datetime64("2025-11-03")  # the third night
    assert by_night[:2] == pytest.approx([2.5, 3.5])
    assert memory[0] == pytest.approx(np.mean([0.5, 1.5, 2.5]))
    assert memory[12] == pytest.approx(by_night[3:13].mean())


def test_deficit_of_the_nests_air(weather, place, litter):
    course = weather(np.full(240, 8.0), start="2025-11-01", relative_humidity=90.0)
    nest = nest_temperature(course, litter, deep_temperature_degc=8.0)
    found = nights(course, place, nest=nest)["vapour_pressure_deficit"]
    assert found.attrs["units"] == "kPa"
    assert found.values == pytest.approx(0.10713, abs=1e-5)
    dry = nights(course.drop_vars("relative_humidity"), place, nest=nest)
    assert "vapour_pressure_deficit" not in dry


def test_members_are_apart(weather, place):
    air = np.stack([np.full(240, 2.0), np.full(240, 15.0)])
    found = nights(weather(air, start="2025-10-01"), place)
    assert (
        float(found["feeding_share"][0].max()) < 0.02 < 0.9 < float(found["feeding_share"][1].min())
    )


@pytest.mark.parametrize(("start", "dark"), [("2025-06-15", 0.0), ("2025-12-10", 24.0)])
def test_polar_day_and_night(weather, place, start, dark):
    north = place.model_copy(update={"latitude": 75.0})
    course = weather(np.arange(144.0), start=start, precipitation=1.0)
    found = nights(course, north)
    assert found["dark_precipitation"].values == pytest.approx(dark, abs=0.05)
    assert found["day_length_h"].values == pytest.approx(24.0 - dark)
    assert np.isfinite(found["night_air_temperature"]).all()


def test_too_short_for_a_night(weather, place):
    assert nights(weather(np.full(12, 8.0)), place).sizes["night"] == 0


# Bad input


def test_missing_values(week, place):
    week["precipitation"][0, 3] = np.nan
    with pytest.raises(ValueError, match="precipitation: 1 of 192 values are missing"):
        nights(week, place)


def test_units(week, place):
    week["precipitation"].attrs["units"] = "m"
    with pytest.raises(ValueError, match="expected units 'mm', found 'm'"):
        nights(week, place)


def test_nest_of_other_hours(week, place, litter):
    nest = nest_temperature(week, litter, deep_temperature_degc=10.0)
    with pytest.raises(ValueError, match="hours and members of the weather"):
        nights(week, place, nest=nest.isel(time=slice(24, None)))
