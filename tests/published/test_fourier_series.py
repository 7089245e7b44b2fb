"""Fourier's law for layers in series (any text of soil physics): snow over litter over soil.

Air −5 °C, 7 °C at the foot; 10 cm of snow (λ 0.06562: Jordan's formula at 100 kg m-3, its
constants from memory), 5 cm of litter (0.08), 45 cm of soil (1.0). Interface temperatures
computed independently to the digits given.
"""

import numpy as np
import pytest
import xarray as xr

from riskcast.habitat import (
    Column,
    conduct,
    nest_temperature,
    steady_interfaces,
    steady_profile,
    surface_in_balance,
)
from riskcast.site import Habitat

SNOW, LITTER, SOIL = 0.10 / 0.06562, 0.05 / 0.08, 0.45 / 1.0


def test_interfaces_under_snow():
    under = steady_interfaces(-5.0, 7.0, [SNOW, LITTER, SOIL])
    assert under == pytest.approx([2.03641, 4.92222], abs=1e-4)


def test_without_snow_the_litter_base_is_three_degrees_colder():
    assert steady_interfaces(-5.0, 7.0, [LITTER, SOIL]) == pytest.approx([1.97674], abs=1e-4)


@pytest.fixture(scope="module")
def layered():
    depth = np.linspace(0.0, 0.5, 51)
    litter = depth[1:] <= 0.05 + 1e-9
    return Column(depth, np.where(litter, 0.08, 1.0), np.where(litter, 504400.0, 2.4e6))


@pytest.mark.parametrize(
    ("snow", "surface", "litter_base"), [(SNOW, 2.03641, 4.92222), (0.0, -5.0, 1.97674)]
)
def test_column_settles_at_the_same_temperatures(layered, snow, surface, litter_base):
    profile = steady_profile(layered, -5.0, snow, 7.0)
    assert profile[0] == pytest.approx(surface, abs=1e-4)
    assert profile[layered.node(0.05)] == pytest.approx(litter_base, abs=1e-4)

    everywhere = np.ones((120 * 24, 1))
    air, resistance, foot = -5.0 * everywhere, snow * everywhere, 7.0 * everywhere
    start = surface_in_balance(layered, np.full((51, 1), 7.0), air[0], resistance[0])
    for depth, expected in ((0.0, surface), (0.05, litter_base)):
        node = layered.node(depth)
        kept, _ = conduct(layered, air, resistance, foot, start, output=node)
        assert kept[-1, 0] == pytest.approx(expected, abs=1e-3)


@pytest.mark.parametrize(
    ("snow", "litter_base"), [("provider", 4.92222), ("degree-day model", 4.92222), (None, 1.97674)]
)
def test_a_nest_at_the_litter_base_under_ten_centimetres_of_snow(hazel_dormouse, snow, litter_base):
    """The same layers through the whole step, its snow given or lain down in the first hour."""
    sp = hazel_dormouse.with_values(
        nest__transfer_coefficient=np.inf, nest__snow_conductivity=0.06562,
        nest__soil_conductivity=1.0, nest__boundary_least_depth=0.45,
        nest__snow_density_fresh=300.0,
    )  # fmt: skip
    hours = 90 * 24
    grid = ("member", "time")
    falls = np.zeros((1, hours))
    if snow == "degree-day model":
        falls[0, 0] = 0.10 * sp.nest.snow_density_cold
    weather = xr.Dataset(
        {
            "air_temperature": (grid, np.full((1, hours), -5.0), {"units": "degC"}),
            "precipitation": (grid, falls, {"units": "mm"}),
            "soil_temperature": (
                (*grid, "depth"), np.full((1, hours, 1), 7.0), {"units": "degC"}
            ),
        },
        coords={
            "member": [0],
            "time": np.datetime64("2020-12-01", "ns") + np.arange(hours) * np.timedelta64(1, "h"),
            "depth": [0.45],
        },
    )  # fmt: skip
    if snow == "provider":
        weather["snow_depth"] = (grid, np.full((1, hours), 0.10), {"units": "m"})
    habitat = Habitat(nest_depth_cm=5, litter_depth_cm=5, canopy="open")
    felt = nest_temperature(weather, habitat, sp)
    assert felt.attrs["snow"] == (snow or "degree-day model")
    assert felt.attrs["lower_boundary"] == "soil temperature at 0.50 m"
    assert felt.values[0, -1] == pytest.approx(litter_base, abs=1e-3)
