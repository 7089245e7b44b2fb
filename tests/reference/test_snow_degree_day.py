"""The degree-day store against what two public models expect of theirs in their own tests.

Values read in the tests of landlab (test_snow_degree_day.py) and hydrobricks
(ProcessMeltTest.cpp), neither of which runs here. And, with real data, against snowfall as a
reanalysis parts it from rain.
"""

import numpy as np
import pandas as pd
import pytest

from riskcast.habitat import degree_day_snow, snow_water

DAY = 24


def by_day(values):
    return np.repeat(np.asarray(values, dtype=float), DAY)


def water_mm(sp, air, daily_mm):
    """Snow at the end of each day, mm of water, for daily air and precipitation."""
    return snow_water(by_day(air), by_day(daily_mm) / DAY, sp, canopy="open")[DAY - 1 :: DAY]


def test_landlab_melt_and_snowfall_at_once(hazel_dormouse):
    """0.5 °C, factor 3, rain from 1 °C on: 5 mm + 2 mm − 1.5 mm = 5.5 mm, at 200 kg m-3 27.5 mm."""
    sp = hazel_dormouse.with_values(
        nest__snowmelt_open=3.0, nest__snow_density_fresh=200.0,
        nest__snow_density_cold=200.0, nest__snow_density_melting=200.0,
    )  # fmt: skip
    air, daily_mm = [-2.0, 0.5], [5.0, 2.0]
    assert water_mm(sp, air, daily_mm)[-1] == pytest.approx(5.5)
    depth = degree_day_snow(by_day(air), by_day(daily_mm) / DAY, sp, canopy="open")
    assert depth[-1] == pytest.approx(5.5 * 5 / 1000)


def test_landlab_three_days(hazel_dormouse):
    """Factor 2: 5 mm, a day at 1 °C leaves 3, a day at −3 °C with 2 mm makes 5."""
    sp = hazel_dormouse.with_values(nest__snowmelt_open=2.0)
    assert water_mm(sp, [-2.0, 1.0, -3.0], [5.0, 0.0, 2.0]) == pytest.approx([5.0, 3.0, 5.0])


def test_landlab_melt_ends_with_the_snow(hazel_dormouse):
    sp = hazel_dormouse.with_values(nest__snowmelt_open=3.0)
    assert water_mm(sp, [-2.0, 2.0], [5.0, 0.0])[-1] == 0.0


def test_hydrobricks_ten_days(hazel_dormouse):
    """Factor 3 above 2 °C. Its rain fades in from 0 to 2 °C: the solid part is given here."""
    sp = hazel_dormouse.with_values(
        nest__snowmelt_open=3.0, nest__snowmelt_threshold=2.0, nest__snowfall_threshold=99.0
    )
    air = [-2.0, -1.0, -1.0, 1.0, 2.0, 3.0, 4.0, 5.0, 8.0, 9.0]
    solid = [0.0, 10.0, 10.0, 5.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0]
    theirs = [0.0, 10.0, 20.0, 25.0, 25.0, 22.0, 16.0, 7.0, 0.0, 0.0]
    assert water_mm(sp, air, solid) == pytest.approx(theirs, abs=1e-9)


@pytest.fixture(scope="module")
def lowland(real_data):
    """Nine winters of a coastal lowland at 52° N (Open-Meteo archive, CC BY 4.0, file A06)."""
    path = real_data / "weather" / "A06_openmeteo_archive_hague_hourly_2015_2024.csv.gz"
    return pd.read_csv(path, skiprows=3, index_col=0, parse_dates=[0])


@pytest.mark.real_data
def test_winters_with_snow_as_a_reanalysis_parts_it(hazel_dormouse, lowland):
    """Days under snow of 2.5 mm of water, by our threshold and by the provider's snowfall.

    Its snowfall above 1 °C melts as it lies: the threshold costs a day in a winter, not the spell.
    """
    air = lowland["temperature_2m (°C)"].to_numpy()
    whole = lowland["precipitation (mm)"].to_numpy()
    solid = np.maximum(whole - lowland["rain (mm)"].to_numpy(), 0.0)
    as_given = hazel_dormouse.with_values(nest__snowfall_threshold=99.0)
    winter = pd.Index(lowland.index.year - (lowland.index.month < 7), name="winter")
    days = []
    for sp, water in ((hazel_dormouse, whole), (as_given, solid)):
        lies = snow_water(air, water, sp, canopy="open") >= 2.5
        days.append(pd.Series(lies).groupby(winter).sum() / DAY)
    ours, theirs = days
    assert (ours - theirs).abs().max() <= 1.0
    assert ours.idxmax() == theirs.idxmax() == 2020  # the snow of February 2021
    assert theirs.max() > 7.0
