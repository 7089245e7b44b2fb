"""By day in the box: which animals are torpid when somebody looks in?

Not the torpor of hibernation. Outside winter these animals let their bodies cool for a part of the
day, more of them on cold mornings. In spring and summer that means hungry or cold, in autumn it
means fat and ready: one is never read as the other.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy.special import expit

from riskcast.base import daylight
from riskcast.species import Species

__all__ = ["season_turn", "torpid_share"]

FloatArray = npt.NDArray[np.float64]
_YEAR_DAYS = 365.25
_COMMON_YEAR = "2001"  # not a leap year: its days of year serve every year


def season_turn(day_of_year: npt.ArrayLike, sp: Species) -> FloatArray:
    """Where the year stands between spring and summer (-1) and autumn (+1).

    Smooth in the date and the same at both ends of the year: it crosses nought on
    ``daytime.autumn_from`` and ``daytime.autumn_until``, steep there over
    ``daytime.turn_width`` days.

    Parameters
    ----------
    day_of_year : array_like, 1 to 366, any shape
    sp : Species

    Returns
    -------
    ndarray of the broadcast shape
    """
    p = sp.daytime
    start, end = daylight.day_of_year(
        [f"{_COMMON_YEAR}-{month:02d}-{day:02d}" for month, day in (p.autumn_from, p.autumn_until)]
    )
    half = ((end - start) % _YEAR_DAYS) / 2.0
    per_day = 2.0 * np.pi / _YEAR_DAYS
    from_middle = per_day * (np.asarray(day_of_year, dtype=float) - (start + half))
    steepness = np.sin(per_day * half) * per_day * p.turn_width
    return np.asarray(np.tanh((np.cos(from_middle) - np.cos(per_day * half)) / (2.0 * steepness)))


def torpid_share(
    box_temperature: npt.ArrayLike,
    body_mass_g: npt.ArrayLike,
    day_of_year: npt.ArrayLike,
    sp: Species,
    *,
    sex: npt.ArrayLike = "unknown",
    pregnant: npt.ArrayLike = False,
) -> FloatArray:
    """Share of animals found torpid in their box in the morning.

    Logistic in the temperature of the box. From April to August lighter animals are more often
    torpid, in September and October heavier ones (Juškaitis 2005; Armitage et al. 2025, abstracts);
    the slope with mass is nought at the turn. In autumn animals are active in much colder air. From
    April to July males are more often torpid than females (75 against 46 %), and no pregnant
    female was in deep torpor (Juškaitis 2005). Even on cold mornings some are awake.

    Parameters
    ----------
    box_temperature : °C, above ground, outside winter; measured range 2..20
    body_mass_g : g, independent animals
    day_of_year : 1 to 366. No animal is in a box in winter: between, the line is only extended
    sp : Species, floats or draws that broadcast against the rest
    sex : "male", "female" or "unknown" (the mean of both)
    pregnant : True = known to be so; deep torpor only is meant, so its share is 0

    Returns
    -------
    ndarray of the broadcast shape, 0-1. Torpor is mostly over by noon (Juškaitis 2005).
    """
    p = sp.daytime
    turn = season_turn(day_of_year, sp)
    autumn = (1.0 + turn) / 2.0
    midpoint = p.midpoint_spring + (p.midpoint_autumn - p.midpoint_spring) * autumn
    # Two half slopes, so that the sign changes on the day of the turn whatever their sizes.
    by_mass = p.mass_slope_spring * np.maximum(-turn, 0.0)
    by_mass = by_mass + p.mass_slope_autumn * np.maximum(turn, 0.0)
    sexes = np.asarray(sex)
    male_or_female = (sexes == "male").astype(float) - (sexes == "female").astype(float)
    logit = (
        p.temperature_slope * (midpoint - np.asarray(box_temperature, dtype=float))
        + by_mass * (np.asarray(body_mass_g, dtype=float) - p.reference_mass)
        + p.sex_offset * male_or_female * (1.0 - autumn)
    )
    return np.asarray(np.where(pregnant, 0.0, p.most * expit(logit)))
