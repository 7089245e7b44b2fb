"""Files in the layout of the EPW data dictionary (EnergyPlus Auxiliary Programs), made up."""

from __future__ import annotations

from datetime import date, timedelta

HEAD = (
    "LOCATION,Somewhere,-,XXX,Made up,000000,{latitude},{longitude},{offset},{elevation}\n"
    "DESIGN CONDITIONS,0\nTYPICAL/EXTREME PERIODS,0\nGROUND TEMPERATURES,0\n"
    "HOLIDAYS/DAYLIGHT SAVINGS,No,0,0,0\nCOMMENTS 1,\nCOMMENTS 2,\n"
    "DATA PERIODS,1,1,Data,Sunday,1/1,12/31\n"
)
# Fields 1 to 35; those not named in `rows` hold the number that stands for missing.
MISSING = [
    *("99.9", "99.9", "999", "999999", "9999", "9999", "9999", "9999", "9999", "9999"),
    *("999999", "999999", "999999", "9999", "999", "999", "99", "99", "9999", "99999"),
    *("9", "999999999", "999", ".999", "999", "99", "999", "999", "99"),
]
FIELDS = {
    "air_temperature": 0,
    "dew_point": 1,
    "relative_humidity": 2,
    "wind_speed": 15,
    "snow_depth_cm": 24,
    "precipitation": 27,
    "collected_h": 28,
}


def head(latitude=50.0, longitude=-4.0, offset=0.0, elevation=120.0):
    return HEAD.format(latitude=latitude, longitude=longitude, offset=offset, elevation=elevation)


def row(day, hour, **values):
    """One hour; `values` by the names of `FIELDS`."""
    fields = list(MISSING)
    for name, value in values.items():
        fields[FIELDS[name]] = str(value)
    about = f"{day.year},{day.month},{day.day},{hour},60,?9?9?9"
    return ",".join([about, *fields]) + "\n"


def days(first, count, make):
    """Rows of some days; ``make(k)`` gives the values of the k-th hour."""
    start = date.fromisoformat(first)
    return "".join(
        row(start + timedelta(days=k // 24), k % 24 + 1, **make(k)) for k in range(24 * count)
    )
