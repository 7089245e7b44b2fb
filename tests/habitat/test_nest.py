"""The nest: what drives it, what is refused, and that shared hours are solved but once."""

import numpy as np
import pytest
import xarray as xr

from riskcast.habitat import box_temperature, canopy_air, carried_on, nest, nest_temperature
from riskcast.site import Habitat

DAYS = 150
HOURS = DAYS * 24


@pytest.fixture
def autumn(weather, year_of_air):
    return weather(year_of_air[:HOURS])


def daily_range(series):
    days = series.values[0, : series.sizes["time"] // 24 * 24].reshape(-1, 24)
    return float((days.max(axis=1) - days.min(axis=1)).mean())


def test_what_comes_back(autumn, litter):
    felt = nest_temperature(autumn, litter, deep_temperature_degc=10.0)
    assert felt.dims == ("member", "time")
    assert felt.name == "nest_temperature"
    assert felt.attrs["units"] == "degC"
    assert felt.attrs["spin_up_until"] == "2020-09-30T00:00:00"
    assert felt.attrs["deep_temperature_degc"] == 10.0
    assert felt.attrs["snow"] == "degree-day model"
    assert np.isfinite(felt).all()


def test_amplitude_is_well_below_the_airs(autumn, litter):
    felt = nest_temperature(autumn, litter, deep_temperature_degc=10.0)
    assert daily_range(felt) < 0.6 * daily_range(autumn["air_temperature"])


def test_deeper_is_calmer(autumn, litter):
    ranges = [
        daily_range(
            nest_temperature(
                autumn, litter.model_copy(update={"nest_depth_cm": depth}), deep_temperature_degc=10
            )
        )
        for depth in (0.0, 1.0, 3.0, 6.0, 12.0)
    ]
    assert ranges == sorted(ranges, reverse=True)
    assert ranges[-1] < 0.2 * ranges[0]


def test_a_constant_world_is_a_constant_nest(weather, litter):
    felt = nest_temperature(weather(np.full(2400, 7.5)), litter, deep_temperature_degc=7.5)
    assert felt.values == pytest.approx(7.5, abs=1e-9)


def test_snow_insulates(weather, litter):
    air = np.where(np.arange(HOURS) < HOURS // 2, 4.0, -8.0)
    snow = np.where(np.arange(HOURS) < HOURS // 2, 0.0, 0.25)
    bare = nest_temperature(weather(air), litter, deep_temperature_degc=9.0)
    white = nest_temperature(weather(air, snow_depth=snow), litter, deep_temperature_degc=9.0)
    assert white.attrs["snow"] == "provider"
    assert float(bare[0, -1]) < -2.0
    assert float(white[0, -1]) > float(bare[0, -1]) + 4.0


def test_snow_of_one_member_is_felt_by_that_member_only(weather, litter):
    air = np.full((2, HOURS), -3.0)
    snow = np.zeros_like(air)
    snow[1, HOURS // 2 :] = 0.2
    both = nest_temperature(weather(air, snow_depth=snow), litter, deep_temperature_degc=9.0)
    alone = nest_temperature(weather(air[:1]), litter, deep_temperature_degc=9.0)
    assert both.values[0] == pytest.approx(alone.values[0], abs=1e-9)
    assert float(both[1, -1]) > float(both[0, -1]) + 2.0


@pytest.mark.parametrize("canopy", ["open", "deciduous"])
def test_shared_hours_solved_once_equal_the_full_solve(
    weather, litter, year_of_air, canopy, monkeypatch
):
    air = np.stack([year_of_air[:HOURS]] * 3)
    snow = np.zeros_like(air)
    air[1, 2000:] += 2.0
    air[2, 2000:] -= 3.0
    snow[2, 2100:2500] = 0.1
    habitat = litter.model_copy(update={"canopy": canopy})
    course = weather(air, snow_depth=snow)
    solved = []
    real = nest.conduct

    def counting(column, air, *rest, **options):
        solved.append(air.shape)
        return real(column, air, *rest, **options)

    monkeypatch.setattr(nest, "conduct", counting)
    together = nest_temperature(course, habitat, deep_temperature_degc=10.0)
    assert [members for _, members in solved] == [1, 3]
    for member in range(3):
        alone = nest_temperature(course.isel(member=[member]), habitat, deep_temperature_degc=10.0)
        assert together.values[member] == pytest.approx(alone.values[0], abs=1e-9)


def test_members_that_never_part_are_one(weather, litter, year_of_air):
    felt = nest_temperature(
        weather(np.stack([year_of_air[:HOURS]] * 4)), litter, deep_temperature_degc=10.0
    )
    assert (felt.values == felt.values[:1]).all()


def test_the_deep_end(weather, litter, year_of_air, autumn):
    with pytest.raises(ValueError, match=r"annual_mean_air_temperature.*this one has 150"):
        nest_temperature(autumn, litter)
    long = nest_temperature(weather(year_of_air), litter)
    assert long.attrs["deep_temperature_degc"] == pytest.approx(year_of_air.mean(), abs=0.01)
    assert "series" in long.attrs["lower_boundary"]
    known = autumn.assign(annual_mean_air_temperature=11.5)
    told = nest_temperature(known, litter, deep_temperature_degc=3.0)
    assert told.attrs["deep_temperature_degc"] == 11.5
    warm = nest_temperature(autumn, litter, deep_temperature_degc=14.0)
    cold = nest_temperature(autumn, litter, deep_temperature_degc=6.0)
    assert float((warm - cold)[0, -1]) > 0.3


def test_the_start_is_forgotten(weather, litter, year_of_air):
    # From 1 November, once with a history of 15 months and once without.
    begin = 24 * (365 + 92)
    whole = nest_temperature(weather(year_of_air), litter, deep_temperature_degc=10.0)
    part = nest_temperature(
        weather(year_of_air[begin:], start="2021-11-01"), litter, deep_temperature_degc=10.0
    )
    apart = np.abs(whole.values[0, begin:] - part.values[0])
    assert apart[:240].max() > 0.2
    assert apart[60 * 24 :].max() < 0.1


def with_soil(course, depths, temperature):
    values = np.broadcast_to(temperature, (*course["air_temperature"].shape, len(depths))).copy()
    return course.assign_coords(depth=("depth", depths, {"units": "m"})).assign(
        soil_temperature=(("member", "time", "depth"), values, {"units": "degC"})
    )


def test_deep_soil_temperature_is_the_lower_boundary(autumn, litter):
    course = with_soil(autumn, [0.1, 1.8], np.array([99.0, 12.0]))
    felt = nest_temperature(course, litter)
    assert felt.attrs["lower_boundary"] == "soil temperature at 1.86 m"
    assert felt.attrs["deep_temperature_degc"] == 12.0
    colder = nest_temperature(with_soil(autumn, [0.1, 1.8], np.array([99.0, 6.0])), litter)
    assert 0.5 < float((felt - colder)[0, -1]) < 1.5


@pytest.mark.parametrize(("depth", "taken"), [(0.64, False), (1.49, False), (1.5, True)])
def test_soil_from_a_metre_and_a_half_on(autumn, litter, depth, taken):
    course = with_soil(autumn, [0.18, depth], np.array([99.0, 12.0]))
    course = course.assign(annual_mean_air_temperature=10.0)
    felt = nest_temperature(course, litter)
    told = f"soil temperature at {0.06 + depth:.2f} m"
    assert felt.attrs["lower_boundary"] == (
        told if taken else "annual mean air temperature at 2.30 m"
    )
    assert felt.attrs["deep_temperature_degc"] == (12.0 if taken else 10.0)


def test_soil_temperature_that_changes_is_followed(autumn, litter):
    """The boundary is a series of its own: a warm month below is felt above, and only then."""
    steady, warmed = (with_soil(autumn, [1.6], np.array([9.0])) for _ in range(2))
    warmed["soil_temperature"][:, 2000:] = 15.0
    apart = (nest_temperature(warmed, litter) - nest_temperature(steady, litter)).values[0]
    assert (apart[:1999] == 0.0).all()
    assert apart[-1] > 0.3


def measured_until(course, hour):
    course["soil_temperature"].attrs["measured_until"] = (
        f"{np.datetime_as_string(course['time'].values[hour], unit='m')}Z"
    )
    return course


def test_soil_goes_over_from_the_measured_to_a_past_winters(autumn, litter, hazel_dormouse):
    """A departure of 3 K after hour 2000: none of it is lost at once, half after 80 days."""
    course = with_soil(autumn, [1.8], np.array([9.0]))
    course["soil_temperature"][:, :2000] = 12.0
    raw = course["soil_temperature"].values[..., 0]
    times = course["time"].values
    joined = carried_on(raw, times, times[1999], 1.8, hazel_dormouse)
    assert (joined[:, :2000] == 12.0).all()
    assert joined[0, 2000:2003] == pytest.approx(12.0, abs=1e-6)
    assert (np.diff(joined[0, 1999:]) <= 0.0).all()
    # erf(1.8 / (2 sqrt(5e-7 * 60 d))) = erf(0.559), by a table of the error function.
    assert joined[0, 1999 + 24 * 60] == pytest.approx(9.0 + 3.0 * 0.5708, abs=0.002)
    felt = nest_temperature(measured_until(course, 1999), litter)
    assert felt.attrs["soil_measured_until"] == "2020-10-23T07:00Z"
    assert felt.attrs["deep_temperature_degc"] == pytest.approx(float(joined.mean()), abs=0.006)
    left = nest_temperature(with_soil(autumn, [1.8], joined[..., np.newaxis]), litter)
    assert (felt.values == left.values).all()
    assert "soil_measured_until" not in left.attrs


@pytest.mark.parametrize("hour", [0, HOURS - 1])
def test_soil_measured_at_an_end_alone(autumn, litter, hour):
    """Measured to the last hour, there is nothing to carry; one hour is enough to carry on."""
    course = with_soil(autumn, [1.8], np.array([9.0]))
    course["soil_temperature"][:, 0] = 11.0
    before = course["soil_temperature"].values.copy()
    felt = nest_temperature(measured_until(course, hour), litter)
    assert (course["soil_temperature"].values == before).all(), "the weather is not written to"
    assert (felt.attrs["deep_temperature_degc"] > 10.0) == (hour == 0)


def test_soil_with_gaps_is_refused_where_it_is_used_and_nowhere_else(autumn, litter):
    course = with_soil(autumn, [0.3, 1.8], np.array([9.0, 9.0]))
    course["soil_temperature"][0, 7, 0] = np.nan
    assert np.isfinite(nest_temperature(course, litter)).all()
    course["soil_temperature"][0, 7, 1] = np.nan
    with pytest.raises(ValueError, match="soil_temperature: 1 of"):
        nest_temperature(course, litter)


@pytest.mark.parametrize(
    ("depths", "units"), [([180.0], "cm"), ([-1.8], "m"), ([np.nan], "m")]
)  # fmt: skip
def test_depths_of_soil_are_metres_down(autumn, litter, depths, units):
    course = with_soil(autumn, depths, np.array([9.0]))
    course["depth"].attrs["units"] = units
    with pytest.raises(ValueError, match="expected depths in m, positive down"):
        nest_temperature(course, litter)


def test_soil_of_one_member_for_many_is_refused(weather, litter):
    course = weather(np.full((3, HOURS), 5.0))
    soil = with_soil(weather(np.full(HOURS, 5.0)), [1.8], np.array([9.0]))
    three = xr.merge([course, soil["soil_temperature"]], join="outer")
    with pytest.raises(ValueError, match="soil_temperature"):
        nest_temperature(three, litter)


def test_shallow_soil_temperature_is_not(autumn, litter):
    course = with_soil(autumn, [0.06, 0.64], np.array([99.0, 99.0]))
    felt = nest_temperature(course, litter, deep_temperature_degc=10.0)
    plain = nest_temperature(autumn, litter, deep_temperature_degc=10.0)
    assert (felt.values == plain.values).all()


def test_no_litter_and_a_nest_on_the_ground(autumn, litter):
    bare = Habitat(nest_depth_cm=0, litter_depth_cm=0, canopy="open")
    assert np.isfinite(nest_temperature(autumn, bare, deep_temperature_degc=10.0)).all()


def test_a_surface_without_resistance_has_the_airs_temperature(hazel_dormouse, autumn, litter):
    held = hazel_dormouse.with_values(nest__transfer_coefficient=np.inf)
    surface = litter.model_copy(update={"nest_depth_cm": 0.0})
    felt = nest_temperature(autumn, surface, held, deep_temperature_degc=10.0)
    assert felt.values == pytest.approx(autumn["air_temperature"].values, abs=1e-9)


# Bad input


def test_missing_air(autumn, litter):
    autumn["air_temperature"][0, 30:33] = np.nan
    with pytest.raises(
        ValueError, match="3 of 3600 values are missing, the first at 2020-08-02T06"
    ):
        nest_temperature(autumn, litter, deep_temperature_degc=10.0)


def test_missing_snow_is_not_no_snow(weather, litter):
    snow = np.zeros(HOURS)
    snow[5] = np.nan
    course = weather(np.full(HOURS, 5.0), snow_depth=snow)
    with pytest.raises(ValueError, match="snow_depth: 1 of"):
        nest_temperature(course, litter, deep_temperature_degc=10.0)


def test_negative_snow(weather, litter):
    course = weather(np.full(HOURS, 5.0), snow_depth=-0.1)
    with pytest.raises(ValueError, match=r"snow_depth: expected 0 m or more, found -0\.1"):
        nest_temperature(course, litter, deep_temperature_degc=10.0)


@pytest.mark.parametrize(("name", "units"), [("air_temperature", "K"), ("snow_depth", "cm")])
def test_wrong_units(weather, litter, name, units):
    course = weather(np.full(HOURS, 5.0), snow_depth=0.1)
    course[name].attrs["units"] = units
    with pytest.raises(ValueError, match=f"{name}: expected units '.*', found '{units}'"):
        nest_temperature(course, litter, deep_temperature_degc=10.0)


def test_gap_in_time(autumn, litter):
    holed = autumn.isel(time=np.delete(np.arange(HOURS), 100))
    with pytest.raises(ValueError, match="step of 1h"):
        nest_temperature(holed, litter, deep_temperature_degc=10.0)


def test_no_air(autumn, litter):
    with pytest.raises(ValueError, match="expected a variable 'air_temperature'"):
        nest_temperature(autumn.drop_vars("air_temperature"), litter)


def test_no_hours(autumn, litter):
    with pytest.raises(ValueError, match="at least one member and one hour"):
        nest_temperature(autumn.isel(time=slice(0)), litter, deep_temperature_degc=10.0)


def test_nest_below_the_column(autumn, litter):
    deep = litter.model_copy(update={"nest_depth_cm": 300.0})
    with pytest.raises(ValueError, match=r"between 0 and 2\.3 m, found 3\.0"):
        nest_temperature(autumn, deep, deep_temperature_degc=10.0)


def test_deep_temperature_that_is_none(autumn, litter):
    course = autumn.assign(annual_mean_air_temperature=np.nan)
    with pytest.raises(ValueError, match="annual mean air temperature is nan"):
        nest_temperature(course, litter)


# Canopy and box


@pytest.mark.parametrize(
    ("start", "lift"), [("2020-07-01", 0.0), ("2020-10-01", 0.0), ("2021-01-03", 0.4),
                        ("2021-04-01", 0.9)]
)  # fmt: skip
def test_a_deciduous_canopy_lifts_the_minimum_alone(weather, hazel_dormouse, start, lift):
    """Zellweger et al. 2019: +0.4 °C in winter, +0.9 °C in spring."""
    course = weather(8 + 4 * np.sin(2 * np.pi * np.arange(240) / 24), start=start)
    air, times = course["air_temperature"].values, course["time"].values
    under = canopy_air(air, times, "deciduous", hazel_dormouse)
    assert under.min() - air.min() == pytest.approx(lift)
    assert under.max() == pytest.approx(air.max())
    assert (under >= air).all()
    for other in ("open", "evergreen"):
        assert (canopy_air(air, times, other, hazel_dormouse) == air).all()


def test_a_still_day_is_not_lifted_above_its_maximum(weather, hazel_dormouse):
    flat = weather(np.full(240, 3.0), start="2021-04-01")
    nearly = weather(3.0 + 0.1 * np.sin(np.arange(240)), start="2021-04-01")
    for course in (flat, nearly):
        air = course["air_temperature"].values
        under = canopy_air(air, course["time"].values, "deciduous", hazel_dormouse)
        assert np.isfinite(under).all()
        assert under.max() <= air.max() + 1e-12


def test_box_is_a_little_warmer_than_air(autumn, hazel_dormouse):
    box = box_temperature(autumn, hazel_dormouse)
    assert box.name == "box_temperature"
    assert box.attrs["units"] == "degC"
    assert (box - autumn["air_temperature"]).values == pytest.approx(hazel_dormouse.nest.box_excess)
