"""A site's own dates against thermal time fitted to them; weather and dates are invented."""

import numpy as np
import pytest
import xarray as xr

from riskcast.habitat import first_day_above, food_dates, thermal_time
from riskcast.habitat.fit_dates import ThermalTimeRegressor, fit_dates
from riskcast.site import Habitat

YEARS = np.arange(2008, 2020)  # first year of each past winter
AXIS = np.arange("2020-08-01", "2021-06-01", dtype="M8[D]")


@pytest.fixture(scope="module")
def daily():
    """Daily means (winter, day) of twelve winters that differ by degrees and by weeks."""
    rng = np.random.default_rng(3)
    season = 10.0 + 7.0 * np.cos(2 * np.pi * (np.arange(AXIS.size) + 12) / 365)
    noise = rng.normal(0.0, 1.0, (YEARS.size, AXIS.size + 39))
    weeks = np.array([np.convolve(row, np.exp(-np.arange(40) / 10.0), "valid") for row in noise])
    return season + 0.8 * weeks + rng.normal(0.0, 1.0, (YEARS.size, 1))


def weather(daily, members):
    air = np.repeat(daily, 24, axis=1)
    times = AXIS[0].astype("M8[ns]") + np.arange(air.shape[1]) * np.timedelta64(1, "h")
    return xr.Dataset(
        {"air_temperature": (("member", "time"), air, {"units": "degC"})},
        coords={"member": members, "time": times},
    )


@pytest.fixture(scope="module")
def past(daily):
    return weather(daily, YEARS)


@pytest.fixture(scope="module")
def coming(daily):
    """Three futures: the season of the past, colder, warmer."""
    return weather(daily.mean(axis=0) + np.array([[-1.5], [0.0], [1.5]]), np.arange(3))


def ready(daily, needed=120.0, base=5.0):
    """Day of the year in each winter on which the sum passes what is needed."""
    ordinal = (AXIS - np.datetime64("2021-01-01")).astype(int) + 1
    sums = thermal_time(daily, ordinal, start=1, base=base)
    return ordinal[first_day_above(sums, [needed])[:, 0]]


@pytest.fixture
def records(tmp_path):
    def write(plant, stage, days, years=YEARS):
        lines = ["plant,stage,date"]
        for year, day in zip(years + 1, days, strict=False):
            # The same month and day as on the axis, whose spring has no 29 February.
            month_day = str(np.datetime64("2021-01-01") + int(day) - 1)[5:]
            lines.append(f"{plant},{stage},{year}-{month_day}")
        path = tmp_path / "food_dates.csv"
        path.write_text("\n".join(lines) + "\n", "utf-8")
        return path

    return write


def test_a_plant_that_follows_warmth_is_fitted(daily, past, coming, records, hazel_dormouse):
    path = records("hawthorn", "flower", ready(daily))
    site = Habitat(plants=("hawthorn",), food_dates=path)
    found = food_dates(coming, site, hazel_dormouse, past=past)
    truth = ready(coming["air_temperature"].values[:, ::24])
    day = (found["food_date"].values.astype("M8[D]") - np.datetime64("2021-01-01")).astype(int) + 1
    assert np.abs(day - truth).max() <= 1
    assert day[0] > day[1] > day[2]
    assert (
        "hawthorn (own dates, flower, 12 years, thermal time; days missed"
        in (found.attrs["food_from"])
    )
    # A mean day would not have followed.
    mean = food_dates(coming, site, hazel_dormouse)
    assert len(set(mean["food_date"].values)) == 1
    assert mean.attrs["food_from"] == "hawthorn (own dates, flower, 12 years)"


def test_the_spread_is_that_of_years_not_seen(daily, past, coming, records, hazel_dormouse):
    noisy = ready(daily) + np.random.default_rng(5).normal(0.0, 4.0, YEARS.size).round().astype(int)
    site = Habitat(plants=("hawthorn",), food_dates=records("hawthorn", "flower", noisy))
    drawn = food_dates(coming, site, hazel_dormouse.draw(512, 0), past=past)
    assert ", thermal time; days missed in 12 springs: " in drawn.attrs["food_from"]
    ordinal = (AXIS - np.datetime64("2021-01-01")).astype(int) + 1
    fit = fit_dates(daily, noisy, first_day=int(ordinal[0]), start=1.0, base=5.0)
    spread = drawn["food_date"].values[1].astype("M8[D]").astype(float).std()
    assert spread == pytest.approx(fit.error, rel=0.06)
    assert 3.0 < fit.error < fit.mean_error


def test_dates_that_know_no_warmth_keep_their_mean(past, coming, records, hazel_dormouse):
    by_hand = 120 + np.random.default_rng(6).normal(0.0, 5.0, YEARS.size).round().astype(int)
    site = Habitat(plants=("hawthorn",), food_dates=records("hawthorn", "flower", by_hand))
    with_past = food_dates(coming, site, hazel_dormouse.draw(64, 0), past=past)
    assert with_past.equals(food_dates(coming, site, hazel_dormouse.draw(64, 0)))
    assert ", mean day; days missed in 12 springs: their mean " in with_past.attrs["food_from"]


