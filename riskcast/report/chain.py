"""The chain behind a number: `riskcast explain`.

From the weighing to the days in hand, each step with the values it had for this animal, then
every parameter of those steps with range, status and source.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence

import numpy as np
import numpy.typing as npt
import xarray as xr

from riskcast.advice import Unit, note_sentences, units, weather_sentences
from riskcast.base.errors import UsageError
from riskcast.base.nights import as_ns, local_date
from riskcast.physiology import (
    arousal_cost,
    arousal_hazard,
    arousal_length,
    empty_mass,
    grams_per_ml_oxygen,
    torpid_rate,
)
from riskcast.report.days import DayByDay, weeks_block
from riskcast.report.described import (
    after_emergence,
    cost_of_weather,
    first_food_floor,
    weather_itself,
)
from riskcast.report.figures import date_told, told
from riskcast.report.moves import moves_block
from riskcast.risk import (
    REFERENCE,
    AnimalOutlook,
    Assessment,
    Evidence,
    Feeding,
)
from riskcast.risk.sensitivity import Moves
from riskcast.species import Parameter, Species, sources

__all__ = ["chain", "find_animal"]

# Sections of the species file that each step reads, in the order of the chain.
_STEPS = {
    "growth in autumn": ("autumn",),
    "onset and emergence": ("onset", "emergence"),
    "nest temperature": ("nest",),
    "torpor": ("torpor",),
    "arousal": ("arousal",),
    "torpor by day outside winter": ("daytime",),
    "reserve": ("reserve",),
    "food in spring": ("food",),
    "risk bands and rules": ("risk",),
}
_HOURS_PER_DAY = 24.0


def find_animal(assessment: Assessment, wanted: str | None) -> AnimalOutlook:
    """The animal whose label, key, box or mark matches.

    None = the most urgent, else the reference animal. A litter is told by its most urgent
    member, as in `riskcast triage`.

    Raises
    ------
    UsageError
        None or several match; the message lists the labels there are.
    """
    listed = units(assessment.animals)
    if wanted is None:
        first = listed[0].animal if listed else assessment.reference_animal
        return first if first.ranked else assessment.reference_animal
    text = wanted.strip().casefold()
    single = [pair for unit in listed for pair in _names(unit)]
    single += [(REFERENCE, assessment.reference_animal)]
    exact = {animal.key: animal for name, animal in single if name == text}
    near = exact or {
        animal.key: animal
        for name, animal in single
        if text in name or text.startswith(f"{name}, ")
    }
    if len(near) == 1:
        return next(iter(near.values()))
    shown = near.values() or [unit.animal for unit in listed]
    labels = "\n".join(f"  {animal.label}" for animal in shown)
    what = f"{len(near)} animals match" if near else "no animal matches"
    raise UsageError(f'{what} "{wanted}". Give more of one of these labels:\n{labels}')


def _names(unit: Unit) -> list[tuple[str, AnimalOutlook]]:
    """What animals, and a litter told as one, may be called."""
    named = [
        (name.casefold(), one)
        for one in unit.members
        for name in (one.label, one.key, one.organism_id)
        if name
    ]
    box = f"box {unit.animal.box}".casefold()
    name = box if unit.size == 1 else f"{box}, litter of {unit.size}"
    return [*named, (name, unit.animal)]


def chain(
    animal: AnimalOutlook,
    evidence: Evidence,
    assessment: Assessment,
    nest: xr.DataArray,
    sp: Species,
    *,
    moves: Moves | None = None,
    days: DayByDay | None = None,
) -> str:
    """The whole chain for one animal, as text for a terminal.

    Parameters
    ----------
    animal : from `find_animal`
    evidence, assessment : of the same run
    nest : nest temperature of the futures (member, time), degC
    sp : Species, central values
    moves : what moves its numbers most, where that was asked
    days : its winter day by day, where that was asked
    """
    parts = [
        _title(animal, assessment),
        _weighing(animal, assessment),
        _weather(assessment),
        weather_itself(evidence, sp),
        cost_of_weather(assessment),
    ]
    if animal.days_in_hand["none"].value is None:
        parts.append(["Not carried to spring: " + animal.days_in_hand["none"].reason + "."])
    else:
        if animal.key != REFERENCE:
            parts.append(_autumn(animal, evidence))
        parts.append(_nest(animal, evidence, assessment, nest))
        parts.append(_torpor(animal, evidence, nest, sp))
        parts.append(_reserve(animal, evidence, sp))
        parts.append(_food(evidence, sp))
        parts.append(_result(animal, assessment))
    if moves is not None:
        parts.append(moves_block(moves, sp))
    if days is not None:
        parts.append(weeks_block(days))
    parts.append(_parameters(sp))
    parts.append(_sources(sp))
    return "\n\n".join("\n".join(part) for part in parts if part) + "\n"


def _title(animal: AnimalOutlook, assessment: Assessment) -> list[str]:
    title = f"How the numbers for {animal.label} came about"
    line = (
        f"{assessment.site.name}, as of {assessment.issued_on}; {assessment.draws} draws of the "
        f"parameters in {assessment.weather.members} courses of the weather, seed {assessment.seed}"
    )
    return [title, "=" * len(title), line]


def _weighing(animal: AnimalOutlook, assessment: Assessment) -> list[str]:
    if animal.key == REFERENCE:
        return [
            "1  The animal",
            f"   reference animal: {animal.body_mass_g:g} g at onset, first winter, not weighed",
        ]
    return [
        "1  Weighing",
        f"   {animal.body_mass_g:g} g on {animal.event_date}, {animal.age_days} days before issue; "
        f"{animal.life_stage}, {animal.sex}, {animal.activity}",
        f"   from {', '.join(assessment.records.files)}: {assessment.records.used} of "
        f"{assessment.records.rows} rows used",
    ]


def _weather(assessment: Assessment) -> list[str]:
    used = assessment.weather
    return [
        "2  Weather",
        f"   {used.provider} {used.model}".rstrip()
        + f", issued {used.reference_time:%Y-%m-%d %H:%M} UTC, {used.age_hours:g} h old"
        if used.reference_time
        else f"   {used.provider}",
        f"   beyond the forecast and for the normal: {used.past_years} of {used.past_years_asked} "
        "past years asked for",
        *(f"   {told}" for told in weather_sentences(assessment)[1:]),
    ]


def _autumn(animal: AnimalOutlook, evidence: Evidence) -> list[str]:
    own = evidence.animals.set_index("key").reindex([animal.key])
    lines = ["3  Growth and onset"]
    if "own_gain" in own and own["own_gain"].notna().all():
        gain, sd = float(own["own_gain"].iloc[0]), float(own["own_gain_sd"].iloc[0])
        lines.append(
            f"   own weighings: {gain:.2f} ± {sd:.2f} g a full night, combined by precision"
        )
    else:
        lines.append("   no own gain known: the species' gain stands alone")
    lines += [
        f"   gain expected {told(animal.gain_expected)}, needed {told(animal.gain_needed)}",
        f"   onset {date_told(animal.onset)}, mass then {told(animal.mass_at_onset)}",
    ]
    if animal.share_short is not None:
        lines.append(f"   below target at onset in {animal.share_short:.0%} of futures")
    return lines


def _from_onset(animal: AnimalOutlook, evidence: Evidence, nest: xr.DataArray) -> xr.DataArray:
    start = as_ns(animal.onset.value or evidence.issued_on)
    return nest.isel(time=nest.time.values >= start)


def _nest(
    animal: AnimalOutlook, evidence: Evidence, assessment: Assessment, nest: xr.DataArray
) -> list[str]:
    inside = _from_onset(animal, evidence, nest)
    air = evidence.futures["air_temperature"].sel(time=inside.time)
    swing = (inside.resample(time="1D").max() - inside.resample(time="1D").min()).mean()
    air_swing = (air.resample(time="1D").max() - air.resample(time="1D").min()).mean()
    return [
        "4  Nest temperature, from onset to the end of the season",
        f"   mean {float(inside.mean()):.1f} °C (air {float(air.mean()):.1f}), "
        f"daily swing {float(swing):.1f} K (air {float(air_swing):.1f})",
        *_column(nest, assessment),
    ]


def _column(nest: xr.DataArray, assessment: Assessment) -> list[str]:
    """What the nest was computed with, and how far it may miss."""
    used = nest.attrs
    soil = ""
    if "soil_measured_until" in used:
        soil = f"; measured to {used['soil_measured_until'][:10]}, then as in past winters"
    logger = [note for note in assessment.weather.notes if note.code.startswith("logger_")]
    return [
        f"   {used['nest_depth_cm']:g} cm down in {used['litter_depth_cm']:.3g} cm of litter with "
        f"{used['litter_water_content']:.0%} water; canopy {used['canopy']}; snow: {used['snow']}",
        f"   below: {used['lower_boundary']}, mean {used['deep_temperature_degc']:.1f} °C{soil}",
        *(f"   {sentence}" for sentence in note_sentences(logger)),
        f"   a day's mean may miss by {used['model_error_k']:g} °C either way, without snow; the "
        "spread below",
        "   leaves that out",
    ]


def _torpor(
    animal: AnimalOutlook, evidence: Evidence, nest: xr.DataArray, sp: Species
) -> list[str]:
    mean = float(_from_onset(animal, evidence, nest).mean())
    hazard = float(sp.torpor.arousal_multiplier * arousal_hazard(mean, sp))
    grams = float(grams_per_ml_oxygen(sp))
    torpid = float(torpid_rate(mean, sp))
    cost, length = float(arousal_cost(mean, sp)), float(arousal_length(mean, sp))
    asleep, bout_days = 1 / (1 + hazard * length), 1 / hazard / _HOURS_PER_DAY
    per_day = {
        "torpor": grams * torpid * asleep * _HOURS_PER_DAY,
        "waking": grams * cost * hazard * asleep * _HOURS_PER_DAY,
    }
    total = sum(per_day.values())
    scale = float(sp.reserve.scale_mass)
    return [
        f"5  Torpor and arousal, central values at that mean of {mean:.1f} °C",
        f"   torpid {torpid:.3f} mL O2 per g and hour; wakes every {bout_days:.1f} days "
        "(season factors apart)",
        f"   one waking {cost:.1f} mL O2 per g in {length:.1f} h",
        f"   together {total * scale:.3f} g a day for a body of {scale:g} g: torpor "
        f"{per_day['torpor'] / total:.0%}, waking {per_day['waking'] / total:.0%}",
    ]


def _reserve(animal: AnimalOutlook, evidence: Evidence, sp: Species) -> list[str]:
    drawn = sp.draw(evidence.draws, evidence.seed)
    if animal.key == REFERENCE or evidence.autumn is None:
        mass: npt.NDArray[np.float64] = np.full((1, evidence.draws), animal.body_mass_g)
    else:
        mass = evidence.autumn["body_mass_g"].sel(animal=animal.key).values
    limit = empty_mass(mass, drawn)
    course = evidence.winter["none"].sel(animal=animal.key)
    return [
        "6  Reserve",
        f"   mass at which it is gone {_spread(limit)} g; reserve at onset "
        f"{_spread(np.maximum(mass - limit, 0))} g",
        f"   wakings until then, or to the end of the season: {_spread(course['arousals'].values)}",
    ]


def _food(evidence: Evidence, sp: Species) -> list[str]:
    def dates(values: xr.DataArray) -> str:
        stamps = np.sort(values.values.ravel())
        shown = []
        for probability in (0.5, 0.1, 0.9):
            moment = stamps[int(probability * (stamps.size - 1))]
            known = not np.isnat(moment)
            shown.append(str(local_date(moment, evidence.timezone)) if known else "not by the end")
        return f"{shown[0]} ({shown[1]} to {shown[2]})"

    lines = ["7  Food in spring"]
    for name, words in (("first_food", "first food"), ("food", "enough food")):
        lines.append(f"   {words} {dates(evidence.food[f'{name}_date'])}")
        lines.append(f"      from {evidence.food.attrs[f'{name}_from']}")
        lines += first_food_floor(evidence, sp) if name == "first_food" else []
    if evidence.food.attrs["not_modelled"]:
        lines.append(f"   without numbers or own dates: {evidence.food.attrs['not_modelled']}")
    if evidence.food.attrs["own_dates_unused"]:
        lines.append(f"   own dates not used: {evidence.food.attrs['own_dates_unused']}")
    return [*lines, f"   emergence {dates(evidence.emergence)}", *after_emergence(evidence, sp)]


def _result(animal: AnimalOutlook, assessment: Assessment) -> list[str]:
    lines = [
        "8  Result (median, 10 % and 90 % of futures)",
        "   minus: days in hand, the reserve ended before issue; days to spare, before enough food",
    ]
    cases: dict[Feeding, str] = {"none": "no food found", "found": "food found"}
    for feeding, words in cases.items():
        in_hand, spare = animal.days_in_hand[feeding], animal.days_to_spare[feeding]
        lines.append(
            f"   {words}: days in hand {told(in_hand, unit=False)}, "
            f"days to spare {told(spare, unit=False)}"
        )
    lines.append(f"   against this site's normal winter {told(animal.days_vs_normal)}")
    if animal.key != REFERENCE:
        lines.append(f"   against the reference animal {told(animal.days_vs_reference)}")
    gate = assessment.gate
    share = "unknown" if gate.share is None else f"{gate.share:.0%}"
    lines.append(
        f"   shares of futures are {'shown' if gate.passed else 'not shown'}: {share} of well-fed "
        f"adults reach the food date in past years, {gate.needed:.0%} needed"
    )
    return lines


def _parameters(sp: Species) -> list[str]:
    lines = ["Parameters: value (10 % to 90 %), unit, status, source", *_how_known(sp)]
    for step, sections in _STEPS.items():
        lines.append(f"  {step}")
        lines.extend(
            f"    {name} = {_shown(parameter)} {parameter.unit} | {parameter.status} | "
            f"{parameter.source}: {parameter.where}"
            for name, parameter in sp.parameters.items()
            if name.partition(".")[0] in sections and parameter.use == "model"
        )
    return lines


def _how_known(sp: Species) -> list[str]:
    """How many of the numbers are of each status, and how many are another species'."""
    used = {name: one for name, one in sp.parameters.items() if one.use == "model"}
    counts = Counter(one.status for one in used.values())
    each = ", ".join(f"{n} {status}" for status, n in counts.most_common())
    lines = [f"  {len(used)} numbers of the {sp.vernacular_name}: {each}"]
    if sp.borrowed:
        lines.append(
            f"  {len(sp.borrowed & used.keys())} of them are taken or scaled from the "
            f"{sp.borrowed_from}"
        )
    return lines


def _shown(parameter: Parameter) -> str:
    if isinstance(parameter.value, list):
        return str(parameter.value)
    if parameter.low is None:
        return f"{parameter.value:g}"
    return f"{parameter.value:g} ({parameter.low:g} to {parameter.high:g})"


def _sources(sp: Species) -> list[str]:
    used = {parameter.source for parameter in sp.parameters.values()}
    return [
        "Sources",
        *(
            f"  {key}: {source.cite} [read: {source.read}]"
            for key, source in sources().items()
            if key in used
        ),
    ]


def _spread(values: npt.ArrayLike | Iterable[float] | Sequence[float]) -> str:
    low, middle, high = np.quantile(np.asarray(values, dtype=float), [0.1, 0.5, 0.9])
    return f"{middle:.3g} ({low:.3g} to {high:.3g})"
