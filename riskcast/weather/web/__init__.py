"""Ask a service of the open web once, politely, within a time, and keep what it said.

Importing this costs nothing: what speaks to the network is read when it is first used.
"""

from __future__ import annotations

from riskcast.weather.web.answer import Answer, Clock, Limits
from riskcast.weather.web.client import Web
from riskcast.weather.web.errors import NotWhole, SourceError

__all__ = ["Answer", "Clock", "Limits", "NotWhole", "SourceError", "Web"]