def test_four_springs_are_too_few(daily, past, coming, records, hazel_dormouse):
    four = records("hawthorn", "flower", ready(daily)[:4], YEARS[:4])
    site = Habitat(plants=("hawthorn",), food_dates=four)
    found = food_dates(coming, site, hazel_dormouse, past=past)
    assert found.equals(food_dates(coming, site, hazel_dormouse))
    assert "4 years; 4 springs with their weather, fitted from 5 on" in found.attrs["food_from"]
    five = records("hawthorn", "flower", ready(daily)[:5], YEARS[:5])
    assert five == four
    assert (
        ", thermal time" in food_dates(coming, site, hazel_dormouse, past=past).attrs["food_from"]
    )


def test_springs_without_their_weather_do_not_count(daily, past, coming, records, hazel_dormouse):
    site = Habitat(plants=("hawthorn",), food_dates=records("hawthorn", "flower", ready(daily)))
    found = food_dates(coming, site, hazel_dormouse, past=past.isel(member=slice(4)))
    assert found.equals(food_dates(coming, site, hazel_dormouse))


def test_a_published_sum_stays_where_it_misses_least(daily, past, coming, records, hazel_dormouse):
    p = hazel_dormouse.food
    ordinal = (AXIS - np.datetime64("2021-01-01")).astype(int) + 1
    sums = thermal_time(daily, ordinal, start=p.oak_start, base=p.oak_base)
    by_row = ordinal[first_day_above(sums, [p.oak_sum])[:, 0]]
    site = Habitat(plants=("oak",), food_dates=records("oak", "flower", by_row))
    found = food_dates(coming, site, hazel_dormouse, past=past)
    assert found.equals(food_dates(coming, site, hazel_dormouse))
    assert found.attrs["own_dates_unused"] == "oak"
    assert (
        "oak (thermal time; days missed in 12 springs: the published sum 0.0"
        in (found.attrs["food_from"])
    )
    # An oak of this wood that is two weeks earlier than the table's is told by its own records.
    early = Habitat(plants=("oak",), food_dates=records("oak", "flower", by_row - 14))
    found = food_dates(coming, early, hazel_dormouse, past=past)
    assert found.attrs["own_dates_unused"] == ""
    assert found.attrs["food_from"].startswith("oak (own dates, flower, 12 years, thermal time;")
    assert (found["food_date"] < food_dates(coming, early, hazel_dormouse)["food_date"]).all()


def test_a_site_without_own_dates_is_not_touched(past, coming, hazel_dormouse):
    site = Habitat(plants=("willow", "hazel", "oak"))
    drawn = hazel_dormouse.draw(32, 1)
    assert food_dates(coming, site, drawn, past=past).identical(food_dates(coming, site, drawn))


def test_the_fit_is_the_best_there_is(daily):
    """Brute force: of all sums that some year has on some day, none does better."""
    observed = 110 + np.random.default_rng(8).normal(0.0, 6.0, YEARS.size).round()
    spring = daily[:, 153:]
    model = ThermalTimeRegressor(base=4.0).fit(spring, observed)
    best = np.sum((model.predict(spring) - observed) ** 2)
    sums = thermal_time(spring, 1 + np.arange(spring.shape[1]), start=1, base=4.0)
    grid = np.unique(sums)
    errors = np.sum((1 + first_day_above(sums, grid) - observed[:, None]) ** 2, axis=0)
    assert best == errors.min()
    low, high = model.requirement_range_
    assert low <= model.requirement_ <= high
    inside = (grid >= low) & (grid < high)
    assert (errors[inside] == best).all()


def test_each_year_is_left_out_in_turn(daily):
    """The error reported is that of a plain loop, and not that of the years fitted to."""
    spring = daily[:, 153:]
    observed = ready(daily) + np.random.default_rng(9).normal(0.0, 5.0, YEARS.size).round()
    misses, from_mean = [], []
    for n in range(YEARS.size):
        others = np.arange(YEARS.size) != n
        model = ThermalTimeRegressor(base=5.0).fit(spring[others], observed[others])
        misses.append(model.predict(spring[[n]])[0] - observed[n])
        from_mean.append(observed[others].mean() - observed[n])
    fit = fit_dates(spring, observed, base=5.0)
    assert fit.error == pytest.approx(np.sqrt(np.mean(np.square(misses))))
    assert fit.mean_error == pytest.approx(np.sqrt(np.mean(np.square(from_mean))))


def test_records_after_the_last_day_are_not_fitted(daily, past, coming, records, hazel_dormouse):
    """June has no weather in a season: a date in it cannot be told by its sum, and is said."""
    site = Habitat(plants=("bramble",), food_dates=records("bramble", "flower", ready(daily) + 60))
    found = food_dates(coming, site, hazel_dormouse, past=past)
    assert found.equals(food_dates(coming, site, hazel_dormouse))
    assert "recorded outside the days with weather" in found.attrs["first_food_from"]


def test_the_29th_of_february_has_its_day(daily, past, coming, tmp_path, hazel_dormouse):
    path = tmp_path / "food_dates.csv"
    rows = [f"hawthorn,leaf,{year}-02-{29 if year % 4 == 0 else 28}" for year in YEARS + 1]
    path.write_text("plant,stage,date\n" + "\n".join(rows) + "\n", "utf-8")
    site = Habitat(plants=("hawthorn",), food_dates=path)
    found = food_dates(coming, site, hazel_dormouse, past=past)
    assert "their mean 0.0" in found.attrs["food_from"]
