"""Snow where no provider tells of it: the store hour by hour, and what it does to the nest."""

import numpy as np
import pytest

from riskcast.habitat import degree_day_snow, nest_temperature, snow_on_ground, snow_water

HOURS = 24 * 100
DEEP = 9.0


def store_hour_by_hour(air, water, sp, factor):
    """The same store as a plain loop, mm."""
    held, out = 0.0, []
    for t, p in zip(air, water, strict=True):
        held += p if t <= sp.nest.snowfall_threshold else 0.0
        held = max(held - factor / 24.0 * max(t - sp.nest.snowmelt_threshold, 0.0), 0.0)
        out.append(held)
    return np.array(out)


def settle_hour_by_hour(air, water, held, sp):
    """Its depth as a plain loop, m: lying snow settles, fresh snow joins it by mass."""
    p = sp.nest
    density, before, out = p.snow_density_fresh, 0.0, []
    for t, wet, after in zip(air, water, held, strict=True):
        limit = p.snow_density_melting if t > p.snowmelt_threshold else p.snow_density_cold
        if density < limit:
            density = limit - (limit - density) * np.exp(-1.0 / p.snow_settling_hours)
        fresh = wet if t <= p.snowfall_threshold else 0.0
        if before + fresh > 0.0:
            density = (before * density + fresh * p.snow_density_fresh) / (before + fresh)
        out.append(after / density if after > 0.0 else 0.0)
        before = after
    return np.array(out)


@pytest.mark.parametrize("seed", range(5))
@pytest.mark.parametrize("canopy", ["open", "deciduous", "evergreen"])
def test_store_equals_a_plain_loop(hazel_dormouse, seed, canopy):
    rng = np.random.default_rng(seed)
    air = rng.normal(0.5, 3.0, (3, 24 * 60)) + 3.0 * np.sin(np.arange(24 * 60) / 200)
    water = rng.exponential(1.0, air.shape) * (rng.random(air.shape) < 0.1)
    p = hazel_dormouse.nest
    factor = p.snowmelt_open if canopy == "open" else p.snowmelt_forest
    depth = degree_day_snow(air, water, hazel_dormouse, canopy=canopy)
    lies = snow_water(air, water, hazel_dormouse, canopy=canopy)
    for member in range(3):
        plain = store_hour_by_hour(air[member], water[member], hazel_dormouse, factor)
        settled = settle_hour_by_hour(air[member], water[member], plain, hazel_dormouse)
        assert lies[member] == pytest.approx(plain, abs=1e-10)
        assert depth[member] == pytest.approx(settled, abs=1e-12)
    assert depth.max() > 0.01


def test_bare_ground_is_exactly_bare(hazel_dormouse):
    """No film of rounding is left to count as snow, after however long a summer."""
    air = np.tile(np.r_[np.full(50, -3.3), np.full(4000, 11.7)], 3)
    water = np.full(air.shape, 0.13)
    depth = degree_day_snow(air, water, hazel_dormouse, canopy="open")
    assert (depth[-3900:] == 0.0).all()
    assert depth[49] > 0.02


def test_snow_settles_in_frost_and_faster_in_thaw(hazel_dormouse):
    """Essery 2015: from 100 towards 300 kg m-3 in frost, 500 in thaw, 200 h to 1/e."""
    hour = np.arange(1, 1000)
    water = np.r_[30.0, np.zeros(999)]
    frost = degree_day_snow(np.full(1000, -1.0), water, hazel_dormouse, canopy="open")
    assert frost[0] == pytest.approx(0.30)
    assert frost[1:] == pytest.approx(30.0 / (300.0 - 200.0 * np.exp(-hour / 200.0)))
    no_melt = hazel_dormouse.with_values(nest__snowmelt_open=0.0)
    thaw = degree_day_snow(np.full(1000, 0.5), water, no_melt, canopy="open")
    assert thaw[1:] == pytest.approx(30.0 / (500.0 - 400.0 * np.exp(-hour / 200.0)))


