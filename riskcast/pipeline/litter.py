"""The litter of the site as its own logger tells it, where that makes the nest better."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import xarray as xr

from riskcast import habitat, species, weather
from riskcast.base.errors import RiskcastError
from riskcast.weather import Note

if TYPE_CHECKING:
    from riskcast.pipeline.moment import Moment
    from riskcast.site import Site
    from riskcast.species import Species
    from riskcast.weather import Season

__all__ = ["as_logged"]


def as_logged(site: Site, now: Moment, sp: Species, season: Season) -> tuple[Site, Species, Season]:
    """The site, the species and the season, with the litter fitted to the site's logger.

    Fitted in the winter with the most readings, this one so far or a past one: a logger that
    lay there last year speaks in autumn already. It never stops a run: one that cannot be read,
    is too short, or would not make the nest better leaves all as it is, and the season says so
    in a note.

    Returns
    -------
    The same three where the site has no logger; else with the fitted litter, where it is used,
    and with one note more: ``logger_unreadable``, ``logger_too_short``, or ``logger_used`` and
    ``logger_no_gain`` (before_degc, after_degc: error on hours that were not fitted; winter:
    as "2024/25").
    """
    if site.weather.logger is None:
        return site, sp, season
    try:
        logged = weather.read_logger(
            site.weather.logger, site.weather.logger_table, as_of=now.issued_at
        )
    except RiskcastError:  # `riskcast check` tells its faults
        return site, sp, _with(season, Note("logger_unreadable"))
    lay_in = max(_winters(season, now), key=lambda course: _readings(logged, course))
    try:
        fit = habitat.calibrate_litter(logged, lay_in, site.habitat, sp)
    except ValueError:
        return site, sp, _with(season, Note("logger_too_short"))
    began = int(habitat.winter_years(lay_in["time"].values[-1:])[0])
    errors: dict[str, float | int | str] = {
        "before_degc": round(fit.rmse_before_degc, 2),
        "after_degc": round(fit.rmse_after_degc, 2),
        "winter": f"{began}/{(began + 1) % 100:02d}",
    }
    if not fit.used:
        return site, sp, _with(season, Note("logger_no_gain", errors))
    moisture = {"value": fit.moisture, "reason": "fitted to the logger in the litter"}
    fitted = species.load(
        site.species.name, site.override_values | {"nest.litter_water_content": moisture}
    )
    litter = site.habitat.model_copy(update={"litter_depth_cm": fit.litter_depth_cm})
    return (
        site.model_copy(update={"habitat": litter}),
        fitted,
        _with(season, Note("logger_used", errors)),
    )


def _winters(season: Season, now: Moment) -> list[xr.Dataset]:
    """Weather that the logger may have lain in: this season's so far, then past winters'.

    Past winters to February, up to where the calendar of leap years parts; none where they were
    moved along a trend: that is not what a logger felt.
    """
    winters = [season.futures.isel(member=[0]).sel(time=slice(None, now.issued_at))]
    if any(note.code == "trend_adjusted" for note in season.notes):
        return winters
    this = int(str(season.futures["time"].values[-1])[:4]) - 1
    past = season.past_years.sel(time=slice(f"{this}-08-01", f"{this + 1}-02-28"))
    for year in past["member"].values:
        back = np.datetime64(f"{this}-08-01") - np.datetime64(f"{year}-08-01")
        as_dated = past["time"].values - back
        winters.append(past.sel(member=[year]).assign_coords(time=as_dated))
    return winters


def _readings(logged: xr.DataArray, course: xr.Dataset) -> int:
    """Number of readings in the hours of the weather, after the column's spin-up."""
    time = course["time"].values
    if not time.size:
        return 0
    settled = time[0] + np.timedelta64(round(habitat.SPIN_UP_DAYS), "D")
    within = (logged["time"].values >= settled) & (logged["time"].values <= time[-1])
    return int(np.isfinite(logged.values[within]).sum())


def _with(season: Season, note: Note) -> Season:
    return replace(season, notes=(*season.notes, note))
