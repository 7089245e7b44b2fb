"""Saturation vapour pressure against Sonntag 1990 as xclim has it, and dew point against MetPy's.

Values computed with xclim (method sonntag90) and MetPy 1.7, and the row that xclim's own tests
expect over ice below 0 °C. xclim itself is asked where it is installed (extra `reference`); it
repeats its own numbers, so that a change there would be seen.
"""

from __future__ import annotations

import warnings

import numpy as np
import pytest
import xarray as xr

from riskcast.habitat import dew_point, saturation_vapour_pressure

WATER_PA = {-20: 125.587, 0: 611.213, 5: 872.540, 10: 1228.133, 20: 2339.249}
ICE_AT_MINUS_20_PA = 103.239
# xclim's tests, whole pascals; above 40 °C is beyond what AERK is meant for.
XCLIMS_OWN = dict(
    zip(
        [-20, -10, -1, 10, 20, 25, 30, 40, 60],
        [103, 260, 563, 1228, 2339, 3169, 4247, 7385, 19947],
        strict=True,
    )
)


@pytest.fixture(scope="module")
def sonntag():
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        indices = pytest.importorskip("xclim", exc_type=ImportError).indices

    def pascals(temperatures, **ice):
        celsius = xr.DataArray(
            np.asarray(temperatures, dtype=float), dims="time", attrs={"units": "degC"}
        )
        return indices.saturation_vapor_pressure(celsius, method="sonntag90", **ice).values

    return pascals


@pytest.mark.parametrize(("temperature", "pascal"), WATER_PA.items())
def test_over_water(hazel_dormouse, temperature, pascal):
    """Within three parts in a thousand, four in the frost of −20 °C."""
    found = 1000 * saturation_vapour_pressure(temperature, hazel_dormouse)
    assert found == pytest.approx(pascal, rel=4e-3 if temperature == -20 else 3e-3)


def test_over_ice(hazel_dormouse):
    found = 1000 * saturation_vapour_pressure(-20.0, hazel_dormouse, over="ice")
    assert found == pytest.approx(ICE_AT_MINUS_20_PA, rel=4e-3)


@pytest.mark.parametrize(("temperature", "pascal"), XCLIMS_OWN.items())
def test_the_row_of_xclims_tests(hazel_dormouse, temperature, pascal):
    over = "ice" if temperature < 0 else "water"
    found = 1000 * saturation_vapour_pressure(temperature, hazel_dormouse, over=over)
    assert found == pytest.approx(pascal, rel=8e-3 if temperature > 40 else 5e-3)


@pytest.mark.filterwarnings("ignore")
def test_the_values_are_xclims(sonntag):
    assert sonntag(list(WATER_PA)) == pytest.approx(list(WATER_PA.values()), abs=1e-3)
    over_ice = sonntag(list(XCLIMS_OWN), ice_thresh="0 degC")
    # Their row is cut off rather than rounded, and their tests allow as much.
    assert over_ice == pytest.approx(list(XCLIMS_OWN.values()), abs=1.0)
    assert over_ice[0] == pytest.approx(ICE_AT_MINUS_20_PA, abs=1e-3)


def test_dew_point_beside_metpys(hazel_dormouse):
    """10 °C and 60 %: ours 2.5880, MetPy 2.5876, which has another formula."""
    found = dew_point(10.0, 60.0, hazel_dormouse)
    assert found == pytest.approx(2.5880, abs=1e-4)
    assert found == pytest.approx(2.5876, abs=6e-4)
