"""Assessments built by hand: what the risk room would hand over, with numbers of our own.

Invented for these tests; no number here is a measurement.
"""

from __future__ import annotations

import datetime as dt
from types import SimpleNamespace
from typing import Any

import pytest

from riskcast import species
from riskcast.advice import advise, letters
from riskcast.risk import (
    AnimalOutlook,
    Assessment,
    Calendar,
    DateQuantity,
    Gate,
    Quantity,
    Reason,
    RecordsUsed,
    RiskResult,
    SiteSummary,
    WarmSpell,
    WeatherUsed,
    Window,
)
from riskcast.site import Visits

DAYS_AHEAD = 60
RISKS = ("autumn_mass", "winter_arousal", "winter_reserve", "spring_food")
WORDS = (
    (0.1, "very unlikely"),
    (0.33, "unlikely"),
    (0.66, "about as likely as not"),
    (0.9, "likely"),
)


def quantity(value: float | None, unit: str = "day", **more: Any) -> Quantity:
    return Quantity(value=value, unit=unit, **more)


def falling(issued_on: dt.date, out: float, last: dt.date | None) -> tuple[float, ...]:
    """A share that stays, then falls to nothing within ten days after `last`."""
    days = [issued_on + dt.timedelta(days=i) for i in range(DAYS_AHEAD)]
    if last is None:
        return (out,) * DAYS_AHEAD
    return tuple(round(out * min(1.0, max(0.0, 1 - (day - last).days / 10)), 3) for day in days)


def make_animal(
    issued_on: dt.date,
    key: str,
    box: str,
    body_mass_g: float,
    *,
    short: float = 0.0,
    out_until: dt.date | None = None,
    spare: tuple[float | None, float | None] = (-60.0, 12.0),
    life_stage: str = "juvenile",
    event_date: dt.date | None = dt.date(2025, 10, 18),
    **more: Any,
) -> AnimalOutlook:
    """`out_until` None = out all the time."""
    out = falling(issued_on, 1.0, out_until)
    facts: dict[str, Any] = {
        "key": key,
        "label": f"box {box}, {key}, weighed 18 October",
        "box": box,
        "life_stage": life_stage,
        "body_mass_g": body_mass_g,
        "event_date": event_date,
        "age_days": (issued_on - event_date).days if event_date else None,
        "share_short": short,
        "grams_short": quantity(max(15 - body_mass_g, 0.0), "g"),
        "mass_at_onset": quantity(body_mass_g + 2, "g"),
        "onset": DateQuantity(value=dt.date(2025, 11, 14)),
        "gain_needed": quantity(max(15 - body_mass_g, 0.0) / 15, "g day-1"),
        "gain_expected": quantity(0.15, "g day-1"),
        "days_in_hand": {"none": quantity(80.0), "found": quantity(150.0, at_least=True)},
        "days_to_spare": {"none": quantity(spare[0]), "found": quantity(spare[1])},
        "days_vs_normal": quantity(-3.6),
        "days_vs_reference": quantity(-41.0),
        "still_out": out,
        "short_and_out": tuple(round(short * share, 3) for share in out),
    }
    return AnimalOutlook(**{**facts, **more})


def make_risk(risk_id: str, concern: str | None = None, **more: Any) -> RiskResult:
    """A risk: not asked now without a concern; `status` overrides."""
    if concern is None:
        facts: dict[str, Any] = {"status": "not_asked_now", "window": Window(start=None, end=None)}
    else:
        likelihood = more.get("likelihood", {"low": 0.05, "moderate": 0.5, "high": 0.8}[concern])
        word = next((w for edge, w in WORDS if likelihood < edge), "very likely")
        facts = {
            "status": "assessed",
            "window": Window(start=None, end=None),
            "likelihood": likelihood,
            "likelihood_word": word,
            "consequence": quantity(8.0),
            "concern": concern,
            "confidence": "low",
            "confidence_reasons": (
                Reason(code="provisional_parameters", numbers={"n": 61}),
                Reason(code="no_own_gains"),
            ),
        }
    return RiskResult(id=risk_id, **{**facts, **more})


def make_no_data(risk_id: str, code: str, **numbers: Any) -> RiskResult:
    """A risk that was asked about, with too little to answer it."""
    return RiskResult(
        id=risk_id,
        status="not_enough_data",
        window=Window(start=None, end=None),
        reasons=(Reason(code=code, numbers=numbers),),
    )


