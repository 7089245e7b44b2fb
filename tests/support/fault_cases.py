"""Every fault of a weather service that tests play, with what riskcast says and how often it asks.

Bodies as the services document or send them: open-meteo/open-meteo (server) at ba13de1c,
metno/weatherapi-docs at 23d20d9.
"""

from __future__ import annotations

from dataclasses import dataclass

import service_faults as faults
from service_faults import LIMITS, Fault

__all__ = ["CASES", "ONLY_OPEN_METEO", "Case"]

_WRONG_UNIT = (
    "Cannot initialize TemperatureUnit from invalid String value asdfsfd for key temperature_unit"
)


@dataclass(frozen=True)
class Case:
    """One fault, played at every request.

    Attributes
    ----------
    name : for the test's own name
    fault : played until mended
    told : words of the sentence
    once : asking again could not help, or is not wanted: one request, not several
    """

    name: str
    fault: Fault
    told: str
    once: bool = False

    def __str__(self) -> str:
        return self.name


CASES = (
    Case("400", faults.refused(400, _WRONG_UNIT), "did not accept the question (400)", once=True),
    Case("429-minute", faults.refused(429, LIMITS["minutely"]), "in this minute (429)", once=True),
    Case("429-hour", faults.refused(429, LIMITS["hourly"]), "in this hour (429)", once=True),
    Case("429-day", faults.refused(429, LIMITS["daily"]), "no more questions today", once=True),
    Case("429-at-once", faults.refused(429, LIMITS["concurrent"]), "open at once", once=True),
    Case("500", faults.refused(500, "Something went wrong."), "a fault of its own (500)"),
    Case("503", faults.refused(503, "The service is overloaded"), "overloaded or under repair"),
    Case("gateway-page", faults.html(502), "behind its gateway (502)"),
    Case("page-with-200", faults.html(200), "web page"),
    Case("streaming-text", faults.streaming_failure(0.0), "while it was sending its answer"),
    Case("streaming-half", faults.streaming_failure(0.5), "while it was sending its answer"),
    Case("truncated", faults.truncated(0.5), "cut off or damaged"),
    Case("truncated-by-one", faults.truncated(0.9999), "cut off or damaged"),
    Case("empty", faults.body(b""), ""),
    Case("reset", faults.half_then_reset(), "broke off the connection"),
    Case("silence", faults.silence(5.0), "fell silent"),
    Case("drip", faults.drip(0.04, 4, 20.0), "did not finish its answer within", once=True),
    Case("redirects", faults.redirect_loop(), "sent the question on and on", once=True),
)

# Faults of Open-Meteo's own shape.
ONLY_OPEN_METEO = (
    Case("all-null", faults.all_null("temperature_2m"), "", once=True),
    Case("no-temperature", faults.without("temperature_2m"), "", once=True),
    Case(
        "error-with-200",
        faults.status(200, faults.error("No data is available for this location")),
        "No data is available for this location",
        once=True,
    ),
    Case("unknown-unit", faults.in_units("temperature_2m", "°Q", float), "°Q", once=True),
)
