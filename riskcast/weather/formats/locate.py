"""Where the values of a table were measured or computed, and how far that is from the site."""

from __future__ import annotations

from typing import TYPE_CHECKING

import xarray as xr

from riskcast.weather.cells import REACH_DEG, distance_deg, kilometres, outside
from riskcast.weather.dataset import Note
from riskcast.weather.table import Table

if TYPE_CHECKING:
    from riskcast.site import Place

__all__ = ["locate"]


def locate(
    table: Table,
    place: Place,
    latitude: float | None,
    longitude: float | None,
    elevation_m: float | None,
) -> None:
    """Set down a table's place and height; a place out of reach is a fault of the table.

    Parameters
    ----------
    latitude, longitude : degrees; None where the file does not say: a note tells so
    elevation_m : height the values stand for; None where the file does not say
    """
    table.elevation_m = elevation_m
    if latitude is None or longitude is None:
        table.notes.append(Note("place_not_stated", {"file": table.source}))
        return
    table.cell = (latitude, longitude)
    away = float(distance_deg(latitude, longitude, place))
    if away > REACH_DEG:
        point = xr.DataArray(latitude), xr.DataArray(longitude)
        table.faults.append(outside(table.source, *point, place))
    table.attrs["cell_distance_km"] = round(kilometres(away), 1)
