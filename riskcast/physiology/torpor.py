"""Bare formulas of hibernation: rates, hazards, costs. NumPy in, NumPy out.

Every formula takes the species as its last argument and broadcasts against it: floats
give floats' results, `Species.draw` gives one column a draw.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from riskcast.species import Species

__all__ = [
    "arousal_cost",
    "arousal_hazard",
    "arousal_length",
    "empty_mass",
    "grams_per_ml_oxygen",
    "log_arousal_hazard",
    "mass_after",
    "mass_needed",
    "rise_factor",
    "season_factor",
    "spendable",
    "torpid_body_temperature",
    "torpid_rate",
]

FloatArray = npt.NDArray[np.float64]
_ML_PER_L = 1000.0
_JULY_1 = 701  # month * 100 + day


def torpid_rate(nest_temperature: npt.ArrayLike, sp: Species) -> FloatArray:
    """Oxygen use of a torpid animal, by the temperature of its nest.

    Above the set point metabolism follows temperature with a constant Q10; below it the
    animal defends its body against freezing and the rate climbs linearly (form: Geiser
    1987; Barnes & Buck 2000; numbers derived from raw data behind Pretzlaff et al. 2021).
    Continuous at the set point.

    Parameters
    ----------
    nest_temperature : array_like of float, any shape
        Nest air, °C. Measured range -20..15; outside it the line is only extended.
    sp : Species
        Floats, or arrays that broadcast against the temperature (``sp.draw``).

    Returns
    -------
    ndarray of the broadcast shape, mL O2 g-1 h-1
    """
    t = np.asarray(nest_temperature, dtype=float)
    p = sp.torpor
    # exp of a sum: far faster than a power of arrays, and the same number.
    log_rate = np.log(p.q10) / 10.0 * np.maximum(t, p.set_point)
    above = np.exp(log_rate + np.log(p.rate_at_zero))
    below = np.maximum(p.set_point - t, 0.0)
    return np.asarray(above + p.cold_slope * below if below.any() else above)


def torpid_body_temperature(nest_temperature: npt.ArrayLike, sp: Species) -> FloatArray:
    """Skin temperature of a torpid animal, °C: it follows the nest down to the lowest measured
    (−2.9 °C, Pretzlaff & Dausmann 2012) and is defended there."""
    t = np.asarray(nest_temperature, dtype=float)
    return np.asarray(np.maximum(t, sp.torpor.lowest_skin_temperature))


def arousal_hazard(t24: npt.ArrayLike, sp: Species) -> FloatArray:
    """Arousals per torpid hour of captives, as measured: the multiplier for wild animals
    (``torpor.arousal_multiplier``) and the season are not applied.

    ln λ = level + b·(clip(T24, 0, 10) − 5) + c·max(−2 − T24, 0). Derived from 64 arousals
    in 5,425 torpid hours (raw data behind Pretzlaff et al. 2021).

    Parameters
    ----------
    t24 : array_like of float, any shape
        Mean nest temperature of the last 24 hours, °C. Measured range -10..13; held at
        10 above 10.
    sp : Species

    Returns
    -------
    ndarray of the broadcast shape, h-1
    """
    return np.asarray(np.exp(log_arousal_hazard(t24, sp)))


def rise_factor(rise: npt.ArrayLike, sp: Species) -> FloatArray:
    """Factor on the hazard while the nest warms: exp(slope per °C that T24 rose in 24 h).

    Weak in the data (raw data behind Pretzlaff et al. 2021; 0-0.07 per °C), so off in the
    species file: a slope of 0 gives 1 everywhere. A fall is no rise.
    """
    warming = np.maximum(np.asarray(rise, dtype=float), 0.0)
    return np.asarray(np.exp(sp.torpor.hazard_rise_slope * warming))


def log_arousal_hazard(t24: npt.ArrayLike, sp: Species) -> FloatArray:
    """Natural logarithm of `arousal_hazard`, ln(h-1); factors on the hazard are added to it."""
    t = np.asarray(t24, dtype=float)
    p = sp.torpor
    warm = np.clip(t, p.hazard_warm_edge, p.hazard_ceiling_temperature)
    out = np.asarray(p.hazard_slope_warm * (warm - p.hazard_reference_temperature))
    out = out + p.log_hazard_at_reference
    cold = np.maximum(p.hazard_cold_edge - t, 0.0)
    # Ground nests hardly ever get there: the term is left out where it is nought throughout.
    return np.asarray(out + p.hazard_slope_cold * cold if cold.any() else out)


def season_factor(times: npt.ArrayLike, sp: Species) -> FloatArray:
    """Factor on the hazard before 15 November and from 1 April (provisional).

    Parameters
    ----------
    times : datetime64, shape (time,)
    sp : Species with floats, or draws that broadcast against the times (`Species.columns`)

    Returns
    -------
    ndarray of the broadcast shape
    """
    stamps = np.asarray(times, dtype="datetime64[D]")
    month = stamps.astype("datetime64[M]")
    month_day = (month.astype(int) % 12 + 1) * 100 + ((stamps - month).astype(int) + 1)
    p = sp.torpor
    end, start = (m * 100 + d for m, d in (p.season_autumn_end, p.season_spring_start))
    # The winter year turns in July: autumn is what lies between then and its end.
    autumn = (month_day >= _JULY_1) & (month_day < end)
    spring = (month_day >= start) & (month_day < _JULY_1)
    return np.asarray(np.where(autumn, p.season_autumn, np.where(spring, p.season_spring, 1.0)))


def arousal_cost(nest_temperature: npt.ArrayLike, sp: Species) -> FloatArray:
    """Oxygen for one waking of an animal that stays in, torpid baseline of those hours included.

    12.5·exp(0.05·(T − 5)) mL O2 g-1; derived, n 40, 2-13 °C.
    """
    t = np.asarray(nest_temperature, dtype=float)
    p = sp.arousal
    return np.asarray(p.cost_at_reference * np.exp(p.cost_slope * (t - p.reference_temperature)))


def arousal_length(nest_temperature: npt.ArrayLike, sp: Species) -> FloatArray:
    """Hours from the start of rewarming until the animal is torpid again.

    5.5·exp(0.04·(T − 5)) with T held to 0-10 °C; derived.
    """
    p = sp.arousal
    t = np.clip(
        np.asarray(nest_temperature, dtype=float),
        p.length_floor_temperature,
        p.length_ceiling_temperature,
    )
    return np.asarray(
        p.length_at_reference * np.exp(p.length_slope * (t - p.reference_temperature))
    )


def grams_per_ml_oxygen(sp: Species) -> FloatArray:
    """Body mass lost per mL of oxygen: fat burned, divided by its share of the loss.

    19.65 kJ L-1 ÷ 39.3 kJ g-1 ÷ 0.85 = 5.88e-4 g mL-1.
    """
    p = sp.reserve
    fat = p.energy_per_oxygen / _ML_PER_L / p.energy_per_fat
    return np.asarray(fat / p.fat_share_of_loss)


def empty_mass(mass_at_onset_g: npt.ArrayLike, sp: Species) -> FloatArray:
    """Body mass at which the reserve is gone: max(10.5 g, 0.59 × mass at onset). Derived
    from Csorba 2003 and Juškaitis 2001."""
    mass = np.asarray(mass_at_onset_g, dtype=float)
    return np.asarray(np.maximum(sp.reserve.empty_mass_floor, sp.reserve.empty_mass_share * mass))


def spendable(mass_g: npt.ArrayLike, end_mass_g: npt.ArrayLike, sp: Species) -> FloatArray:
    """Accumulated cost, in grams per gram at the scale mass, that takes one mass to another.

    From dM/dC = −s·(M/s)^β with s the scale mass: (M^(1−β) − m^(1−β)) / ((1 − β)·s^(1−β)).
    One accumulated cost serves every start mass; negative where the end lies above.
    """
    s, rest = sp.reserve.scale_mass, 1.0 - np.asarray(sp.reserve.mass_exponent)
    start, end = np.asarray(mass_g, dtype=float), np.asarray(end_mass_g, dtype=float)
    return np.asarray((start**rest - end**rest) / (rest * s**rest))


def mass_needed(cost: npt.ArrayLike, sp: Species) -> FloatArray:
    """Mass at onset whose reserve is just gone after an accumulated cost, g.

    Solves `spendable`(M, `empty_mass`(M)) = cost in closed form: either the share of the
    mass at onset or the floor rules the empty mass.
    """
    s, rest = sp.reserve.scale_mass, 1.0 - np.asarray(sp.reserve.mass_exponent)
    share, floor = np.asarray(sp.reserve.empty_mass_share), sp.reserve.empty_mass_floor
    need = rest * s**rest * np.asarray(cost, dtype=float)
    by_share = (need / (1.0 - share**rest)) ** (1.0 / rest)
    by_floor = (floor**rest + need) ** (1.0 / rest)
    return np.asarray(np.where(share * by_share >= floor, by_share, by_floor))


def mass_after(mass_g: npt.ArrayLike, cost: npt.ArrayLike, sp: Species) -> FloatArray:
    """Mass that is left after an accumulated cost (the inverse of `spendable`), g."""
    s, rest = sp.reserve.scale_mass, 1.0 - np.asarray(sp.reserve.mass_exponent)
    left = np.asarray(mass_g, dtype=float) ** rest - rest * s**rest * np.asarray(cost)
    return np.asarray(np.maximum(left, 0.0) ** (1.0 / rest))
