"""Whole weather files of every kind, made of the invented weather, for runs from end to end.

Each function writes into a folder and returns the name for ``[weather]`` of a site file there.
Layouts are those the readers' own tests prove against real files.
"""

from __future__ import annotations

import datetime as dt
import io
import json
import zipfile
from collections.abc import Callable
from pathlib import Path

import epw_file
import invented_weather as invented
import met_norway_answers
import numpy as np
import open_meteo_answers
import xarray as xr

__all__ = ["FORECASTS", "HISTORIES", "NOW", "PLACE", "TABLE"]

NOW = dt.datetime(2025, 11, 10, 7, 20, tzinfo=dt.UTC)
PLACE = (50.0, -4.0, 120.0)
FIRST = np.datetime64("2020-07-01T00", "h")
LAST = np.datetime64("2025-11-10T07", "h")
TODAY = "2025-11-10"
HOURLY = "temperature_2m,relative_humidity_2m,precipitation,wind_speed_10m"

# How `station` has to be read.
TABLE = """\
[weather.table]
columns = { "Lufttemp." = "air_temperature (degC)", "Regen" = "precipitation (mm)" }
time = ["Datum", "Stunde"]
time_format = "DD.MM.YYYY hh"
utc_offset_hours = 1
missing = ["-999"]
"""


def _hours(first: np.datetime64 = FIRST, last: np.datetime64 = LAST) -> np.ndarray:
    return np.arange(first, last + 1)


def _air(times: np.ndarray, member: int = 0) -> np.ndarray:
    return invented.temperature(invented.hours_of(times), *PLACE[:2], member, PLACE[2])


def _value(name: str, times: np.ndarray, member: int = 0) -> np.ndarray:
    found = invented.value(name, invented.hours_of(times), *PLACE[:2], member, PLACE[2])
    assert found is not None
    return found


def _asked(**more: str) -> dict[str, str]:
    latitude, longitude, elevation_m = map(str, PLACE)
    place = {"latitude": latitude, "longitude": longitude, "elevation": elevation_m}
    return {**place, "hourly": HOURLY, "timezone": "GMT", **more}


# --- forecasts ----------------------------------------------------------------------------------


def open_meteo_ensemble(folder: Path) -> str:
    query = _asked(models="gfs025", forecast_days="15", past_days="3")
    answer = open_meteo_answers.answer("ensemble", query, NOW)
    (folder / f"forecast_{TODAY}.json").write_text(json.dumps(answer), "utf-8")
    return "forecast_*.json"


def open_meteo_csv(folder: Path) -> str:
    times = _hours(LAST - 100, LAST + 24 * 14)
    names = ("temperature_2m", "precipitation")
    units = [f"{name} ({invented.UNITS[name]})" for name in names]
    rows = zip(times, *(_value(name, times) for name in names), strict=True)
    head = "latitude,longitude,elevation,utc_offset_seconds,timezone,timezone_abbreviation"
    place = f"{PLACE[0]},{PLACE[1]},{PLACE[2]},0,GMT,GMT"
    lines = [head, place, "", ",".join(["time", *units])]
    lines += [f"{str(time)[:13]}:00,{air},{rain}" for time, air, rain in rows]
    (folder / f"forecast_{TODAY}.csv").write_text("\n".join(lines) + "\n", "utf-8")
    return f"forecast_{TODAY}.csv"


def met_norway(folder: Path) -> str:
    (folder / "met.json").write_text(json.dumps(met_norway_answers.answer(*PLACE, NOW)), "utf-8")
    return "met.json"


def netcdf_ensemble(folder: Path) -> str:
    times = _hours(LAST - 24, LAST + 24 * 12)
    members = np.arange(8)
    values = {
        "air_temperature": (np.stack([_air(times, m) for m in members]), "degC"),
        "precipitation": (np.stack([_value("precipitation", times, m) for m in members]), "mm"),
    }
    dataset = xr.Dataset(
        {name: (("realization", "time"), array, {"units": unit})
         for name, (array, unit) in values.items()},
        {"realization": members, "time": times.astype("datetime64[ns]"),
         "latitude": PLACE[0], "longitude": PLACE[1]},
        {"licence": "CC0", "attribution": "Invented for a test"},
    )  # fmt: skip
    dataset.to_netcdf(folder / f"forecast-{TODAY}.nc")
    return "forecast-*.nc"