def make_assessment(issued_on: dt.date, **more: Any) -> Assessment:
    """An assessment in which nothing is asked, but for what is given."""
    risks = {risk.id: risk for risk in more.pop("risks", ())}
    days = tuple(issued_on + dt.timedelta(days=i) for i in range(DAYS_AHEAD))
    unfit = more.pop("unfit", {})
    facts: dict[str, Any] = {
        "site": SiteSummary(
            id="alder-hanger",
            name="Alder Hanger (demonstration)",
            latitude=50.0,
            longitude=-4.0,
            elevation_m=120,
            timezone="Europe/London",
            boxes=60,
            species="hazel_dormouse",
            vernacular_name="hazel dormouse",
        ),
        "issued_at": dt.datetime.combine(issued_on, dt.time(18, 0)),
        "issued_on": issued_on,
        "horizon": dt.date(2026, 5, 31),
        "seed": 0,
        "draws": 256,
        "target_mass_g": 15.0,
        "weather": make_weather(issued_on),
        "records": RecordsUsed(
            files=("weights.xlsx",), rows=90, used=90, last_check=dt.date(2025, 10, 18)
        ),
        "risks": tuple(risks.get(name) or make_risk(name) for name in RISKS),
        "reference_animal": make_animal(
            issued_on, "reference_animal", "", 18.0, event_date=None, short=0.0
        ),
        "animals": (),
        "mass_needed": {"none": quantity(24.3, "g"), "found": quantity(12.8, "g")},
        "warm_spell": None,
        "calendar": Calendar(
            days=days,
            unfit_weather=tuple(unfit.get(day, 0.1) for day in days),
            warmest=(11.0,) * DAYS_AHEAD,
            coldest=(5.0,) * DAYS_AHEAD,
        ),
        "gate": Gate(passed=False, share=0.4, needed=0.8, reason="adults_do_not_last"),
        "provisional_parameters": 61,
    }
    return Assessment(**{**facts, **more})


def make_weather(issued_on: dt.date, **more: Any) -> WeatherUsed:
    facts: dict[str, Any] = {
        "provider": "invented",
        "reference_time": dt.datetime.combine(issued_on, dt.time(6, 0)),
        "age_hours": 12.0,
        "max_age_hours": 36.0,
        "stale": False,
        "members": 20,
        "past_years": 20,
        "past_years_asked": 20,
        "filled_last_10_days": 0.0,
        "licence": "CC0, https://creativecommons.org/publicdomain/zero/1.0/",
        "attribution": ("Invented weather for the demonstration, https://example.org/weather",),
    }
    return WeatherUsed(**{**facts, **more})


def autumn_risk(concern: str = "high", **more: Any) -> RiskResult:
    facts: dict[str, Any] = {
        "likelihood": {"low": 0.05, "moderate": 0.5, "high": 0.93}[concern],
        "window": Window(start=dt.date(2025, 9, 1), end=dt.date(2025, 11, 14)),
        "consequence": quantity(2.6, "animals"),
        "quantities": {
            "expected_short": quantity(2.6, "animals"),
            "animals_ranked": quantity(5, "animals"),
        },
        "dates": {"onset": DateQuantity(value=dt.date(2025, 11, 14))},
        "reasons": (
            Reason(code="short_animals", numbers={"n": 3, "animals": 5}),
            Reason(
                code="most_affected",
                numbers={
                    "label": "box 14, b, weighed 18 October",
                    "box": "14",
                    "body_mass_g": 9.0,
                    "share": 0.93,
                    "grams_short": 3.4,
                    "gain_needed": 0.4,
                    "gain_expected": 0.15,
                },
            ),
            Reason(
                code="cold_ahead",
                numbers={"start": "2025-11-03", "nest_now": 10.4, "nest_then": 5.8},
            ),
        ),
    }
    return make_risk("autumn_mass", concern, **{**facts, **more})


