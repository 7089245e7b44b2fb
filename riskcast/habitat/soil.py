"""Bare formulas of heat in litter and soil. NumPy in, NumPy out.

Depths are in m, positive down from the litter's surface; times in s; temperatures in °C.
The closed forms hold for one uniform material; the layered column is in `column`.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt
from scipy.special import erfc

if TYPE_CHECKING:
    from riskcast.species import Species

__all__ = [
    "damping_depth",
    "departure_left",
    "litter_conductivity",
    "litter_heat_capacity",
    "steady_interfaces",
    "temperature_step",
    "temperature_wave",
]

FloatArray = npt.NDArray[np.float64]


def damping_depth(diffusivity: npt.ArrayLike, period_s: npt.ArrayLike) -> FloatArray:
    """Depth at which a temperature wave is down to 1/e: d = sqrt(2κ/ω), m.

    Campbell & Norman 1998, An Introduction to Environmental Biophysics, ch. 2 and 8.

    Parameters
    ----------
    diffusivity : κ = λ/C, m2 s-1
    period_s : period of the wave, s
    """
    omega = 2.0 * np.pi / np.asarray(period_s, dtype=float)
    return np.asarray(np.sqrt(2.0 * np.asarray(diffusivity, dtype=float) / omega))


def litter_conductivity(water_content: npt.ArrayLike, sp: Species) -> FloatArray:
    """Thermal conductivity of forest litter, W m-1 K-1: linear in its water, held to a range.

    O'Donnell et al. 2009, Soil Science 174, as coded in a public forest-floor model:
    λ = min(0.6, max(0.04, 0.03 + 0.5 θ)).

    Parameters
    ----------
    water_content : θ, m3 m-3, any shape; measured 0 to about 0.7
    sp : Species
    """
    p = sp.nest
    line = p.litter_conductivity_dry + p.litter_conductivity_slope * np.asarray(water_content)
    held = np.clip(line, p.litter_conductivity_least, p.litter_conductivity_most)
    return np.asarray(held)


def litter_heat_capacity(water_content: npt.ArrayLike, sp: Species) -> FloatArray:
    """Volumetric heat capacity of forest litter, J m-3 K-1: its dry matter and its water.

    O'Donnell et al. 2009, as coded in a public forest-floor model: C = 45·1920 + 4.18e6 θ.

    Parameters
    ----------
    water_content : θ, m3 m-3, any shape
    sp : Species
    """
    p = sp.nest
    dry = p.litter_density * p.litter_specific_heat
    return np.asarray(dry + p.water_heat_capacity * np.asarray(water_content, dtype=float))


def temperature_wave(
    depth: npt.ArrayLike,
    time_s: npt.ArrayLike,
    *,
    mean: float,
    amplitude: float,
    diffusivity: float,
    period_s: float,
) -> FloatArray:
    """Temperature under a surface that swings as mean + amplitude·sin(ωt), once settled.

    T = mean + A·exp(−z/d)·sin(ωt − z/d), with the damping depth d (Campbell & Norman 1998,
    eq. 2.4). Uniform material, unlimited depth.

    Parameters
    ----------
    depth, time_s : m and s, broadcast together
    mean, amplitude : °C and K
    diffusivity, period_s : m2 s-1 and s

    Returns
    -------
    ndarray of the broadcast shape, °C
    """
    z = np.asarray(depth, dtype=float) / damping_depth(diffusivity, period_s)
    phase = 2.0 * np.pi * np.asarray(time_s, dtype=float) / period_s - z
    return np.asarray(mean + amplitude * np.exp(-z) * np.sin(phase))


def temperature_step(
    depth: npt.ArrayLike, time_s: npt.ArrayLike, *, step: float, diffusivity: float
) -> FloatArray:
    """Warming at depth after the surface jumped by `step` at time 0: step·erfc(z / 2 sqrt(κt)).

    Carslaw & Jaeger 1959, Conduction of Heat in Solids, §2.4. Uniform, unlimited depth.

    Parameters
    ----------
    depth, time_s : m and s, broadcast together; time above 0
    step, diffusivity : K and m2 s-1

    Returns
    -------
    ndarray of the broadcast shape, K
    """
    reach = 2.0 * np.sqrt(diffusivity * np.asarray(time_s, dtype=float))
    return np.asarray(step * erfc(np.asarray(depth, dtype=float) / reach))


def departure_left(
    depth: npt.ArrayLike, time_s: npt.ArrayLike, *, diffusivity: float
) -> FloatArray:
    """Share of a departure of the soil that is left, once its surface has none any more: 0 to 1.

    What `temperature_step` has not yet undone: erf(z / 2 sqrt(κt)), for a departure that is
    alike at all depths (Carslaw & Jaeger 1959, §2.4). It fades as a root of time, not
    exponentially: what lies deeper still feeds it.

    Parameters
    ----------
    depth, time_s : m and s, broadcast together; time above 0
    diffusivity : m2 s-1
    """
    return 1.0 - temperature_step(depth, time_s, step=1.0, diffusivity=diffusivity)


def steady_interfaces(above: float, below: float, resistance: npt.ArrayLike) -> FloatArray:
    """Temperatures at the interfaces of layers in series that no longer change, °C.

    The fall over a layer is its share of the whole resistance (Fourier's law).

    Parameters
    ----------
    above, below : temperatures of the air and of the lower boundary, °C
    resistance : (layer,) thickness ÷ conductivity from the top down, m2 K W-1

    Returns
    -------
    ndarray (layer − 1,): under the first layer, under the second …
    """
    r = np.asarray(resistance, dtype=float)
    return np.asarray(above + (below - above) * np.cumsum(r)[:-1] / r.sum())
