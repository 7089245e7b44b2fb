"""Every number of the species file that one winter of respirometry can speak to, estimated anew.

The definitions are the shortest that follow from `respirometry`; logarithms where the file holds
a factor, so that errors are symmetric.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pandas as pd
from arousal_models import raw_design, season_columns
from respirometry import (
    Estimate,
    clustered_mean,
    gains,
    hazard_rows,
    in_midwinter,
    loss_rates,
    mass_exponent,
    phases,
    poisson_fit,
    torpid_rates,
)

from riskcast.physiology.torpor import log_arousal_hazard
from riskcast.species import Species

__all__ = ["LOGARITHMIC", "estimates", "steady_torpor", "still_phases"]

FloatArray = npt.NDArray[np.float64]
# Estimated as logarithms: held against the logarithm of the file's value and range.
LOGARITHMIC = frozenset(
    {
        "arousal.cost_at_reference",
        "arousal.length_at_reference",
        "torpor.season_autumn",
        "torpor.season_spring",
    }
)


def steady_torpor(hours: pd.DataFrame) -> pd.DataFrame:
    """Torpid hours of midwinter with oxygen and nest temperature."""
    known = hours.rate.notna() & hours.nest.notna()
    return hours[(hours.state == 0) & in_midwinter(hours.time) & known]


def still_phases(hours: pd.DataFrame) -> pd.DataFrame:
    """Wakings of animals that stayed in their box, at 2 °C and above, any season.

    Colder ones are few and dearer (`test_respirometry` states by how much): a straight line in
    the logarithm cannot hold both.
    """
    table = phases(hours)
    return table[~table.left & (table.temperature >= 2.0)]


def estimates(hours: pd.DataFrame, masses: pd.DataFrame, sp: Species) -> dict[str, Estimate]:
    """Estimates by the key of the species file; a suffix after a space tells two apart."""
    return {
        **_torpor(hours),
        **_hazard(hours, sp),
        **_wakings(hours),
        **_budget(hours, masses),
    }


def _torpor(hours: pd.DataFrame) -> dict[str, Estimate]:
    steady = steady_torpor(hours)
    fit = torpid_rates(steady.nest.to_numpy(), steady.rate.to_numpy(), steady.animal)
    mild = steady[steady.nest.between(0, 6, inclusive="left")]
    by_session = mild.groupby("session").agg(
        oxygen=("oxygen_ml_h", "mean"), mass_g=("mass_g", "mean"), animal=("animal", "first")
    )
    asleep = hours[(hours.state == 0) & hours.nest.notna() & hours.air.notna()]
    return {
        "torpor.rate_at_zero": fit.estimate(0, len(steady)),
        "torpor.q10": fit.estimate(1, len(steady)),
        "torpor.cold_slope": fit.estimate(2, len(steady)),
        "reserve.mass_exponent torpid": mass_exponent(
            by_session.oxygen.to_numpy(), by_session.mass_g.to_numpy(), by_session.animal
        ),
        "nest.box_excess": clustered_mean(asleep.nest - asleep.air, asleep.animal),
    }


def _hazard(hours: pd.DataFrame, sp: Species) -> dict[str, Estimate]:
    rows = hazard_rows(hours)
    mid = rows[in_midwinter(rows.time)]
    t, wakes = mid.t24.to_numpy(), mid.wakes.to_numpy()
    raw = poisson_fit(raw_design(t), wakes, mid.animal)
    # The level that goes with the slopes of the file.
    shape = log_arousal_hazard(t, sp) - sp.torpor.log_hazard_at_reference
    level = poisson_fit(np.ones((t.size, 1)), wakes, mid.animal, shape)

    rise = (hours.t24 - hours.groupby("session").t24.shift(24)).reindex(mid.index)
    known = rise.notna().to_numpy()
    with_rise = np.column_stack([raw_design(t), np.maximum(rise.to_numpy(), 0.0)])[known]
    rising = poisson_fit(with_rise, wakes[known], mid.animal[known])

    early = np.column_stack([raw_design(t), mid.hours_in_session < 6.0])
    handled = poisson_fit(early, wakes, mid.animal)

    seasons = np.column_stack([raw_design(rows.t24.to_numpy()), season_columns(rows.time)])
    season = poisson_fit(seasons, rows.wakes.to_numpy(), rows.animal)
    events = int(wakes.sum())
    return {
        "torpor.log_hazard_at_reference": raw.estimate(0, events),
        "torpor.log_hazard_at_reference own slopes": level.estimate(0, events),
        "torpor.hazard_slope_warm": raw.estimate(1, events),
        "torpor.hazard_slope_cold": raw.estimate(2, events),
        "torpor.hazard_rise_slope": rising.estimate(3, int(wakes[known].sum())),
        "torpor.season_autumn": season.estimate(3, int(rows.wakes.sum())),
        "torpor.season_spring": season.estimate(4, int(rows.wakes.sum())),
        "handling": handled.estimate(3, events),
    }


def _wakings(hours: pd.DataFrame) -> dict[str, Estimate]:
    still = still_phases(hours)
    measured = still[still.unmeasured == 0]
    cost = _line(measured.cost, measured.temperature, measured.animal)
    # The file holds the temperature to 0-10 °C for the length.
    length = _line(still.length_h, still.temperature.clip(0.0, 10.0), still.animal)
    table = phases(hours)
    away = table[table.left]
    whole = table[~table.left & (table.unmeasured == 0)]
    return {
        "arousal.cost_at_reference": cost[0],
        "arousal.cost_slope": cost[1],
        "arousal.length_at_reference": length[0],
        "arousal.length_slope": length[1],
        "arousal.search_cost": clustered_mean(away.cost, away.animal),
        "arousal.search_length": clustered_mean(away.length_h, away.animal),
        "reserve.mass_exponent waking": mass_exponent(
            whole.oxygen_ml.to_numpy(), whole.mass_g.to_numpy(), whole.animal
        ),
    }


def _budget(hours: pd.DataFrame, masses: pd.DataFrame) -> dict[str, Estimate]:
    states = hours.groupby("session").state
    # Between two warm hours: neither rewarming, the dearest, nor cooling.
    resting = (hours.state == 1) & (states.shift(1) == 1) & (states.shift(-1) == 1)
    about = hours.note.str.contains("raus|rein|verl|aktiv|wach")
    warm = hours[resting & ~about & hours.air.between(2.0, 14.0) & hours.rate.notna()]
    up = hours[hours.time.dt.month.isin([4, 10]) & hours.rate.notna()]
    light = gains(masses)
    light = light[light.start_g < 18.0]
    loss = loss_rates(masses)
    return {
        "arousal.euthermic_rate": clustered_mean(warm.rate, warm.animal),
        "arousal.awake_rate_per_day": clustered_mean(24.0 * up.rate, up.animal),
        "autumn.captive_gain": clustered_mean(light.gain, light.animal),
        "reserve.fed_change_per_day": clustered_mean(loss, loss.index),
    }


def _line(y: pd.Series, t: pd.Series, animal: pd.Series) -> tuple[Estimate, Estimate]:
    """Logarithm of the mean at 5 °C and its slope."""
    x = np.column_stack([np.ones(len(t)), t.to_numpy() - 5.0])
    fit = poisson_fit(x, y.to_numpy(), animal)
    return fit.estimate(0, len(t)), fit.estimate(1, len(t))