def autumn_animals(issued_on: dt.date, cold: dt.date | None = dt.date(2025, 11, 3)) -> Any:
    """Two adults and three light young of three boxes, out until the cold comes."""
    return (
        make_animal(issued_on, "a", "14", 9.5, short=0.85, out_until=cold, spare=(-88.0, -4.0)),
        make_animal(issued_on, "b", "15", 9.0, short=0.93, out_until=cold, spare=(-93.0, -9.0)),
        make_animal(issued_on, "c", "9", 10.5, short=0.74, out_until=cold, spare=(-80.0, 3.0)),
        make_animal(
            issued_on, "d", "3", 24.0, life_stage="adult", out_until=cold, spare=(-9.0, 60.0)
        ),
        make_animal(
            issued_on, "e", "7", 28.5, life_stage="adult", out_until=cold, spare=(4.0, 70.0)
        ),
    )


@pytest.fixture(scope="session")
def sp() -> species.Species:
    return species.load("hazel_dormouse")


@pytest.fixture
def visits() -> Visits:
    return Visits(
        planned=(dt.date(2025, 11, 22), dt.date(2026, 4, 18)),
        notice_days=2,
        min_gap_days=14,
        weekdays=("sat", "sun"),
        season=("04-01", "11-30"),
    )


@pytest.fixture
def make() -> SimpleNamespace:
    """The factories, by name."""
    return SimpleNamespace(
        animal=make_animal,
        assessment=make_assessment,
        autumn_animals=autumn_animals,
        autumn_risk=autumn_risk,
        litter=make_litter,
        no_data=make_no_data,
        quantity=quantity,
        risk=make_risk,
        weather=make_weather,
    )


@pytest.fixture
def autumn() -> Assessment:
    """27 October 2025: light young in three boxes, cold from 3 November."""
    day = dt.date(2025, 10, 27)
    window = {"window": Window(start=dt.date(2025, 11, 15), end=dt.date(2026, 4, 5))}
    return make_assessment(
        day,
        risks=(autumn_risk(), make_risk("winter_arousal", **window)),
        animals=autumn_animals(day),
    )


@pytest.fixture
def winter() -> Assessment:
    """12 January 2026: a warm spell from 14 to 21 January."""
    day = dt.date(2026, 1, 12)
    spell = {"start": "2026-01-14", "end": "2026-01-21", "days": 8}
    arousal = make_risk(
        "winter_arousal",
        "high",
        likelihood=0.91,
        likelihood_word="very likely",
        consequence=quantity(6.2, "day of reserve"),
        window=Window(start=dt.date(2025, 11, 15), end=dt.date(2026, 4, 5)),
        quantities={
            "days_spent": quantity(20.2, "day of reserve"),
            "days_spent_normal": quantity(14.0, "day of reserve"),
            "extra_days": quantity(6.2, "day of reserve"),
            "extra_arousals": quantity(1.4, "arousals"),
            "from_more_arousals": quantity(3.1, "day of reserve"),
            "from_dearer_torpor": quantity(2.2, "day of reserve"),
            "from_dearer_waking": quantity(0.9, "day of reserve"),
            "rank": quantity(1, "1"),
            "rank_of": quantity(21, "1"),
            "season_ratio": quantity(1.12, "1"),
            "season_rank": quantity(5, "1"),
        },
        reasons=(
            Reason(code="above_past_years", numbers={"window_days": 14.0, "rank": 1, "of": 21}),
            Reason(code="warm_spell", numbers=spell),
        ),
    )
    reserve = make_risk(
        "winter_reserve",
        "moderate",
        window=Window(start=dt.date(2025, 11, 15), end=dt.date(2026, 4, 20)),
        consequence=quantity(5.1),
        quantities={
            "days_vs_normal": quantity(-5.1),
            "days_to_spare_none": quantity(-31.0),
            "days_to_spare_found": quantity(22.0),
            "days_in_hand_none": quantity(66.0),
            "animals_losing": quantity(4, "animals"),
        },
        dates={"food_date": DateQuantity(value=dt.date(2026, 5, 2))},
        reasons=(
            Reason(code="days_lost", numbers={"days": 5.1}),
            Reason(
                code="lightest",
                numbers={"label": "box 15, b, weighed 18 October", "days_to_spare": -93.0},
            ),
        ),
    )
    return make_assessment(
        day,
        risks=(arousal, reserve),
        animals=autumn_animals(day),
        warm_spell=WarmSpell(
            start=dt.date(2026, 1, 14), end=dt.date(2026, 1, 21), days=8, share=0.9
        ),
    )


