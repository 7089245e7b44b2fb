"""What one species borrows from another, and how that is told.

Few species are known in every number. A file may name a parent in a table ``[inherits]`` and
hold only what is its own. Whatever it does not state is taken from the parent, and says so:

- a number of the animal becomes a ``surrogate``, its note names the parent and the status it had
  there, and its range is widened, because what is known of one species is known less of another;
- a number that says nothing of the animal (physics, plants, rules of visits) stays as it is;
- a number that scales with the body is never borrowed: masses, and whatever is stated per gram.

A file may also state a surrogate of its own, such as the parent's value scaled to its own mass.
"""

from __future__ import annotations

import difflib
import math
from collections.abc import Mapping

import pydantic

from riskcast.base.errors import Fault
from riskcast.species.parameter import Parameter

__all__ = ["Inheritance", "inherit"]

# Units with one of these words in them scale with the body.
_BODY_MASS = {"g", "g-1"}
_DIGITS = 6  # of a widened range


class Inheritance(pydantic.BaseModel):
    """The table ``[inherits]`` of a species file.

    parent : name of a species that ships with riskcast, or a path beside the file (key ``from``)
    widening : 1 or more; `low` and `high` of a borrowed number lie that many times as far from
        its value (on a log scale where it is lognormal), within its hard ends
    not_of_the_animal : sections and parameters that are the same for every species
    note : why this parent and this widening
    """

    model_config = pydantic.ConfigDict(frozen=True, extra="forbid")

    parent: str = pydantic.Field(alias="from")
    widening: float = pydantic.Field(ge=1.0, allow_inf_nan=False)
    not_of_the_animal: tuple[str, ...] = ()
    note: str


def inherit(
    own: Mapping[str, Parameter],
    parent: Mapping[str, Parameter],
    parent_name: str,
    borrowed_by_parent: frozenset[str],
    how: Inheritance,
    file: str,
) -> tuple[dict[str, Parameter], frozenset[str], list[Fault]]:
    """Own numbers where there are any, else the parent's, in the parent's order.

    Parameters
    ----------
    own, parent : name ("torpor.q10") -> parameter
    parent_name : vernacular name, for the notes
    borrowed_by_parent : names the parent has borrowed itself; their notes name who measured them
    how : the table ``[inherits]``
    file : name of the file, for faults

    Returns
    -------
    All parameters; the names of those that stand in from another species, borrowed or stated
    as a surrogate by the file itself; faults, if any
    """
    faults = [*_unknown(own, parent, how, file), *_unlike(own, parent, file)]
    merged: dict[str, Parameter] = {}
    borrowed = set()
    for name, theirs in parent.items():
        if name in own:
            merged[name] = own[name]
            if own[name].status == "surrogate":
                borrowed.add(name)
        elif not {name, name.partition(".")[0]}.isdisjoint(how.not_of_the_animal):
            merged[name] = theirs
        elif _BODY_MASS & set(theirs.unit.split()):
            faults.append(
                Fault(
                    file,
                    f"[{name}]",
                    f"is missing: {theirs.unit} scales with the body and is never borrowed.",
                    remedy="State the species' own value.",
                )
            )
        else:
            merged[name] = _surrogate(theirs, parent_name, how, told=name in borrowed_by_parent)
            borrowed.add(name)
    return merged, frozenset(borrowed), faults


def _surrogate(theirs: Parameter, parent_name: str, how: Inheritance, *, told: bool) -> Parameter:
    note = theirs.note if told else f"{parent_name} ({theirs.status} there). {theirs.note}".strip()
    changes = {"status": "surrogate", "note": note, **_widened(theirs, how.widening)}
    return theirs.model_copy(update=changes)


def _widened(theirs: Parameter, factor: float) -> dict[str, float]:
    value, low, high = theirs.value, theirs.low, theirs.high
    if isinstance(value, list) or low is None or high is None:
        return {}
    if theirs.distribution == "lognormal":
        ends = (value * (low / value) ** factor, value * (high / value) ** factor)
    else:
        ends = (value - (value - low) * factor, value + (high - value) * factor)
    least = -math.inf if theirs.min is None else theirs.min
    most = math.inf if theirs.max is None else theirs.max
    # A range that reached its hard ends before keeps what it had beyond them.
    return {
        "low": min(low, max(float(f"{ends[0]:.{_DIGITS}g}"), least)),
        "high": max(high, min(float(f"{ends[1]:.{_DIGITS}g}"), most)),
    }


def _unknown(
    own: Mapping[str, Parameter], parent: Mapping[str, Parameter], how: Inheritance, file: str
) -> list[Fault]:
    sections = {name.partition(".")[0] for name in parent}
    asked = {f"[{name}]": name for name in own if name not in parent}
    asked |= {
        f"[inherits] not_of_the_animal, {name}": name
        for name in how.not_of_the_animal
        if name not in parent and name not in sections
    }
    faults = []
    for where, name in asked.items():
        near = difflib.get_close_matches(name, [*parent, *sections], n=1)
        remedy = f"Did you mean {near[0]!r}?" if near else "Leave it out."
        faults.append(Fault(file, where, "the parent has none of that name.", remedy=remedy))
    return faults


def _unlike(
    own: Mapping[str, Parameter], parent: Mapping[str, Parameter], file: str
) -> list[Fault]:
    """The code reads one unit, one shape and one use whatever the species."""
    faults = []
    for name in own.keys() & parent.keys():
        mine, theirs = own[name], parent[name]
        if mine.unit != theirs.unit:
            faults.append(
                Fault(
                    file,
                    f"[{name}] unit",
                    f"has to be {theirs.unit!r}, as for the parent.",
                    mine.unit,
                    "Convert the value.",
                )
            )
        if isinstance(mine.value, list) != isinstance(theirs.value, list):
            faults.append(
                Fault(file, f"[{name}] value", "is not of the parent's shape.", str(mine.value))
            )
        if mine.use != theirs.use:
            faults.append(Fault(file, f"[{name}] use", f"has to be {theirs.use!r}.", mine.use))
    return faults