def mosmix(folder: Path) -> str:
    """MOSMIX_L of one station, 240 hours, in a KMZ."""
    times = _hours(LAST - 3, LAST + 236)
    steps = "".join(f"<dwd:TimeStep>{str(t)[:13]}:00:00.000Z</dwd:TimeStep>" for t in times)
    elements = {
        "TTT": _air(times) + 273.15,
        "Td": _air(times) + 270.15,
        "RR1c": _value("precipitation", times),
    }
    series = "".join(
        f'<dwd:Forecast dwd:elementName="{name}"><dwd:value>'
        + " ".join(f"{value:.2f}" for value in values)
        + "</dwd:value></dwd:Forecast>"
        for name, values in elements.items()
    )
    kml = (
        '<?xml version="1.0" encoding="ISO-8859-1" standalone="yes"?>\n<kml:kml xmlns:dwd='
        '"https://opendata.dwd.de/weather/lib/pointforecast_dwd_extension_V1_0.xsd" '
        'xmlns:kml="http://www.opengis.net/kml/2.2"><kml:Document><kml:ExtendedData>'
        "<dwd:ProductDefinition><dwd:ProductID>MOSMIX</dwd:ProductID>"
        f"<dwd:IssueTime>{TODAY}T03:00:00.000Z</dwd:IssueTime>"
        f"<dwd:ForecastTimeSteps>{steps}</dwd:ForecastTimeSteps></dwd:ProductDefinition>"
        "</kml:ExtendedData><kml:Placemark><kml:name>A1</kml:name><kml:description>HERE"
        f"</kml:description><kml:ExtendedData>{series}</kml:ExtendedData><kml:Point>"
        f"<kml:coordinates>{PLACE[1]},{PLACE[0]},{PLACE[2]}</kml:coordinates></kml:Point>"
        "</kml:Placemark></kml:Document></kml:kml>"
    )
    _zip(folder / "MOSMIX_L_LATEST_A1.kmz", {"m.kml": kml})
    return "MOSMIX_L_LATEST_A1.kmz"


# --- past weather -------------------------------------------------------------------------------


def open_meteo_archive(folder: Path) -> str:
    query = _asked(start_date=str(FIRST)[:10], end_date=TODAY, models="era5_seamless")
    answer = open_meteo_answers.answer("archive", query, NOW)
    (folder / "history.json").write_text(json.dumps(answer), "utf-8")
    return "history.json"


def station(folder: Path) -> str:
    """A keeper's own: semicolons, day and hour apart, a clock one hour ahead of UTC."""
    times = _hours()
    local = (times + 1).astype("datetime64[s]").astype(dt.datetime)
    rows = zip(local, _air(times), _value("precipitation", times), strict=True)
    lines = ["Datum;Stunde;Lufttemp.;Regen"]
    lines += [f"{t:%d.%m.%Y};{t:%H};{air};{rain}" for t, air, rain in rows]
    lines[500] = lines[500].rpartition(";")[0] + ";-999"
    (folder / "station.csv").write_text("\n".join(lines) + "\n", "utf-8")
    return "station.csv"


def knmi(folder: Path) -> str:
    """Hour HH ends at HH:00; tenths of degrees and millimetres."""
    times = _hours(FIRST + 1)
    lines = ["# STN,YYYYMMDD,   HH,    T,   RH,    U", ""]
    rain = np.rint(10 * _value("precipitation", times))
    air, moist = np.rint(10 * _air(times)), _value("relative_humidity_2m", times)
    for i, time in enumerate(times - 1):
        day, hour = str(time).split("T")
        lines.append(
            f"  260,{day.replace('-', '')},{int(hour) + 1:5d},{air[i]:5.0f},{rain[i]:5.0f},"
            f"{moist[i]:5.0f}"
        )
    (folder / "uurgeg_260.txt").write_text("\n".join(lines) + "\n", "utf-8")
    return "uurgeg_260.txt"


