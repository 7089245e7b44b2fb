"""Autumn: from the last weighing, night by night, to the onset of hibernation.

An animal gains on nights it can feed and loses a little on nights it cannot. Each night it
may go into hibernation; the hazard rises as days shorten, nests cool and animals fatten.
No published equation exists for either: all of it is provisional and marked so.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pandas as pd
import xarray as xr

from riskcast.base.quantity import require_variable
from riskcast.base.streams import stream
from riskcast.species import Species

__all__ = [
    "autumn",
    "feeding_response",
    "gain_taper",
    "nightly_hazard",
    "onset_logit",
    "own_gains",
]

FloatArray = npt.NDArray[np.float64]
_OCTOBER = 10
_DAY = np.timedelta64(1, "D")
_SUMMER = 182  # day of year, 1 July: where the winter year turns


def onset_logit(
    day_length_h: npt.ArrayLike,
    nest_temperature_10d: npt.ArrayLike,
    body_mass_g: npt.ArrayLike,
    sp: Species,
) -> FloatArray:
    """Log odds that an animal goes into hibernation tonight (provisional).

    Short days, a cooling nest and a fat body bring it on: photoperiod is the main driver,
    temperature shifts it (Bright, Morris & Wiles 1996, abstract), fat animals are first
    (Juškaitis 2005; Armitage et al. 2025, abstracts). The sizes are judgement.

    Parameters
    ----------
    day_length_h : hours; nest_temperature_10d : °C; body_mass_g : g; broadcast together
    sp : Species
    """
    p = sp.onset
    return np.asarray(
        p.intercept
        + p.day_length_slope * (p.reference_day_length - np.asarray(day_length_h))
        + p.temperature_slope * (p.reference_temperature - np.asarray(nest_temperature_10d))
        + p.mass_slope * (np.asarray(body_mass_g) - p.reference_mass)
    )


def nightly_hazard(logit: npt.ArrayLike) -> FloatArray:
    """Hazard over one night of an event with these log odds: −ln(1 − p) = ln(1 + e^logit)."""
    # Exact for all log odds a night can have, and three times faster than logaddexp.
    return np.asarray(np.log1p(np.exp(logit)))


def feeding_response(feeding_share: npt.ArrayLike, night: npt.ArrayLike, sp: Species) -> FloatArray:
    """What a night is worth before it is scaled to the site: feeding share × food left − upkeep.

    Parameters
    ----------
    feeding_share : (..., night), 0-1, from `habitat.nights`
    night : (night,), datetime64, evening dates
    sp : Species with floats, or columns that broadcast against the nights

    Returns
    -------
    ndarray; below zero where a night costs more than it brings
    """
    dates = np.asarray(night, dtype="datetime64[D]")
    day_of_year = (dates - dates.astype("datetime64[Y]")).astype(int) + 1
    p = sp.autumn
    past_end = (day_of_year - p.food_end_day) / p.food_end_width
    # Before the turn of the year only: in spring this food is not there at all.
    food_left = np.where(day_of_year < _SUMMER, 0.0, 1.0 / (1.0 + np.exp(past_end)))
    return np.asarray(np.asarray(feeding_share) * food_left - p.night_upkeep)


def gain_taper(body_mass_g: npt.ArrayLike, asymptote_g: npt.ArrayLike, sp: Species) -> FloatArray:
    """Share of the gain that is left as a body nears its asymptote, 0-1."""
    left = (np.asarray(asymptote_g) - np.asarray(body_mass_g)) / sp.autumn.taper_width
    return np.asarray(np.clip(left, 0.0, 1.0))


def autumn(
    nights: xr.Dataset,
    animals: pd.DataFrame,
    sp: Species,
    *,
    normal_nights: xr.Dataset | None = None,
    fixed_mass: bool = False,
    draws: int = 256,
    seed: int = 0,
) -> xr.Dataset:
    """Carry weighed animals from their last weighing to the onset of hibernation.

    Parameters
    ----------
    nights : Dataset (member, night) from `habitat.nights`, with ``feeding_share``,
        ``nest_temperature_10d`` (degC) and ``day_length_h``
    animals : one row an animal: ``key``, ``body_mass_g``, ``event_date``, ``life_stage``,
        ``sex``, and where known ``own_gain`` (g per full night of a normal October) with
        ``own_gain_sd``: its own weighings, combined with the species' gain by precision
    sp : Species, central values; it is drawn here
    normal_nights : past years' nights; a normal October there defines a full night. None =
        October of `nights` itself
    fixed_mass : keep the mass as it is (the reference animal)
    draws, seed : see `Species.draw`

    Returns
    -------
    Dataset over (animal, member, draw)
        ``body_mass_g`` at onset, g; ``onset`` datetime64, the midnight (UTC) that ends the
        evening of onset. Whoever is still about on ``onset.latest`` goes in then.

    Raises
    ------
    ValueError
        Missing variables, wrong units, nights that do not reach ``onset.latest``, or an
        animal weighed before the first night.
    """
    share = require_variable(nights, "feeding_share", dims=("member", "night"), units="1")
    nest = require_variable(nights, "nest_temperature_10d", dims=("member", "night"), units="degC")
    night = nights["night"].values.astype("datetime64[D]")
    latest = _latest(animals, sp)
    weighed = animals["event_date"].to_numpy().astype("datetime64[D]")
    if len(weighed) and (weighed.min() < night[0] or latest > night[-1]):
        raise ValueError(
            f"nights: expected {weighed.min()} to {latest}, found {night[0]} to {night[-1]}"
        )
    drawn = sp.draw(draws, seed)
    keys = [str(key) for key in animals["key"]]
    luck = _Luck(keys, draws, seed)
    mass = np.asarray(animals["body_mass_g"], dtype=float)[:, np.newaxis]
    if not fixed_mass:
        mass = np.maximum(mass + sp.autumn.scale_error * luck.weighing, sp.weights.nestling_min)
    members = nights.sizes["member"]
    shape = (len(keys), members, draws)
    mass = np.broadcast_to(mass[:, np.newaxis, :], shape).copy()
    onset = np.full(shape, latest + _DAY, dtype="datetime64[D]")

    response = _full_nights(share, night, normal_nights, drawn)
    gain = _gain(animals, drawn, luck)[:, np.newaxis, :]
    upkeep = np.asarray(drawn.autumn.gain)
    asymptote = _asymptotes(animals, drawn)[:, np.newaxis, :]
    target = np.broadcast_to(luck.onset[:, np.newaxis, :], shape)
    hazard = np.zeros(shape)
    out = np.ones(shape, dtype=bool)
    earliest = _on(latest, sp.onset.earliest)
    day_length = nights["day_length_h"].values
    first = int(np.searchsorted(night, weighed.min())) if len(weighed) else night.size
    last = int(np.searchsorted(night, latest))
    for n in range(first, last + 1):
        begun = (weighed <= night[n])[:, np.newaxis, np.newaxis]
        if not fixed_mass:
            step = _nightly_change(response[:, n, :], gain, upkeep, mass, asymptote, sp)
            mass += np.where(out & begun, step, 0.0)
            np.maximum(mass, sp.weights.nestling_min, out=mass)
        if night[n] < earliest:
            continue
        logit = onset_logit(day_length[n], nest.values[:, n][:, np.newaxis], mass, drawn)
        hazard += np.where(begun, nightly_hazard(logit), 0.0)
        goes = out & begun & (hazard >= target)
        onset[goes] = night[n] + _DAY
        out &= ~goes
        if not out.any():
            break
    coords = {"animal": keys, "member": nights["member"], "draw": np.arange(draws)}
    dims = ("animal", "member", "draw")
    return xr.Dataset(
        {
            "body_mass_g": (dims, mass, {"units": "g"}),
            "onset": (dims, onset.astype("datetime64[ns]")),
        },
        coords=coords,
    )


def own_gains(
    pairs: pd.DataFrame, nights: xr.Dataset, sp: Species, normal_nights: xr.Dataset | None = None
) -> pd.DataFrame:
    """Gain of animals weighed twice, per full night of a normal October, with its error.

    Parameters
    ----------
    pairs : columns ``key``, ``from_date``, ``to_date``, ``gain_g`` between two weighings
    nights, normal_nights : as in `autumn`; the nights between are observed, so any member

    Returns
    -------
    DataFrame indexed by ``key``: ``own_gain`` and ``own_gain_sd``, g a full night. Pairs
    whose nights were worth nothing, or lie before the series, say nothing and are left out.

    Notes
    -----
    A scale that errs by 0.4 g gives a gain over 3 days an error of 0.19 g a day.
    """
    share = require_variable(nights, "feeding_share", dims=("member", "night"), units="1")
    night = nights["night"].values.astype("datetime64[D]")
    response = _full_nights(share.isel(member=[0]), night, normal_nights, sp)[0, :, 0]
    rows = {}
    for pair in pairs.to_dict("records"):
        start, end = (np.datetime64(pair[day], "D") for day in ("from_date", "to_date"))
        if start < night[0]:
            continue
        worth = float(np.maximum(response[(night >= start) & (night < end)], 0.0).sum())
        if worth < 1.0:
            continue
        rows[pair["key"]] = (pair["gain_g"] / worth, np.sqrt(2.0) * sp.autumn.scale_error / worth)
    return pd.DataFrame.from_dict(rows, orient="index", columns=["own_gain", "own_gain_sd"])


class _Luck:
    """Chance and traits of each animal, (animal, draw), reused across weather and dates."""

    def __init__(self, keys: list[str], draws: int, seed: int) -> None:
        def normal(what: str) -> FloatArray:
            rows = [stream(seed, what, key).standard_normal(draws) for key in keys]
            return np.reshape(rows, (len(keys), draws))

        self.weighing = normal("weighing")
        self.vigour = normal("vigour")
        self.own_gain = normal("own gain")
        self.onset = np.reshape(
            [stream(seed, "onset", key).standard_exponential(draws) for key in keys],
            (len(keys), draws),
        )


def _nightly_change(
    response: FloatArray,
    gain: FloatArray,
    upkeep: FloatArray,
    mass: FloatArray,
    asymptote: FloatArray,
    sp: Species,
) -> FloatArray:
    """Change of mass over one night, g, (animal, member, draw).

    A night that can be fed on brings the animal's own gain, which may be a loss. A night that
    cannot costs the site's gain, whatever the animal's own: a fast grower starves no faster.
    """
    fed = gain * np.maximum(response, 0.0)
    fed = np.where(fed > 0, fed * gain_taper(mass, asymptote, sp), fed)
    return np.asarray(fed + upkeep * np.minimum(response, 0.0))


def _full_nights(
    share: xr.DataArray,
    night: npt.NDArray[np.datetime64],
    normal_nights: xr.Dataset | None,
    sp: Species,
) -> FloatArray:
    """Response (member, night, draw), scaled so that a normal October night means 1.

    Central values count as one draw.
    """
    if normal_nights is None or not normal_nights.sizes["member"]:
        reference, dates = share.values, night
    else:
        reference = normal_nights["feeding_share"].transpose("member", "night").values
        dates = normal_nights["night"].values.astype("datetime64[D]")
    columns = sp.columns()
    october = dates.astype("datetime64[M]").astype(int) % 12 + 1 == _OCTOBER
    if not october.any():
        raise ValueError("nights: no October in the series to scale the gain by")
    mean_share = reference[:, october].mean(axis=0)
    normal = np.atleast_1d(feeding_response(mean_share, dates[october], columns).mean(axis=-1))
    response = feeding_response(share.values[:, np.newaxis, :], night, columns)
    # A site where a normal October is worth nothing would scale without bound.
    full = np.maximum(normal, sp.autumn.night_upkeep)
    return np.asarray(response.transpose(0, 2, 1) / full)


def _gain(animals: pd.DataFrame, drawn: Species, luck: _Luck) -> FloatArray:
    """Gain of each animal on a full night, (animal, draw), own weighings combined by precision."""
    p = drawn.autumn
    prior = p.gain + p.gain_between_animals * luck.vigour
    if "own_gain" not in animals:
        return np.asarray(prior)
    own = animals["own_gain"].to_numpy(dtype=float)[:, np.newaxis]
    own_sd = animals["own_gain_sd"].to_numpy(dtype=float)[:, np.newaxis]
    prior_variance = float(np.var(p.gain))
    weight = np.where(np.isnan(own), 0.0, prior_variance / (prior_variance + own_sd**2))
    observed = np.where(np.isnan(own), 0.0, own + own_sd * luck.own_gain)
    return np.asarray(prior + weight * (observed - prior))


def _asymptotes(animals: pd.DataFrame, drawn: Species) -> FloatArray:
    """Mass each animal grows towards, (animal, draw)."""
    p = drawn.autumn
    rows = []
    for stage, sex in zip(animals["life_stage"], animals["sex"], strict=True):
        if stage == "adult":
            male, female = p.asymptote_adult_male, p.asymptote_adult_female
            rows.append(
                male if sex == "male" else female if sex == "female" else (male + female) / 2
            )
        else:
            rows.append(p.asymptote_juvenile)
    return np.reshape(
        [np.broadcast_to(row, drawn.draws or 1) for row in rows], (len(rows), drawn.draws or 1)
    )


def _latest(animals: pd.DataFrame, sp: Species) -> np.datetime64:
    """Last evening on which an animal can go in: of the winter year of the first weighing."""
    if animals.empty:
        raise ValueError("animals: expected at least one")
    first = pd.Timestamp(animals["event_date"].min())
    year = first.year if first.month >= 7 else first.year - 1
    month, day = sp.onset.latest
    return np.datetime64(f"{year:04d}-{month:02d}-{day:02d}", "D")


def _on(date: np.datetime64, month_day: list[int]) -> np.datetime64:
    """The month and day in the year of `date`."""
    month, day = month_day
    return np.datetime64(f"{str(date)[:4]}-{month:02d}-{day:02d}", "D")
