"""How far a run may reach for weather, and the weather it then gets."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

from riskcast import weather
from riskcast.archive import ForecastShelf
from riskcast.weather.access import Access, silent

if TYPE_CHECKING:
    from riskcast.pipeline.moment import Moment
    from riskcast.site import Site
    from riskcast.weather import Season

__all__ = ["SHELF", "read_season", "weather_access"]

Progress = Callable[[str], None]

# Inside the site's archive: forecasts as they were issued.
SHELF = "forecasts"


def weather_access(
    site: Site, now: Moment, *, offline: bool = False, progress: Progress | None = None
) -> Access:
    """Folders, network and clock of one run of a site.

    Forecasts are kept beside what was said of them; what was fetched lies in the cache that
    all sites of the account share.
    """
    return Access(
        cache=site.weather.cache_folder,
        shelf=ForecastShelf(site.archive_folder / SHELF),
        offline=offline,
        live=now.live,
        progress=progress or silent,
    )


def read_season(
    site: Site,
    now: Moment,
    *,
    offline: bool = False,
    seed: int = 0,
    progress: Progress | None = None,
) -> Season:
    """The season of futures of one site.

    Raises
    ------
    InputMissingError, WeatherError
        No source had usable weather.
    """
    return weather.season(
        site.weather,
        site.place,
        issued_at=now.issued_at,
        seed=seed,
        access=weather_access(site, now, offline=offline, progress=progress),
    )
