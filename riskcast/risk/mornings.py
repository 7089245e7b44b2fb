"""Who would be torpid in a box on the morning of a visit?"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt
import pandas as pd
import xarray as xr

from riskcast.base.daylight import day_of_year
from riskcast.base.nights import as_ns
from riskcast.habitat.spells import daily
from riskcast.physiology import torpid_share
from riskcast.risk.assessment import AnimalOutlook, Calendar
from riskcast.risk.evidence import Evidence
from riskcast.species import Species

__all__ = ["box_mornings", "torpid_in_box"]

FloatArray = npt.NDArray[np.float64]
_DAY = np.timedelta64(1, "D")
_NOON = np.timedelta64(12, "h")
_NOON_HOUR = 12
_DIGITS = 3


def box_mornings(futures: xr.Dataset, days: Calendar, timezone: str, sp: Species) -> FloatArray:
    """Temperature of a box above ground, mean from the first visiting hour to noon.

    Air + `nest.box_excess`: by noon most torpor is over (Juškaitis 2005), so later hours say
    nothing of it.

    Returns
    -------
    ndarray (member, day), °C; NaN on a day without such hours
    """
    wanted = np.array([as_ns(day) for day in days.days], dtype="datetime64[ns]")
    if not wanted.size:
        return np.zeros((futures.sizes["member"], 0))
    near = (futures.time.values >= wanted[0] - _DAY) & (futures.time.values < wanted[-1] + 2 * _DAY)
    futures = futures.isel(time=near)
    local = pd.DatetimeIndex(futures.time.values, tz="UTC").tz_convert(timezone)
    morning = (local.hour >= sp.risk.visit_first_hour) & (local.hour < _NOON_HOUR)
    air = daily(futures["air_temperature"].isel(time=morning), timezone, "mean")
    mornings = air.reindex(day=wanted).transpose("member", "day").values
    return np.asarray(mornings + sp.nest.box_excess)


def torpid_in_box(
    animals: Sequence[AnimalOutlook], evidence: Evidence, days: Calendar, sp: Species
) -> tuple[float | None, ...]:
    """Share of the animals still about that are likely to be torpid on each morning.

    Mean over members of the weather and over animals, each as heavy as on a straight line from
    its weighing to its onset, and counted by the share of futures in which it is about: not
    yet in hibernation, or out of it again. What it weighs after winter is not known: then the
    reference mass of `torpid_share` stands for it. Young of a litter are kept warm and not
    counted. Without a weighed animal the reference animal stands for all.

    Returns
    -------
    By day of `days`, 0-1; None where fewer than `visits.about_share` are about: gone to
    ground. Empty where a morning has no weather.
    """
    boxes = box_mornings(evidence.futures, days, evidence.timezone, sp)
    if not boxes.size or np.isnan(boxes).any():
        return ()
    noons = np.array([as_ns(day) + _NOON for day in days.days])
    emerged = np.array([float((evidence.emergence.values <= noon).mean()) for noon in noons])
    alone = [animal for animal in animals if animal.still_out and not animal.litter]
    known = [(np.array(animal.still_out), _mass(animal, noons), animal.sex) for animal in alone]
    if not known:
        reference = np.full(noons.size, float(sp.risk.reference_mass))
        known = [((evidence.reference_onset > noons).astype(float), reference, "unknown")]
    torpid, about = np.zeros(noons.size), np.zeros(noons.size)
    for out, mass_g, sex in known:
        again = np.maximum(emerged - out, 0.0)
        for weight, mass in ((out, mass_g), (again, sp.daytime.reference_mass)):
            share = torpid_share(boxes, mass, day_of_year(noons), sp, sex=sex)
            torpid += weight * share.mean(axis=0)
            about += weight
    enough = about >= sp.visits.about_share * len(known)
    return tuple(
        round(float(t / n), _DIGITS) if yes else None
        for t, n, yes in zip(torpid, about, enough, strict=True)
    )


def _mass(animal: AnimalOutlook, noons: npt.NDArray[np.datetime64]) -> FloatArray:
    """On a straight line from the weighing to the onset, held beyond both ends, g."""
    onset, mass = animal.onset.value, animal.mass_at_onset.value
    if animal.event_date is None or onset is None or mass is None:
        return np.full(noons.size, animal.body_mass_g)
    weighed = as_ns(animal.event_date) + _NOON
    span = max(float((as_ns(onset) + _NOON - weighed) / _DAY), 1.0)
    gone = np.clip((noons - weighed) / _DAY / span, 0.0, 1.0)
    return np.asarray(animal.body_mass_g + (mass - animal.body_mass_g) * gone)
