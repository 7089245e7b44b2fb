"""Forecasts as they were issued, one file each: what skill is measured with later.

Here a forecast is a name and some bytes. The name says what can be asked for: the source,
the place rounded to 0.1° (about 10 km: a folder that is passed on betrays no wood), and the
UTC minute it was made::

    open-meteo.ensemble.ecmwf_ifs025_50.0N004.0W_20251027T0612Z.nc
"""

from __future__ import annotations

import datetime as dt
import re
from dataclasses import dataclass
from pathlib import Path

from riskcast.base.files import write_whole

__all__ = ["ForecastShelf", "KeptForecast", "rounded_place"]

_SOURCE = re.compile(r"[a-z0-9][a-z0-9._-]*")
_NAME = re.compile(
    rf"(?P<source>{_SOURCE.pattern})_(?P<place>\d\d\.\d[NS]\d\d\d\.\d[EW])"
    r"_(?P<made>\d{8}T\d{4})Z\.nc"
)
_STAMP = "%Y%m%dT%H%M"
_UNFINISHED = ".*.part"  # what `write_whole` leaves when the machine stops in the middle


def rounded_place(latitude: float, longitude: float) -> str:
    """A place to 0.1°, as file names spell it: ``50.0N004.0W``.

    Parameters
    ----------
    latitude : degrees, -90..90
    longitude : degrees, any turn
    """
    lat = round(latitude, 1)
    lon = round((longitude + 180.0) % 360.0 - 180.0, 1)
    east = lon >= 0.0 or lon == -180.0  # the date line is one meridian
    return f"{abs(lat):04.1f}{'N' if lat >= 0 else 'S'}{abs(lon):05.1f}{'E' if east else 'W'}"


@dataclass(frozen=True)
class KeptForecast:
    """One forecast on the shelf: which source made it, for which rounded place, and when."""

    path: Path
    source: str
    place: str
    made_at: dt.datetime


@dataclass(frozen=True)
class ForecastShelf:
    """A folder of forecasts as issued; made when the first one is kept."""

    folder: Path

    def keep(
        self,
        source: str,
        latitude: float,
        longitude: float,
        made_at: dt.datetime,
        content: bytes,
    ) -> bool:
        """Keep one forecast; the same one (source, place, minute) is kept once.

        Parameters
        ----------
        source
            Lower-case letters, digits, ``.``, ``_`` and ``-``.
        made_at
            Aware; a part of a minute is cut off.

        Returns
        -------
        True if it is new.

        Raises
        ------
        OSError
            The disk is full or the folder may not be written.
        ValueError
            The source cannot stand in a file's name, or `made_at` has no zone.
        """
        if not _SOURCE.fullmatch(source):
            raise ValueError(f"source: expected a-z 0-9 . _ -, found {source!r}")
        minute = _utc(made_at).strftime(_STAMP)
        path = self.folder / f"{source}_{rounded_place(latitude, longitude)}_{minute}Z.nc"
        if path.exists():
            return False
        self.folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        write_whole(path, content)
        return True

    def kept(
        self,
        *,
        source: str | None = None,
        place: str | None = None,
        until: dt.datetime | None = None,
    ) -> tuple[KeptForecast, ...]:
        """Forecasts on the shelf, the newest first; files of other names are passed over.

        Parameters
        ----------
        source, place
            Only this source, this rounded place.
        until
            Only forecasts made at this moment or before; aware.

        Raises
        ------
        OSError
            The folder is there but cannot be read.
        """
        limit = None if until is None else _utc(until)
        found = []
        for path in self.folder.iterdir() if self.folder.is_dir() else ():
            one = _understood(path)
            if one is None:
                continue
            if source is not None and one.source != source:
                continue
            if place is not None and one.place != place:
                continue
            if limit is None or one.made_at <= limit:
                found.append(one)
        return tuple(sorted(found, key=lambda one: (one.made_at, one.source), reverse=True))

    def prune(self, before: dt.datetime) -> int:
        """Take away forecasts made before a moment, and unfinished files as old; how many.

        Raises
        ------
        OSError
            A file cannot be taken away.
        """
        limit = _utc(before)
        old = [one.path for one in self.kept() if one.made_at < limit]
        if self.folder.is_dir():
            unfinished = self.folder.glob(_UNFINISHED)
            old += [p for p in unfinished if p.stat().st_mtime < limit.timestamp()]
        for path in old:
            path.unlink(missing_ok=True)  # another run may have been quicker
        return len(old)


def _understood(path: Path) -> KeptForecast | None:
    match = _NAME.fullmatch(path.name)
    if match is None:
        return None
    try:
        made = dt.datetime.strptime(match["made"], _STAMP).replace(tzinfo=dt.UTC)
    except ValueError:  # 31 February
        return None
    return KeptForecast(path, match["source"], match["place"], made)


def _utc(moment: dt.datetime) -> dt.datetime:
    if moment.tzinfo is None:
        raise ValueError(f"expected a moment with a zone, found {moment.isoformat()}")
    return moment.astimezone(dt.UTC)