@pytest.fixture
def spring() -> Assessment:
    """30 March 2026: awake on 5 April, food on the 17th."""
    day = dt.date(2026, 3, 30)
    food = make_risk(
        "spring_food",
        "high",
        likelihood=0.78,
        window=Window(start=dt.date(2026, 2, 1), end=dt.date(2026, 4, 17)),
        consequence=quantity(9.2, "day of reserve"),
        quantities={
            "food_gap_days": quantity(12.0),
            "gap_cost_days": quantity(9.2, "day of reserve"),
        },
        dates={
            "emergence": DateQuantity(value=dt.date(2026, 4, 5)),
            "first_food_date": DateQuantity(value=dt.date(2026, 4, 2)),
            "food_date": DateQuantity(value=dt.date(2026, 4, 17)),
        },
        reasons=(Reason(code="gap", numbers={"days": 12.0}),),
    )
    arousal = make_risk(
        "winter_arousal",
        "moderate",
        window=Window(start=dt.date(2025, 11, 15), end=dt.date(2026, 4, 5)),
        consequence=quantity(2.0, "day of reserve"),
        reasons=(
            Reason(code="above_past_years", numbers={"window_days": 14.0, "rank": 3, "of": 21}),
        ),
    )
    return make_assessment(day, risks=(food, arousal), animals=autumn_animals(day))


@pytest.fixture
def letter(sp: species.Species, visits: Visits) -> Any:
    """The letter of one role on an assessment, with advice worked out for it."""

    def write(assessment: Assessment, role: str = "monitor", **more: Any) -> Any:
        advice = advise(assessment, visits, sp, roles=(role,), previous=more.pop("previous", None))
        return letters(assessment, advice, visits, sp, **more)[0]

    return write


def make_litter(
    issued_on: dt.date, box: str, masses_g: tuple[float, ...], **more: Any
) -> tuple[AnimalOutlook, ...]:
    """Young of one litter, the lightest the most urgent; labels as the sheet gives them."""
    facts = {"short": 0.9, "out_until": dt.date(2025, 11, 3), **more}
    return tuple(
        make_animal(
            issued_on,
            f"{box}-{i}",
            box,
            mass,
            litter=True,
            label=f"box {box}, {i} of {len(masses_g)}, weighed 18 October",
            spare=(-120.0 + mass, -20.0 + mass),
            **facts,
        )
        for i, mass in enumerate(masses_g, 1)
    )


@pytest.fixture
def troubled(make: SimpleNamespace) -> Assessment:
    """27 October with an old forecast, a poor sheet, a litter, and a gate that is passed."""
    day = dt.date(2025, 10, 27)
    lasts = {"none": 0.02, "found": 0.61}
    litter = make_animal(
        day, "f", "21", 6.5, short=0.97, life_stage="nestling", litter=True, with_mother=True
    )
    spring = make_animal(day, "g", "30", 17.0, ranked=False, why_not="weighed_in_spring")
    animals = tuple(
        animal.model_copy(update={"reserve_lasts": lasts})
        for animal in (*autumn_animals(day), litter)
    )
    notes = (
        Reason(code="stale_forecast", numbers={"age_hours": 60.0, "max_age_hours": 36.0}),
        Reason(code="past_years_short", numbers={"have": 12, "asked": 20}),
        Reason(code="no_variable", numbers={"name": "wind_speed", "source": "x.nc"}),
        Reason(code="height_gap", numbers={"m": -140}),
        Reason(code="cell_distance", numbers={"km": 11.2}),
    )
    rows = tuple(
        {
            "source": "weights.xlsx",
            "where": f"row {17 + i}, body_mass_g",
            "value": "195",
            "problem": "an adult weighs 10 to 45 g.",
            "remedy": "19.5? Correct the sheet, or set weights.unit.",
        }
        for i in range(7)
    )
    return make_assessment(
        day,
        risks=(autumn_risk(confidence_reasons=notes[:2]),),
        animals=(*animals, spring),
        gate=Gate(passed=True, share=0.85, needed=0.8),
        weather=make_weather(day, stale=True, age_hours=60.0, past_years=12, notes=notes),
        records=RecordsUsed.model_validate(
            {
                "files": ("weights.xlsx",),
                "rows": 97,
                "used": 90,
                "last_check": dt.date(2025, 10, 18),
                "set_aside": rows,
                "assumptions": ("decimal_comma: weights.xlsx, 3 cells",),
            }
        ),
    )
