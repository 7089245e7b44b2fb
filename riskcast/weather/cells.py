"""Which grid cell stands for the site, and how far away it is."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt
import xarray as xr

from riskcast.base.errors import Fault

if TYPE_CHECKING:
    from riskcast.site import Place

__all__ = ["REACH_DEG", "distance_deg", "kilometres", "nearest_first", "outside"]

Values = npt.NDArray[np.float64]

# A cell farther away than this is another place's weather: half the diagonal of a 0.5° grid,
# the coarsest one worth reading for a wood (common practice, no source).
REACH_DEG = 0.35

_EARTH_RADIUS_KM = 6371.0088  # mean radius, IUGG


def distance_deg(latitude: npt.ArrayLike, longitude: npt.ArrayLike, place: Place) -> Values:
    """Great-circle distance from the site, degrees of arc; longitudes in -180..180 or 0..360."""
    lat, lon = np.radians(latitude), np.radians(longitude)
    lat0, lon0 = np.radians(place.latitude), np.radians(place.longitude)
    # Haversine keeps its precision at the short distances that matter here.
    half = np.sin((lat - lat0) / 2) ** 2
    half = half + np.cos(lat) * np.cos(lat0) * np.sin((lon - lon0) / 2) ** 2
    return np.asarray(np.degrees(2 * np.arcsin(np.sqrt(np.clip(half, 0.0, 1.0)))))


def kilometres(degrees: float) -> float:
    """Degrees of arc on the ground, km."""
    return float(np.radians(degrees) * _EARTH_RADIUS_KM)


def nearest_first(
    latitude: xr.DataArray, longitude: xr.DataArray, place: Place
) -> Iterator[tuple[dict[str, int], float]]:
    """Cells within reach of the site, nearest first: index by dimension, distance in degrees.

    Works for grids (two 1-D axes, in any order and direction), curved grids (2-D latitude
    and longitude), lists of stations (both along one dimension) and single points.
    """
    lat, lon = xr.broadcast(latitude, longitude)
    distance = distance_deg(lat.values, lon.values, place)
    within = np.flatnonzero(distance.ravel() <= REACH_DEG)
    for flat in within[np.argsort(distance.ravel()[within], kind="stable")]:
        where = np.unravel_index(flat, distance.shape)
        index = {str(dim): int(i) for dim, i in zip(lat.dims, where, strict=True)}
        yield index, float(distance[where])


def outside(source: str, latitude: xr.DataArray, longitude: xr.DataArray, place: Place) -> Fault:
    """The fault of a file that does not cover the site, naming what it does cover."""
    lat, lon = xr.broadcast(latitude, longitude)
    nearest = kilometres(float(np.nanmin(distance_deg(lat.values, lon.values, place))))
    west_to_east = (longitude.values + 180.0) % 360.0 - 180.0
    south, north = float(latitude.min()), float(latitude.max())
    west, east = float(west_to_east.min()), float(west_to_east.max())
    covers = (
        f"latitude {south:.2f} to {north:.2f}, longitude {west:.2f} to {east:.2f}"
        if lat.size > 1
        else f"one point at latitude {south:.2f}, longitude {west:.2f}"
    )
    return Fault(
        source,
        "place",
        f"the site lies outside the file, {nearest:.0f} km from its nearest cell;"
        f" the file covers {covers}.",
        remedy="Download the weather of the site itself, or correct [site] latitude and longitude"
        " (west of Greenwich is negative).",
    )