def test_frost_does_not_loosen_packed_snow(hazel_dormouse):
    no_melt = hazel_dormouse.with_values(nest__snowmelt_open=0.0)
    air = np.r_[np.full(1000, 0.5), np.full(500, -5.0)]
    water = np.r_[30.0, np.zeros(1499)]
    depth = degree_day_snow(air, water, no_melt, canopy="open")
    assert depth[1000:] == pytest.approx(depth[999], rel=1e-9)


def test_rain_never_lies(hazel_dormouse):
    just_above = hazel_dormouse.nest.snowfall_threshold + 0.01
    rain = degree_day_snow(np.full(100, just_above), np.ones(100), hazel_dormouse, canopy="open")
    assert (rain == 0.0).all()


def test_snow_lies_longer_under_trees(hazel_dormouse):
    air = np.r_[np.full(48, -2.0), np.full(400, 1.5)]
    water = np.where(air < 0, 0.5, 0.0)
    lies = [
        int((degree_day_snow(air, water, hazel_dormouse, canopy=canopy) > 0).sum())
        for canopy in ("open", "evergreen")
    ]
    assert lies[0] < lies[1]


# Which snow the nest gets


@pytest.fixture
def cold_spell(weather):
    """Rain at 4 °C, then a hundredth of a day's snow an hour at −6 °C, then dry frost."""
    hour = np.arange(HOURS)
    air = np.where(hour < HOURS // 2, 4.0, -6.0)
    water = np.where((hour >= HOURS // 2) & (hour < HOURS // 2 + 60), 1.0, 0.0)
    return weather(air, precipitation=np.where(hour < 100, 2.0, water))


def test_the_provider_comes_first(cold_spell, hazel_dormouse):
    given = cold_spell.assign(
        snow_depth=(("member", "time"), np.full((1, HOURS), 0.03), {"units": "m"})
    )
    depth, source = snow_on_ground(given, hazel_dormouse, canopy="open")
    assert source == "provider"
    assert (depth == 0.03).all()


def test_then_the_model(cold_spell, hazel_dormouse):
    depth, source = snow_on_ground(cold_spell, hazel_dormouse, canopy="open")
    assert source == "degree-day model"
    settled = 60.0 / hazel_dormouse.nest.snow_density_cold
    assert settled < depth[0, -1] < 1.05 * settled
    assert (depth[0, : HOURS // 2] == 0.0).all()


def test_else_none_and_said_so(cold_spell, hazel_dormouse, litter):
    dry = cold_spell.drop_vars("precipitation")
    depth, source = snow_on_ground(dry, hazel_dormouse, canopy="open")
    assert source == "none given"
    assert not depth.any()
    felt = nest_temperature(dry, litter, deep_temperature_degc=DEEP)
    assert felt.attrs["snow"] == "none given"


def test_the_nest_feels_modelled_snow_as_it_feels_given_snow(cold_spell, hazel_dormouse, litter):
    depth, _ = snow_on_ground(cold_spell, hazel_dormouse, canopy=litter.canopy)
    given = cold_spell.assign(snow_depth=(("member", "time"), depth, {"units": "m"}))
    modelled = nest_temperature(cold_spell, litter, deep_temperature_degc=DEEP)
    told = nest_temperature(given, litter, deep_temperature_degc=DEEP)
    bare = nest_temperature(
        cold_spell.drop_vars("precipitation"), litter, deep_temperature_degc=DEEP
    )
    assert (modelled.values == told.values).all()
    assert modelled.attrs["snow"] == "degree-day model"
    assert told.attrs["snow"] == "provider"
    assert float(modelled[0, -1] - bare[0, -1]) > 3.0


def test_negative_precipitation(cold_spell, hazel_dormouse):
    cold_spell["precipitation"][0, 7] = -0.2
    with pytest.raises(ValueError, match=r"precipitation: expected 0 mm or more, found -0\.2"):
        snow_on_ground(cold_spell, hazel_dormouse, canopy="open")


def test_missing_precipitation_is_not_a_dry_hour(cold_spell, hazel_dormouse):
    cold_spell["precipitation"][0, 7] = np.nan
    with pytest.raises(ValueError, match="precipitation: 1 of"):
        snow_on_ground(cold_spell, hazel_dormouse, canopy="open")
