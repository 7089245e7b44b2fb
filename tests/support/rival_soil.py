"""Rival forms of soil, litter and snow: what others use where riskcast solves a column.

Own ports, each with the paper it comes from. Constants stand in the signatures as the form is
usually run. Nothing in riskcast uses them: tests hold them to hand-worked values and benchmarks set
the column beside them. Plain floats or arrays in, the same out; temperatures in °C.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

__all__ = [
    "daily",
    "force_restore",
    "jordan_conductivity",
    "katterer_andren",
    "katterer_andren_surface",
    "lindstrom",
    "lpj_litter_conductivity",
    "parton_under_snow",
    "rankinen",
    "rankinen_exact",
    "rankinen_gain",
    "rankinen_least_depth",
    "rankinen_under_snow",
]

FloatArray = npt.NDArray[np.float64]
DAY_S = 86400.0


def jordan_conductivity(density: npt.ArrayLike) -> FloatArray:
    """Snow, W m-1 K-1, from its density in kg m-3 (Jordan 1991; constants from memory)."""
    air, ice = 0.023, 2.29
    rho = np.asarray(density, dtype=float)
    return np.asarray(air + (7.75e-5 * rho + 1.105e-6 * rho**2) * (ice - air))


def lpj_litter_conductivity(saturation: npt.ArrayLike, *, frozen: bool = False) -> FloatArray:
    """Litter, W m-1 K-1, from how much of its pores is full (LPJmL; Lawrence & Slater 2008).

    Kersten number log10 S + 1 (0 below S = 0.1), frozen S (Johansen 1977), between dry litter and
    saturated. Constants and form were read in LPJmL's code.
    """
    dry, saturated = 0.05, 2.106374 if frozen else 0.554636
    s = np.asarray(saturation, dtype=float)
    kersten = s if frozen else np.log10(np.maximum(s, 0.1)) + 1
    return np.asarray(dry + (saturated - dry) * kersten)


def parton_under_snow(air: npt.ArrayLike, snow_water_cm: npt.ArrayLike) -> FloatArray:
    """Surface under snow, °C (Parton et al. 1998, eq. 5 and 6).

    As coded in SOILWAT2: −2 °C where the air is not below freezing; 0.3 of the air's frost passes
    a little snow, none of it more than 6.7 cm of water. Only for snow above 0 cm.
    """
    passes = np.maximum(1 - 0.15 * np.asarray(snow_water_cm, dtype=float), 0.0)
    return np.asarray(0.3 * np.minimum(np.asarray(air, dtype=float), 0.0) * passes - 2.0)


# Rankinen et al. 2004, Hydrol. Earth Syst. Sci. 8:706-716: one layer, a step of a day.


def rankinen_gain(
    depth_m: float,
    *,
    frozen: bool = False,
    conductivity: float = 0.7,
    capacity: float = 1.1e6,
    freezing: float = 6.6e6,
) -> float:
    """Share of the air's distance that one day's step goes: K Δt ÷ (C (2z)²).

    C is the soil's heat capacity, with that of freezing water added below 0 °C, J m-3 K-1.
    The form and K/C were read in INCA's descendants, the three constants are inferred.
    """
    stored = capacity + (freezing if frozen else 0.0)
    return DAY_S * conductivity / (stored * (2 * depth_m) ** 2)


def rankinen_least_depth() -> float:
    """Depth above which a day's step overshoots the air (gain above 1), m."""
    return float(np.sqrt(rankinen_gain(1.0)))


def rankinen(depth_m: float, before: float, air: float) -> float:
    """Soil after a day, °C: freezing water slows it below 0 °C. No guard above 0.117 m."""
    return before + rankinen_gain(depth_m, frozen=before < 0.0) * (air - before)


def rankinen_exact(depth_m: float, before: float, air: float) -> float:
    """The same relaxation solved exactly over the day, which cannot overshoot."""
    gain = rankinen_gain(depth_m, frozen=before < 0.0)
    return float(air + (before - air) * np.exp(-gain))


def rankinen_under_snow(soil: npt.ArrayLike, snow_depth_m: npt.ArrayLike) -> FloatArray:
    """The step's result under snow, drawn towards 0 °C by exp(−2 D), D in m.

    The factor of 2 per metre is inferred from a value, not read in a source.
    """
    return np.asarray(np.asarray(soil, dtype=float) * np.exp(-2.0 * np.asarray(snow_depth_m)))


# Kätterer & Andrén 2009, Acta Agric. Scand. B 59: soil of a field from air and leaf area. The form
# is from memory.


def katterer_andren_surface(air: float, leaf_area: float) -> float:
    """Surface of the ground, °C: a fifth of the air's frost; warmth damped by leaves."""
    if air < 0.0:
        return 0.2 * air
    return float(air * (0.95 + 0.05 * np.exp(-0.4 * (leaf_area - 3))))


def katterer_andren(before: float, air: float, *, leaf_area: float, depth_cm: float) -> float:
    """Soil after a day, °C."""
    share = 0.24 * np.exp(-0.017 * depth_cm) * np.exp(-0.15 * leaf_area)
    return float(before + share * (katterer_andren_surface(air, leaf_area) - before))


def lindstrom(
    before: float,
    air: float,
    deep: float,
    *,
    memory: float = 5.0,
    to_deep: float = 0.05,
    snow: float = 0.0,
    per_snow: float = 0.1,
) -> float:
    """Soil after a day, °C: a memory in days, longer under snow, and a pull from below.

    Lindström, Bishop & Ottosson Löfvenius 2002, in the form HYPE has it (from memory); the snow's
    factor of 0.1 day per unit of depth or of water is inferred from a value.
    """
    return before + (air - before) / (memory + per_snow * snow) + to_deep * (deep - before)


def force_restore(before: float, surface: npt.ArrayLike, *, hours: float = 24.0) -> FloatArray:
    """Soil of the daily wave, °C, hour by hour: dT/dt = (surface − T) ÷ τ, implicit.

    The restoring half of Deardorff 1978 (J. Geophys. Res. 83), as Noilhan & Planton 1989 have it,
    τ one day.
    """
    kept = np.empty(len(np.asarray(surface)))
    soil = before
    for hour, above in enumerate(np.asarray(surface, dtype=float)):
        soil = (soil + above / hours) / (1 + 1 / hours)
        kept[hour] = soil
    return kept


def daily(hourly: npt.ArrayLike) -> FloatArray:
    """Means of whole days, from hours that begin with a day."""
    values = np.asarray(hourly, dtype=float)
    return np.asarray(values[: values.size // 24 * 24].reshape(-1, 24).mean(axis=1))
