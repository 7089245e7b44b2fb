"""The part of `riskcast explain` that says what moves a number most."""

from __future__ import annotations

from riskcast.advice.words import date, span
from riskcast.risk.sensitivity import CostlyDay, Moves, Parts, runs_of_days
from riskcast.species import Species

__all__ = ["moves_block"]

_MOST_PARAMETERS = 4


def moves_block(moves: Moves, sp: Species) -> list[str]:
    """Lines for a terminal, at most twelve: the spread in parts, parameters, days of weather.

    Parameters
    ----------
    moves : from the pipeline
    sp : Species, central values: for what its parameters are and how well they are known
    """
    return [
        f"9  What moves this number most: days in hand of {_named(moves.animal)}, no food found",
        *_numbers(moves, sp),
        *_days(moves.days),
    ]


def _named(label: str) -> str:
    return "the reference animal" if label == "reference" else label


def _numbers(moves: Moves, sp: Species) -> list[str]:
    sensitivity = moves.days_in_hand
    if sensitivity.parts is None:
        return ["   all futures agree: nothing moves it"]
    told = list(sensitivity.told.items())[:_MOST_PARAMETERS]
    count, chance = len(sensitivity.shares), f"{sensitivity.chance:.0%}"
    head = (
        f"   most, each alone, of {count} parameters (up to {chance} is not told from chance):"
        if told
        else f"   none of {count} parameters alone is told from chance (up to {chance})"
    )
    lines = [f"   futures differ by {_parts(sensitivity.parts)}", head]
    for name, share in told:
        known = sp.parameters[name]
        unit = "" if known.unit == "1" else f" {known.unit}"
        lines.append(
            f"     {share:.0%}  {name}, {known.low:.2g} to {known.high:.2g}{unit} | "
            f"{known.status}: {known.where}"
        )
    normal = moves.days_vs_normal
    if normal is not None and normal.parts is not None:
        lines.append(f"   against this site's normal winter, by {_parts(normal.parts)}")
        lines += [
            f"     {share:.0%}  {name}, the most of one alone | {sp.parameters[name].status}"
            for name, share in list(normal.told.items())[:1]
        ]
    return lines


def _parts(parts: Parts) -> str:
    return (
        f"{parts.sd:.2g} days (SD): parameters {parts.parameters:.0%}, weather "
        f"{parts.weather:.0%}, both together {parts.both:.0%}, luck of one animal {parts.luck:.0%}"
    )


def _days(days: tuple[CostlyDay, ...] | None) -> list[str]:
    if days is None:
        return ["   days of weather: not known, too few past years to compare with"]
    if not days:
        return ["   days of weather: none ahead is told apart from the same dates in past years"]
    warmer = [day.per_degree for day in days]
    low, high = f"{min(warmer):+.2f}", f"{max(warmer):+.2f}"
    return [
        "   days ahead that differ most from the same dates in past years, in days of reserve",
        "   (reference animal, central values): "
        + "; ".join(_run(run) for run in runs_of_days(days)),
        f"   +1 °C in the nest on one such day: {low if low == high else f'{low} to {high}'}"
        " days of reserve",
    ]


def _run(run: list[CostlyDay]) -> str:
    first, last = (str(run[n].day) for n in (0, -1))
    when = date(first) if first == last else span(first, last)
    return f"{when} {sum(day.extra for day in run):+.1f}"
