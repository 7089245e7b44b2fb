"""Whose data a file is: provider, licence and the words that have to stand beside a result."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from typing import Any

import numpy as np
import numpy.typing as npt

__all__ = ["credit", "together"]

_YEAR = re.compile(r"\b((?:19|20)\d\d)-\d\d-\d\d")
# Kinds of ECMWF data that are forecasts of an ensemble, not a reanalysis.
_ENSEMBLE = ("pf", "cf")
# The words E-OBS asks for (from memory) and its licence; its files carry neither.
_E_OBS = {
    "provider": "E-OBS, ECA&D",
    "licence": "non-commercial research and education only",
    "attribution": "We acknowledge the E-OBS dataset from the EU-FP6 project UERRA and the"
    " Copernicus Climate Change Service, and the data providers in the ECA&D project"
    " (https://www.ecad.eu)",
}


def credit(
    file: Mapping[str, Any],
    variables: Iterable[Mapping[str, Any]],
    time: npt.NDArray[np.datetime64],
    forecast: bool = False,
) -> dict[str, str]:
    """provider, model, licence and attribution, as far as a NetCDF file tells.

    `time` are the rows read, `forecast` says that the file holds steps of one forecast.
    A file's own words come first. ERA5 and ERA5-Land do not carry their licence; both
    converters of the Copernicus store leave marks in ``history`` and ``GRIB_centre``.
    """
    out: dict[str, str] = {}
    for key, names in (
        ("provider", ("provider", "institution", "GRIB_centreDescription")),
        ("model", ("model", "source")),
        ("licence", ("licence", "license")),
        ("attribution", ("attribution", "credit", "references_credit")),
    ):
        stated = next((str(file[name]).strip() for name in names if file.get(name)), "")
        if stated:
            out[key] = stated
    history = str(file.get("history", ""))
    kinds = {str(attrs.get("GRIB_dataType", "")) for attrs in variables}
    reanalysis = "grib_to_netcdf" in history or file.get("GRIB_centre") == "ecmf"
    if reanalysis and not forecast and not kinds & set(_ENSEMBLE):
        stated_year = _YEAR.search(history)
        year = stated_year[1] if stated_year else str(np.max(time[~np.isnat(time)]))[:4]
        out.setdefault("provider", "Copernicus Climate Change Service")
        out.setdefault("licence", "CC BY 4.0")
        out.setdefault(
            "attribution",
            f"Contains modified Copernicus Climate Change Service information {year}",
        )
    if "E-OBS_version" in file:
        for key, words in _E_OBS.items():
            out.setdefault(key, words)
    return out


def together(texts: Iterable[Any]) -> str:
    """Several providers' words in one line, each once, in order."""
    return "; ".join(dict.fromkeys(str(text) for text in texts if text))
