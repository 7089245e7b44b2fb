"""The assessment: numbers and reason codes, no sentences.

Everything a person is later told is worked out from here, and everything here was
computed from weather, weights and the species file. What is not known is a reason code
in place of a value, never a NaN. The models are also the JSON Schema
``riskcast.assessment/1`` that ships with riskcast.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from typing import Literal

import pydantic

__all__ = [
    "SCHEMA",
    "AnimalOutlook",
    "Assessment",
    "Calendar",
    "Concern",
    "Confidence",
    "DateQuantity",
    "Feeding",
    "Gate",
    "Quantity",
    "Reason",
    "RecordsUsed",
    "RiskId",
    "RiskResult",
    "SetAside",
    "SiteSummary",
    "WarmSpell",
    "WeatherUsed",
    "Window",
]

SCHEMA: Literal["riskcast.assessment/1"] = "riskcast.assessment/1"

Feeding = Literal["none", "found"]
RiskId = Literal["autumn_mass", "winter_arousal", "winter_reserve", "spring_food"]
Concern = Literal["low", "moderate", "high"]
Confidence = Literal["low", "medium", "high"]


class _Model(pydantic.BaseModel):
    """Frozen, and strict about names: a field that is not known here is a fault."""

    model_config = pydantic.ConfigDict(frozen=True, extra="forbid")


class Quantity(_Model):
    """A number with its unit: the median of the futures, with their 10 % and 90 % quantiles.

    `value` is None where it is not known; `reason` is then the code that says why.
    `at_least` marks a value cut at the end of the season: it is this or more.
    """

    value: float | None
    unit: str
    low: float | None = None
    high: float | None = None
    at_least: bool = False
    reason: str = ""


class DateQuantity(_Model):
    """A local date: median, 10 % and 90 % of the futures; None with a reason if not known."""

    value: dt.date | None
    low: dt.date | None = None
    high: dt.date | None = None
    reason: str = ""


class Reason(_Model):
    """A code with the numbers its sentence needs."""

    code: str
    numbers: Mapping[str, float | int | str | None] = {}


class Window(_Model):
    """When a risk is asked about. Open ends are None."""

    start: dt.date | None
    end: dt.date | None


class RiskResult(_Model):
    """One of the four risks.

    likelihood : share of the futures in which the event happens (0-1)
    consequence : the quantity that the table of concern reads
    quantities, dates : the leading numbers by name
    reasons : codes, most telling first
    """

    id: RiskId
    status: Literal["assessed", "not_asked_now", "not_enough_data"]
    window: Window
    likelihood: float | None = None
    likelihood_word: str = ""
    consequence: Quantity | None = None
    concern: Concern | None = None
    confidence: Confidence | None = None
    confidence_reasons: tuple[Reason, ...] = ()
    quantities: dict[str, Quantity] = {}
    dates: dict[str, DateQuantity] = {}
    reasons: tuple[Reason, ...] = ()


class AnimalOutlook(_Model):
    """One weighed animal, or the reference animal, carried to spring.

    share_short : share of the futures in which it is below the target mass at onset
    grams_short : how much it lacks at onset (0 where it does not)
    days_in_hand : from issue to an empty reserve
    days_to_spare : from an empty reserve to the food date (negative: the reserve ends first)
    days_vs_normal : against the same animal in this site's past winters
    days_vs_reference : against the reference animal of this site, this winter
    reserve_lasts : share of the futures in which the reserve lasts until there is food;
        None where the gate forbids printing it
    still_out, short_and_out : by day of `Calendar.days`: not yet in hibernation; not yet in
        hibernation and below target at its onset
    litter : the unit is the litter, never the single animal
    ranked : False = shown but not ranked, `why_not` says why
    """

    key: str
    label: str
    box: str = ""
    organism_id: str = ""
    sex: str = "unknown"
    life_stage: str = "unknown"
    activity: str = "unknown"
    body_mass_g: float
    event_date: dt.date | None = None
    age_days: int | None = None
    litter: bool = False
    with_mother: bool = False
    ranked: bool = True
    why_not: str = ""
    share_short: float | None = None
    grams_short: Quantity
    mass_at_onset: Quantity
    onset: DateQuantity
    gain_needed: Quantity
    gain_expected: Quantity
    days_in_hand: dict[Feeding, Quantity]
    days_to_spare: dict[Feeding, Quantity]
    days_vs_normal: Quantity
    days_vs_reference: Quantity
    reserve_lasts: dict[Feeding, float] | None = None
    still_out: tuple[float, ...] = ()
    short_and_out: tuple[float, ...] = ()


class Calendar(_Model):
    """Day by day from the day of issue: what a visit would meet.

    unfit_weather : share of the futures with heavy rain or strong wind in the visiting hours
    warmest, coldest : median daily maximum and minimum of air temperature, degC
    torpid_in_box : share of the animals still about that are likely to be torpid in their box
        in the morning; None = hardly any is about, they have gone to ground; empty = not known
    """

    days: tuple[dt.date, ...]
    unfit_weather: tuple[float, ...]
    warmest: tuple[float, ...]
    coldest: tuple[float, ...]
    torpid_in_box: tuple[float | None, ...] = ()


class WarmSpell(_Model):
    """A run of days with a maximum above the site's own 90th percentile for the date."""

    start: dt.date
    end: dt.date
    days: int
    share: float


