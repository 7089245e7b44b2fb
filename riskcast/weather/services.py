"""Weather services by the names they have in a site file."""

from __future__ import annotations

from riskcast.site.fields import FORECAST_SERVICES

__all__ = ["SERVICES"]

SERVICES = FORECAST_SERVICES
