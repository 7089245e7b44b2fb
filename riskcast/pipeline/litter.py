"""The litter of the site as its own logger tells it, where that makes the nest better."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

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

    A logger never stops a run: one that cannot be read, is too short, or would not make the
    nest better leaves all as it is, and the season says so in a note.

    Returns
    -------
    The same three where the site has no logger; else with the fitted litter, where it is used,
    and with one note more: ``logger_unreadable``, ``logger_too_short``, or ``logger_used`` and
    ``logger_no_gain`` (before_degc, after_degc: error on hours that were not fitted).
    """
    if site.weather.logger is None:
        return site, sp, season
    try:
        logged = weather.read_logger(
            site.weather.logger, site.weather.logger_table, as_of=now.issued_at
        )
    except RiskcastError:  # `riskcast check` tells its faults
        return site, sp, _with(season, Note("logger_unreadable"))
    until_now = season.futures.isel(member=[0]).sel(time=slice(None, now.issued_at))
    try:
        fit = habitat.calibrate_litter(logged, until_now, site.habitat, sp)
    except ValueError:
        return site, sp, _with(season, Note("logger_too_short"))
    errors = {
        "before_degc": round(fit.rmse_before_degc, 2),
        "after_degc": round(fit.rmse_after_degc, 2),
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


def _with(season: Season, note: Note) -> Season:
    return replace(season, notes=(*season.notes, note))
