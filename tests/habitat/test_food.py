"""Spring food: which plant gives which date, for members and draws, and what is refused."""

import numpy as np
import pytest

from riskcast.habitat import food_dates, food_share
from riskcast.site import Habitat

# The hours from 1 August to 31 May in a year without a leap day.
SEASON = 304 * 24


@pytest.fixture
def winter(weather):
    """Two members from 1 August 2020 to 31 May 2021; the second is 2 °C warmer."""
    hour = np.arange(SEASON)
    air = 10.0 + 7.0 * np.cos(2 * np.pi * (hour / 24 + 12) / 365)
    air = air + 3.0 * np.sin(2 * np.pi * (hour - 9) / 24)
    return weather(np.stack([air, air + 2.0]), start="2020-08-01")


def plants(*names, **others):
    return Habitat(plants=names, **others)


def by_hand(weather, start, base, needed, member=0):
    """Date on which the sum passes, with plain Python on UTC days."""
    total = 0.0
    days = weather["air_temperature"].isel(member=member).resample(time="1D").mean()
    first = np.datetime64("2021-01-01")
    for date, mean in zip(days.time.values.astype("M8[D]"), days.values, strict=True):
        if (date - first).astype(int) + 1 >= start:
            total += max(0.0, mean - base)
            if total > needed:
                return date
    return None


def test_hazel_first_oak_all(winter, hazel_dormouse):
    found = food_dates(winter, plants("hazel", "oak"), hazel_dormouse)
    assert found["food_date"].dims == ("member",)
    assert found["food_date"].dtype == "datetime64[ns]"
    p = hazel_dormouse.food
    for member in (0, 1):
        for name, plant in (("first_food_date", "hazel"), ("food_date", "oak")):
            expected = by_hand(
                winter,
                getattr(p, f"{plant}_start"),
                getattr(p, f"{plant}_base"),
                getattr(p, f"{plant}_sum"),
                member,
            )
            assert found[name].values[member].astype("M8[D]") == expected
    assert found.attrs["first_food_from"] == "hazel (thermal time)"
    assert found.attrs["food_from"] == "oak (thermal time)"
    assert found.attrs["not_modelled"] == ""
    assert found.attrs["spring"] == 2021


def test_warmer_is_earlier(winter, hazel_dormouse):
    found = food_dates(winter, plants("hazel", "oak"), hazel_dormouse)
    assert (found.isel(member=1) < found.isel(member=0)).to_array().all()


def test_local_days(winter, hazel_dormouse):
    """A zone half a day away moves the days, and can move the date."""
    shifted = winter.assign_coords(time=winter["time"] - np.timedelta64(12, "h"))
    here = food_dates(winter, plants("oak"), hazel_dormouse)
    there = food_dates(shifted, plants("oak"), hazel_dormouse, timezone="Etc/GMT-12")
    assert (here["food_date"] == there["food_date"]).all()


def test_mild_winter_hazel_is_held_to_its_floor(weather, hazel_dormouse):
    mild = weather(np.full(SEASON, 9.5), start="2020-08-01")
    found = food_dates(mild, plants("hazel", "oak"), hazel_dormouse)
    # 21 °C day at 2.38 a day would be reached on 9 January.
    assert found["first_food_date"].values[0] == np.datetime64("2021-03-01")


def test_draws(winter, hazel_dormouse):
    drawn = hazel_dormouse.draw(64, 7)
    found = food_dates(winter, plants("hazel", "oak"), drawn)
    assert found["food_date"].dims == ("member", "draw")
    assert found["food_date"].shape == (2, 64)
    needed = drawn.food.oak_sum
    for draw in (0, 13, 63):
        expected = by_hand(winter, drawn.food.oak_start, drawn.food.oak_base, needed[draw])
        assert found["food_date"].values[0, draw].astype("M8[D]") == expected
    # More warmth needed is never earlier.
    ordered = found["food_date"].values[0, np.argsort(needed)]
    assert (np.diff(ordered) >= np.timedelta64(0)).all()
    assert ordered[0] < ordered[-1]


