"""What does the keeper of this site say about it? The site file, read and checked in one go.

The sections of the file *are* the objects the rooms work with: ``site.place`` is handed to
the weather, ``site.habitat`` to the nest, ``site.visits`` to the advice, unchanged.
"""

from __future__ import annotations

from riskcast.site.load import load_site
from riskcast.site.model import (
    SCHEMA,
    ArchivePlace,
    Habitat,
    Mail,
    Override,
    Place,
    Recipient,
    RiskRules,
    Site,
    SpeciesChoice,
    Visits,
    Weights,
)
from riskcast.site.sources import MetNorway, OpenMeteo, TableLayout, Weather

__all__ = [
    "SCHEMA",
    "ArchivePlace",
    "Habitat",
    "Mail",
    "MetNorway",
    "OpenMeteo",
    "Override",
    "Place",
    "Recipient",
    "RiskRules",
    "Site",
    "SpeciesChoice",
    "TableLayout",
    "Visits",
    "Weather",
    "Weights",
    "load_site",
]