class Gate(_Model):
    """Whether shares of futures may be printed: do well-fed adults come through here?"""

    passed: bool
    share: float | None
    needed: float
    reason: str = ""


class WeatherUsed(_Model):
    provider: str
    model: str = ""
    reference_time: dt.datetime | None = None
    age_hours: float | None = None
    max_age_hours: float
    stale: bool
    members: int
    past_years: int
    past_years_asked: int
    filled_last_10_days: float
    cell_distance_km: float | None = None
    height_gap_m: float | None = None
    licence: str = ""
    attribution: tuple[str, ...] = ()
    notes: tuple[Reason, ...] = ()


class SetAside(_Model):
    """A row of the weights that could not be used."""

    source: str
    where: str
    value: str
    problem: str
    remedy: str


class RecordsUsed(_Model):
    files: tuple[str, ...]
    rows: int
    used: int
    last_check: dt.date | None
    set_aside: tuple[SetAside, ...] = ()
    assumptions: tuple[str, ...] = ()


class SiteSummary(_Model):
    """The site as it may leave the machine: its place rounded to 0.1 degrees."""

    id: str
    name: str
    latitude: float
    longitude: float
    elevation_m: float
    timezone: str
    boxes: int | None = None
    species: str
    vernacular_name: str


class Assessment(_Model):
    """All numbers of one run for one site.

    mass_needed : mass whose reserve just lasts to the food date in half of the futures,
        counted from the reference animal's onset, or from issue if that is later
    """

    schema_: Literal["riskcast.assessment/1"] = pydantic.Field(default=SCHEMA, alias="schema")
    site: SiteSummary
    issued_at: dt.datetime
    issued_on: dt.date
    horizon: dt.date
    seed: int
    draws: int
    target_mass_g: float
    weather: WeatherUsed
    records: RecordsUsed
    risks: tuple[RiskResult, ...]
    reference_animal: AnimalOutlook
    animals: tuple[AnimalOutlook, ...]
    mass_needed: dict[Feeding, Quantity]
    warm_spell: WarmSpell | None
    calendar: Calendar
    gate: Gate
    provisional_parameters: int
    overrides: dict[str, str] = {}

    model_config = pydantic.ConfigDict(frozen=True, extra="forbid", populate_by_name=True)

    def risk(self, risk_id: RiskId) -> RiskResult:
        """The result with this id."""
        return next(risk for risk in self.risks if risk.id == risk_id)