def test_full_food_means_first_food(winter, hazel_dormouse):
    late_hazel = hazel_dormouse.with_values(food__hazel_sum=500.0)
    found = food_dates(winter, plants("hazel", "oak"), late_hazel)
    assert (found["first_food_date"] <= found["food_date"]).all()
    assert (found["first_food_date"] == found["food_date"]).all()
    drawn = food_dates(winter, plants("maple", "hazel", "oak"), hazel_dormouse.draw(64, 1))
    assert (drawn["first_food_date"] <= drawn["food_date"]).all()


def test_without_a_plant_for_all_the_generic_leaf_out_stands_in(winter, hazel_dormouse):
    found = food_dates(winter, plants("hazel", "birch", "hawthorn"), hazel_dormouse)
    assert found.attrs["food_from"] == "generic leaf-out with chilling"
    assert found.attrs["first_food_from"] == "hazel (thermal time); birch (thermal time)"
    assert found.attrs["not_modelled"] == "hawthorn"
    # By hand: 638 e^(-0.01 NCD) - 68 against the sum above 5 °C from New Year.
    days = winter["air_temperature"].isel(member=0).resample(time="1D").mean()
    cold, warmth = 0, 0.0
    for date, mean in zip(days.time.values.astype("M8[D]"), days.values, strict=True):
        cold += bool(date >= np.datetime64("2020-11-01") and mean < 5.0)
        warmth += max(0.0, mean - 5.0) if date >= np.datetime64("2021-01-01") else 0.0
        if date >= np.datetime64("2021-01-01") and warmth > 638 * np.exp(-0.01 * cold) - 68:
            break
    assert found["food_date"].values[0].astype("M8[D]") == date
    spread = food_dates(winter, plants(), hazel_dormouse.draw(256, 0))["food_date"][0]
    days_from_central = (spread.values - found["food_date"].values[0]) / np.timedelta64(1, "D")
    assert days_from_central.std() == pytest.approx(hazel_dormouse.food.date_spread, rel=0.05)


def test_no_plants_at_all(winter, hazel_dormouse):
    found = food_dates(winter, plants(), hazel_dormouse)
    assert (found["first_food_date"] == found["food_date"]).all()
    assert found.attrs["first_food_from"] == "as food_date"


def test_not_reached_is_no_date(winter, hazel_dormouse):
    until_march = winter.sel(time=slice(None, "2021-03-31"))
    found = food_dates(until_march, plants("oak"), hazel_dormouse)
    assert np.isnat(found["food_date"].values).all()
    assert np.isnat(found["first_food_date"].values).all()


def test_the_spring_is_that_of_the_last_winter_year(weather, hazel_dormouse):
    years = weather(np.full(24 * 1400, 9.5), start="2017-08-01")  # to 31 May 2021
    found = food_dates(years, plants("oak"), hazel_dormouse)
    assert found.attrs["spring"] == 2021
    assert found["food_date"].values[0].astype("M8[Y]").astype(int) + 1970 == 2021
    autumn = food_dates(years.sel(time=slice(None, "2020-12-31")), plants("oak"), hazel_dormouse)
    assert autumn.attrs["spring"] == 2021
    assert np.isnat(autumn["food_date"].values[0])


def test_a_sum_that_would_begin_too_late_is_refused(winter, hazel_dormouse):
    late = winter.sel(time=slice("2021-02-01", None))
    with pytest.raises(ValueError, match="whole days from 2021-01-01 on, for hazel"):
        food_dates(late, plants("hazel", "oak"), hazel_dormouse)
    food_dates(late, plants("oak"), hazel_dormouse)  # oak begins on 24 February
    with pytest.raises(ValueError, match="from 2020-11-01 on, for the generic leaf-out"):
        food_dates(late, plants(), hazel_dormouse)


def test_missing_air(winter, hazel_dormouse):
    winter["air_temperature"][1, 5] = np.nan
    with pytest.raises(ValueError, match=r"1 of .* values are missing"):
        food_dates(winter, plants("oak"), hazel_dormouse)


