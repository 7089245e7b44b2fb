"""Can it be this warm or this cold here, in this month? Wide bounds that odd dates run into.

They catch files whose days and months are swapped, hemispheres and stations mixed up, and
values that stand for nothing; a record winter passes. There is no filter on jumps.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from riskcast.base.errors import Fault
from riskcast.weather.dataset import Values
from riskcast.weather.table import Table

__all__ = ["check_season", "highest_degc", "lowest_degc"]

# °C at 48° N, January to December: 2 to 5 K above what stations at sea level have recorded
# there. Records seen: 19.6 in January (Czechia, 1 January 2023, 50° N), 21.2 in February
# (England, 2019, 51° N; from memory 22.0 on the Upper Rhine in 2021). The others: common
# practice, no source.
_HIGHEST = np.array([22.0, 25.0, 30.0, 35.0, 40.0, 45.0, 46.0, 46.0, 41.0, 35.0, 28.0, 22.0])

# K warmer a degree of latitude to the south: records of January seen are 24.9 to 25.1 at
# 43° N (2023). No less to the north, where there is foehn too.
_SOUTHWARDS = 1.5
_FROM_LATITUDE = 48.0

# °C, January to December, at any height below 2,000 m: summer frosts of hollows and fells
# pass, a winter night in July does not (common practice, no source).
_LOWEST = np.array(
    [-60.0, -60.0, -55.0, -40.0, -25.0, -15.0, -12.0, -15.0, -25.0, -40.0, -50.0, -60]
)

# A forecast may go beyond every record, and a warm winter is when it has to be read. Swapped
# dates overshoot by far more (common practice, no source).
_FORECAST_SLACK_K = 4.0

# Nearer the equator there are no seasons to go by.
_LEAST_LATITUDE = 35.0

_MONTHS = (
    "January", "February", "March", "April", "May", "June", "July", "August", "September",
    "October", "November", "December",
)  # fmt: skip

Whole = npt.NDArray[np.int64]


def _of_the_north(month: npt.ArrayLike, latitude: float) -> Whole:
    """Position in the tables, 0..11; south of the equator half a year on."""
    return (np.asarray(month, dtype=np.int64) - 1 + (6 if latitude < 0 else 0)) % 12


def highest_degc(month: npt.ArrayLike, latitude: float) -> Values:
    """What no air temperature at 2 m has exceeded in a month (1 to 12), °C, same shape.

    Valid from 35° to the poles; below that the bounds are the ones that always hold.
    """
    if abs(latitude) < _LEAST_LATITUDE:
        return np.full(np.shape(month), np.inf)
    south = max(_FROM_LATITUDE - abs(latitude), 0.0)
    return np.asarray(_HIGHEST[_of_the_north(month, latitude)] + _SOUTHWARDS * south)


def lowest_degc(month: npt.ArrayLike, latitude: float) -> Values:
    """What no air temperature at 2 m has fallen below in a month (1 to 12), °C, same shape."""
    if abs(latitude) < _LEAST_LATITUDE:
        return np.full(np.shape(month), -np.inf)
    return np.asarray(_LOWEST[_of_the_north(month, latitude)])


def check_season(table: Table, latitude: float) -> list[Fault]:
    """At most one fault: air that is too warm or too cold for its month at this latitude.

    Of several members the middle one is judged: a single one may go astray.

    Parameters
    ----------
    table : every time can be read
    latitude : degrees north, of the cell or the site
    """
    air = table.values.get("air_temperature")
    if air is None or not len(table.time):
        return []
    month = table.time.astype("datetime64[M]").astype(np.int64) % 12 + 1
    several = len(table.member) > 1
    slack = _FORECAST_SLACK_K if several or table.forecast else 0.0
    high, low = highest_degc(month, latitude) + slack, lowest_degc(month, latitude) - slack
    # The middle one of those that have a value, the warmer of two.
    ranked = np.sort(air, axis=0)
    middle = np.take_along_axis(ranked, np.isfinite(air).sum(axis=0)[None] // 2, axis=0)[0]
    warm, cold = middle > high, middle < low
    rows = np.flatnonzero(warm | cold)
    if not len(rows):
        return []
    first = rows[0]
    days = len(np.unique(table.time[rows].astype("datetime64[D]")))
    value = middle[first]
    bound = high[first] if warm[first] else low[first]
    count = "1 day is" if days == 1 else f"{days} days are"
    word = "warmer" if warm[first] else "colder"
    problem = (
        f"{count} {word} or colder" if warm.any() and cold.any() else f"{count} {word}"
    ) + f" than weather is there; in {_MONTHS[month[first] - 1]} {bound:.0f} degC is the bound."
    remedy = (
        "Look at the dates (day and month swapped?), the units and the place. If it stands"
        " for a missing value, leave it empty."
    )
    where = f"{table.place_of(first)}, air_temperature"
    return [Fault(table.source, where, problem, f"{value:g} degC", remedy)]
