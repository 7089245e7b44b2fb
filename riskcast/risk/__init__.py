"""How bad, how likely, compared with what? Finished Datasets in, numbers and reasons out."""

from __future__ import annotations

from riskcast.risk.assess import assess
from riskcast.risk.assessment import (
    AnimalOutlook,
    Assessment,
    Calendar,
    DateQuantity,
    Feeding,
    Gate,
    Quantity,
    Reason,
    RecordsUsed,
    RiskResult,
    SetAside,
    SiteSummary,
    WarmSpell,
    WeatherUsed,
    Window,
)
from riskcast.risk.evidence import NEXT_DAYS, NEXT_WEEK, REFERENCE, TO_DATE, WEEK_DAYS, Evidence

__all__ = [
    "NEXT_DAYS",
    "NEXT_WEEK",
    "REFERENCE",
    "TO_DATE",
    "WEEK_DAYS",
    "AnimalOutlook",
    "Assessment",
    "Calendar",
    "DateQuantity",
    "Evidence",
    "Feeding",
    "Gate",
    "Quantity",
    "Reason",
    "RecordsUsed",
    "RiskResult",
    "SetAside",
    "SiteSummary",
    "WarmSpell",
    "WeatherUsed",
    "Window",
    "assess",
]
