"""The event scheme against the same winter stepped hour by hour in NumPy, in one run.

Figure: million animal-hours a second, and the ratio to the hourly loop. Reported, not asserted.
"""

from __future__ import annotations

import time

import numpy as np
import pandas as pd
import xarray as xr

from riskcast import species
from riskcast.physiology import (
    arousal_cost,
    arousal_hazard,
    arousal_length,
    empty_mass,
    grams_per_ml_oxygen,
    spendable,
    torpid_rate,
    winter,
)
from riskcast.physiology.events import trailing_mean

SP = species.load("hazel_dormouse")
MEMBERS, DRAWS, DAYS, ANIMALS = 8, 256, 200, 40


def nests() -> xr.DataArray:
    rng = np.random.default_rng(0)
    hours = DAYS * 24
    walk = np.cumsum(rng.normal(0, 0.1, (MEMBERS, hours)), axis=1)
    values = np.clip(5 + walk - walk.mean(axis=1, keepdims=True), -4, 12)
    times = pd.date_range("2020-11-10", periods=hours, freq="h").to_numpy()
    return xr.DataArray(
        values,
        dims=("member", "time"),
        coords={"member": np.arange(MEMBERS), "time": times},
        attrs={"units": "degC"},
    )


def hour_by_hour(nest: np.ndarray, masses: np.ndarray) -> np.ndarray:
    """One member, every animal and draw, an hour at a time; the hour's chance by 1 − exp(−λ)."""
    rng = np.random.default_rng(1)
    drawn = SP.draw(DRAWS, 0)
    t24 = trailing_mean(nest, 24)
    grams = grams_per_ml_oxygen(drawn)
    limit = spendable(masses[:, None], empty_mass(masses[:, None], drawn), drawn)
    spent, awake = np.zeros_like(limit), np.zeros_like(limit)
    empty = np.full_like(limit, float(nest.size))
    alive = np.ones_like(limit, dtype=bool)
    for hour in range(nest.size):
        hazard = drawn.torpor.arousal_multiplier * arousal_hazard(t24[hour], drawn)
        asleep = alive & (awake <= 0)
        wakes = asleep & (rng.random(limit.shape) < 1 - np.exp(-hazard))
        spent += np.where(asleep, grams * torpid_rate(nest[hour], drawn), 0.0)
        spent += np.where(wakes, grams * arousal_cost(nest[hour], drawn), 0.0)
        awake = np.where(wakes, arousal_length(nest[hour], drawn), awake - 1)
        gone = alive & (spent >= limit)
        empty[gone] = hour
        alive &= ~gone
    return empty


def test_event_scheme_against_hourly_numpy(benchmark):
    nest, masses = nests(), np.linspace(12, 30, ANIMALS)
    benchmark.pedantic(lambda: winter(nest, masses, SP, draws=DRAWS), rounds=3, warmup_rounds=1)
    animal_hours = ANIMALS * DRAWS * DAYS * 24
    ours = animal_hours * MEMBERS / benchmark.stats.stats.median / 1e6
    start = time.perf_counter()
    hour_by_hour(nest.to_numpy()[0], masses)
    loop = animal_hours / (time.perf_counter() - start) / 1e6
    benchmark.extra_info |= {"million_animal_hours_per_s": round(ours), "ratio": ours / loop}
    print(
        f"\nevents {ours:.0f}, hourly NumPy {loop:.0f} million animal-hours/s: {ours / loop:.1f} x"
    )