def dwd_station(folder: Path) -> str:
    times = _hours()
    stamps = [str(time).replace("-", "").replace("T", "") for time in times]
    air, moist = _air(times), _value("relative_humidity_2m", times)
    rain = _value("precipitation", times)
    about = (
        "Stations_id;Stationshoehe;Geogr.Breite;Geogr.Laenge;von_datum;bis_datum;Stationsname\r\n"
        f"      12345;     120.00;  {PLACE[0]};   {PLACE[1]};20000101;        ;Irgendwo\r\n"
    )
    heads = {
        "tu": "STATIONS_ID;MESS_DATUM;QN_9;TT_TU;RF_TU;eor",
        "rr": "STATIONS_ID;MESS_DATUM;QN_8;  R1;RS_IND;WRTR;eor",
    }
    rows = {
        "tu": [f"      12345;{t};    3;{a:6.1f};{m:6.1f};eor"
               for t, a, m in zip(stamps, air, moist, strict=True)],
        "rr": [f"      12345;{t};    3;{r:6.1f};   1;   6;eor"
               for t, r in zip(stamps, rain, strict=True)],
    }  # fmt: skip
    (folder / "dwd").mkdir()
    for kind, head in heads.items():
        text = "\r\n".join([head, *rows[kind]]) + "\r\n"
        name = f"produkt_{kind}_stunde_20200701_20251110_12345.txt"
        _zip(
            folder / f"dwd/stundenwerte_{kind.upper()}_12345.zip",
            {"Metadaten_Geographie_12345.txt": about, name: text},
        )
    return "dwd"


def gridded_days(folder: Path) -> str:
    """Lowest, highest and rain of days, one file each, as gridded observations come."""
    times = _hours(FIRST, np.datetime64("2025-11-09T23", "h"))
    air = _air(times).reshape(-1, 24)
    days = times[::24].astype("datetime64[ns]")
    columns = {
        "tn": (air.min(axis=1), "Celsius"),
        "tx": (air.max(axis=1), "Celsius"),
        "rr": (_value("precipitation", times).reshape(-1, 24).sum(axis=1), "mm"),
    }
    (folder / "days").mkdir()
    for name, (values, units) in columns.items():
        standard = "thickness_of_rainfall_amount" if name == "rr" else "air_temperature"
        method = {"tn": "time: minimum", "tx": "time: maximum", "rr": "time: sum"}[name]
        attrs = {"units": units, "standard_name": standard, "cell_methods": method}
        grid = np.broadcast_to(values[:, None, None], (len(days), 2, 2))
        xr.Dataset(
            {name: (("time", "latitude", "longitude"), grid, attrs)},
            {"time": days, "latitude": [50.0, 50.1], "longitude": [-4.0, -3.9]},
            {"E-OBS_version": "30.0e", "Conventions": "CF-1.4"},
        ).to_netcdf(folder / f"days/{name}.nc")
    return "days"


def typical_year_and_station(folder: Path) -> str:
    """An EPW file fills the year that the station's table lacks."""
    station(folder)
    text = (folder / "station.csv").read_text("utf-8").splitlines()
    (folder / "both").mkdir()
    kept = [line for line in text if ".2022;" not in line]
    (folder / "both/station.csv").write_text("\n".join(kept) + "\n", "utf-8")
    times = _hours(np.datetime64("2022-01-01T00", "h"), np.datetime64("2023-01-01T01", "h"))
    air, rain = _air(times), _value("precipitation", times)

    def values(k: int) -> dict[str, float]:
        hour = k + 1  # the row of hour 1 stands for 00:00 to 01:00
        return {"air_temperature": air[hour], "precipitation": rain[hour], "collected_h": 1}

    body = epw_file.head(*PLACE[:2], 0.0, PLACE[2]) + epw_file.days("2022-01-01", 365, values)
    (folder / "both/year.epw").write_text(body, "utf-8")
    return "both"


def _zip(path: Path, texts: dict[str, str]) -> None:
    data = io.BytesIO()
    with zipfile.ZipFile(data, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, text in texts.items():
            archive.writestr(name, text.encode("latin-1"))
    path.write_bytes(data.getvalue())


Maker = Callable[[Path], str]
FORECASTS: dict[str, Maker] = {
    "Open-Meteo JSON": open_meteo_ensemble,
    "Open-Meteo CSV": open_meteo_csv,
    "MET Norway JSON": met_norway,
    "NetCDF ensemble": netcdf_ensemble,
    "MOSMIX": mosmix,
}
HISTORIES: dict[str, Maker] = {
    "Open-Meteo JSON": open_meteo_archive,
    "station table": station,
    "KNMI hours": knmi,
    "DWD station": dwd_station,
    "gridded days": gridded_days,
    "EPW beside a table": typical_year_and_station,
}