def test_units(winter, hazel_dormouse):
    winter["air_temperature"].attrs["units"] = "K"
    with pytest.raises(ValueError, match="expected units 'degC', found 'K'"):
        food_dates(winter, plants("oak"), hazel_dormouse)


# The site's own records


@pytest.fixture
def records(tmp_path):
    def write(*rows, heading="plant,stage,date"):
        path = tmp_path / "food_dates.csv"
        path.write_text("\n".join([heading, *rows]) + "\n", "utf-8")
        return path

    return write


def test_own_dates_stand_for_plants_without_numbers(winter, hazel_dormouse, records):
    path = records(
        "Willow,catkins,2018-03-10",
        "willow,catkins,2019-03-14",
        "willow,catkins,2019-03-20",  # the first of a spring counts
        "willow,catkins,2020-03-11",
        "hawthorn,bud,2020-03-20",
        "hawthorn,flower,2020-05-08",
        "hazel,leaf,2019-04-01",
    )
    site = plants("willow", "hazel", "hawthorn", food_dates=path)
    found = food_dates(winter, site, hazel_dormouse)
    # Days 69, 73 and 71 (2020 is a leap year).
    assert (found["first_food_date"].values.astype("M8[D]") == np.datetime64("2021-03-12")).all()
    assert (found["food_date"].values.astype("M8[D]") == np.datetime64("2021-05-09")).all()
    assert "willow (own dates, catkins, 3 years)" in found.attrs["first_food_from"]
    assert found.attrs["food_from"] == "hawthorn (own dates, flower, 1 year)"
    assert found.attrs["own_dates_unused"] == "hazel"
    drawn = food_dates(winter, site, hazel_dormouse.draw(256, 0), seed=0)
    hawthorn = drawn["food_date"].values[0].astype("M8[D]").astype(float)
    assert hawthorn.std() == pytest.approx(hazel_dormouse.food.date_spread, rel=0.05)
    other = food_dates(winter, site, hazel_dormouse.draw(256, 0), seed=1)
    assert (drawn["food_date"] != other["food_date"]).any()
    again = food_dates(winter, site, hazel_dormouse.draw(256, 0), seed=0)
    assert drawn.identical(again)


def test_records_after_the_issue_are_not_read(winter, hazel_dormouse, records):
    known = ["hawthorn,flower,2019-05-10"]
    later = ["hawthorn,flower,2021-04-02", "hawthorn,poisoned,2021-05-01", ",,2022-01-01"]
    site = plants("hawthorn", food_dates=records(*known))
    as_of = np.datetime64("2020-10-27T23:59:59")
    before = food_dates(winter, site, hazel_dormouse, as_of=as_of)
    records(*known, *later)
    assert before.identical(food_dates(winter, site, hazel_dormouse, as_of=as_of))


# The ramp


def test_share_ramps_from_none_to_all():
    days = np.arange("2021-03-30", "2021-04-14", dtype="M8[D]")
    share = food_share(days, np.datetime64("2021-04-01"), np.datetime64("2021-04-11"))
    assert share[:3] == pytest.approx([0.0, 0.0, 0.0])
    assert share[7] == pytest.approx(0.5)
    assert share[12:] == pytest.approx([1.0, 1.0, 1.0])
    step = food_share(days, np.datetime64("2021-04-05"), np.datetime64("2021-04-05"))
    assert list(step) == [0.0] * 6 + [1.0] * 9


def test_share_of_dates_not_reached():
    nat, first = np.datetime64("NaT"), np.datetime64("2021-04-01")
    days = np.array(["2021-03-01", "2021-04-02"], dtype="M8[D]")
    assert list(food_share(days, nat, nat)) == [0.0, 0.0]
    assert food_share(days, first, nat) == pytest.approx([0.0, np.nan], nan_ok=True)


def test_share_broadcasts():
    days = np.arange("2021-03-01", "2021-03-11", dtype="M8[D]")
    first = np.array([["2021-03-02"], ["2021-03-04"]], dtype="M8[D]")
    share = food_share(days, first, first + np.timedelta64(4, "D"))
    assert share.shape == (2, 10)
    assert (share[1, 2:] == share[0, :-2]).all()
