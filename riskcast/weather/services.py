"""Weather services by name, and how to get a file from one by hand."""

from __future__ import annotations

import datetime as dt
from typing import TYPE_CHECKING

import numpy as np

from riskcast.base.errors import WeatherError

if TYPE_CHECKING:
    from riskcast.site import Place

__all__ = ["SERVICES", "archive_address", "ensemble_address", "files_instead"]

SERVICES = ("open-meteo", "met-norway")

_HOURLY = "temperature_2m,relative_humidity_2m,precipitation,snow_depth,wind_speed_10m"
# GMT, because a local zone is one fixed offset in their answers; metres per second and CSV,
# because that is what is read here (other units are read too).
_SHAPE = "timezone=GMT&wind_speed_unit=ms&format=csv"
_ENSEMBLE = "https://ensemble-api.open-meteo.com/v1/ensemble"
_ARCHIVE = "https://archive-api.open-meteo.com/v1/archive"
# 51 members for 15 days; three past days bridge to an archive that ends some days ago.
_MODEL = "models=ecmwf_ifs025&forecast_days=15&past_days=3"


def _where(place: Place) -> str:
    # 0.01° is about a kilometre: as exact as a grid needs, and no nearer to the boxes.
    return (
        f"latitude={place.latitude:.2f}&longitude={place.longitude:.2f}"
        f"&elevation={place.elevation_m:.0f}&hourly={_HOURLY}&{_SHAPE}"
    )


def ensemble_address(place: Place) -> str:
    """Address of an ensemble forecast of the place as CSV."""
    return f"{_ENSEMBLE}?{_where(place)}&{_MODEL}"


def archive_address(place: Place, today: dt.date, years: int) -> str:
    """Address of the past weather of the place as CSV, from so many winters back to now."""
    first = today.year - years - 1
    return f"{_ARCHIVE}?{_where(place)}&start_date={first}-07-01&end_date={today}"


def files_instead(
    key: str, service: str, place: Place, issued_at: np.datetime64, years: int
) -> WeatherError:
    """The error for a service named where this version reads files, with the way out."""
    today = dt.date.fromisoformat(str(issued_at.astype("datetime64[D]")))
    if key == "forecast":
        address, name = ensemble_address(place), f"forecast_{today}.csv"
        hint = "The date in the name is the day the forecast was made."
    else:
        address, name = archive_address(place, today, years), "history.csv"
        hint = "Write the day you download it as the last one."
    return WeatherError(
        f'[weather] {key} = "{service}": this version reads weather from files.'
        f"\nDownload {address}"
        f'\nsave it as {name} beside the site file, and set {key} = "{name}". {hint}'
    )
