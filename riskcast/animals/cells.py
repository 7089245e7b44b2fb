"""What a single cell says: weights, words, boxes, marks."""

from __future__ import annotations

import re
from collections.abc import Mapping

from riskcast.animals.problem import Problem
from riskcast.animals.table import Cell, shown

__all__ = [
    "UNITS",
    "WORDS",
    "bag_in_remarks",
    "read_mass",
    "read_name",
    "read_text",
    "read_word",
    "says_without_bag",
    "weight_problem",
]

UNITS: Mapping[str, float] = {"g": 1.0, "kg": 1000.0, "mg": 0.001}
"""Unit of the sheet -> grams."""

# What people write in a cell that holds nothing.
_NOTHING = frozenset({"", "-", "–", "—", ".", "na", "n/a", "nan", "null", "none", "nil"})

_UNKNOWN = {"": "unknown", "unknown": "unknown", "u": "unknown", "?": "unknown", "unk": "unknown"}

WORDS: Mapping[str, Mapping[str, str]] = {
    "sex": {
        "female": "female",
        "f": "female",
        "♀": "female",
        "male": "male",
        "m": "male",
        "♂": "male",
        **_UNKNOWN,
    },
    "life_stage": {
        "adult": "adult",
        "ad": "adult",
        "a": "adult",
        "juvenile": "juvenile",
        "juv": "juvenile",
        "j": "juvenile",
        "young": "juvenile",
        "young of year": "juvenile",
        "young of the year": "juvenile",
        "nestling": "nestling",
        "baby": "nestling",
        **_UNKNOWN,
    },
    "activity": {
        "active": "active",
        "awake": "active",
        "torpid": "torpid",
        "torpor": "torpid",
        "in torpor": "torpid",
        **_UNKNOWN,
    },
}
"""Column -> accepted word -> our word. Others are faults: no word is guessed at."""

_EXPECTED = {
    "sex": "female, male or unknown",
    "life_stage": "adult, juvenile, nestling or unknown",
    "activity": "active (awake), torpid or unknown",
}

_NUMBER = re.compile(r"[+-]?\d+(?:[.,]\d+)?")
_WITH_UNIT = re.compile(r"(.*\d)\s*(?:g|gr|gram|grams)\.?", re.IGNORECASE)
_BOX_WORD = re.compile(
    r"^(?:nest[\s-]*)?box(?:\s+|(?=[\d#]))(?:(?:no|nr|number)\b\.?\s*)?#?\s*(?=\S)",
    re.IGNORECASE,
)
_BAG = re.compile(r"\bbag\b", re.IGNORECASE)
_NO_BAG = re.compile(
    r"\b(no|not|without|excl\w*|less|minus|after|w/o)\b[^.;]*\bbag\b"
    r"|\bbag\b[^.;]*\b(subtracted|deducted|removed|taken off|off|tared|excl\w*)\b",
    re.IGNORECASE,
)

# A cloth or plastic bag weighs a few grams to this much (common practice, no source).
_HEAVIEST_BAG_G = 25.0


def read_text(cell: Cell) -> str:
    """The text of a cell, empty for what people write to mean nothing."""
    text = shown(cell)
    return "" if text.casefold() in _NOTHING else text


def read_name(cell: Cell, *, box: bool = False) -> str:
    """A box or a mark: "Box 14", "14", "014" and 14.0 are the same box."""
    text = read_text(cell)
    if not box:
        return text
    text = _BOX_WORD.sub("", text) or text
    number = re.fullmatch(r"0*(\d+)(?:\.0+)?", text)
    return number.group(1) if number else text


def read_word(cell: Cell, column: str) -> str | Problem:
    """One of the words of `WORDS`; an empty cell is "unknown"."""
    word = WORDS[column].get(read_text(cell).casefold().rstrip("."))
    if word is not None:
        return word
    return Problem(f"word_{column}", f"expected {_EXPECTED[column]}.")


def read_mass(cell: Cell) -> float | Problem | None:
    """The number in a weight cell in the unit of the sheet, None when it is empty.

    A decimal comma is taken for what it is: a weight has no thousands.
    """
    if isinstance(cell, int | float) and not isinstance(cell, bool):
        number = float(cell)
    else:
        text = read_text(cell)
        if not text:
            return None
        if text.startswith("="):
            return Problem(
                "mass_formula",
                "a formula without a stored result.",
                "Open the workbook in a spreadsheet program and save it once.",
            )
        bare = _WITH_UNIT.fullmatch(text)
        text = bare.group(1).strip() if bare else text
        if not _NUMBER.fullmatch(text):
            return Problem(
                "mass_not_a_number",
                "not a number.",
                "Give the weight alone, such as 17.5; put anything else into the remarks.",
            )
        number = float(text.replace(",", "."))
    if number > 0:
        return number
    return Problem(
        "mass_zero",
        "a weight is above zero.",
        "Not weighed, or the box was empty: leave the cell empty.",
    )


def weight_problem(
    mass_g: float,
    stage: str,
    bounds: Mapping[str, tuple[float, float]],
    *,
    bag_included: bool = False,
) -> Problem | None:
    """Why a weight cannot be that of an animal of this age, and what may have happened.

    Parameters
    ----------
    mass_g : weight, g
    stage : adult, juvenile, nestling or unknown (which may be any of them)
    bounds : life stage -> lightest and heaviest plausible weight, g
    bag_included : the weight of a bag has already been taken off
    """
    low, high = _range(stage, bounds)
    if low <= mass_g <= high:
        return None
    near = high < mass_g <= high + _HEAVIEST_BAG_G and not bag_included
    twice = mass_g < low and bag_included
    questions = [
        *_slips(mass_g, low, high),
        *(
            _a(name)
            for name, (lightest, heaviest) in bounds.items()
            if name != stage != "unknown" and lightest <= mass_g <= heaviest
        ),
        *(["was the bag left in"] if near else []),
        *(["had the bag been taken off before"] if twice else []),
    ]
    asked = ", or ".join(questions)
    asked = f"{asked[:1].upper()}{asked[1:]}? " if asked else ""
    return Problem(
        kind="mass_low" if mass_g < low else "mass_bag" if near else "mass_high",
        text=f"{_a(stage)} weighs {low:g} to {high:g} g.",
        remedy=f"{asked}{_way_out(asked)}",
    )


def _a(stage: str) -> str:
    return {"adult": "an adult", "unknown": "an animal"}.get(stage, f"a {stage}")


def _range(stage: str, bounds: Mapping[str, tuple[float, float]]) -> tuple[float, float]:
    if stage in bounds:
        return bounds[stage]
    return min(low for low, _ in bounds.values()), max(high for _, high in bounds.values())


def _slips(mass_g: float, low: float, high: float) -> list[str]:
    """What a lost or shifted decimal point or another unit would make of the number."""

    def meant(factor: float) -> str:
        value = round(mass_g * factor, 3)
        return f"{value:g}" if low <= value <= high else ""

    if mass_g > high:
        tries = ((0.1, "{}"), (0.01, "{}"), (0.001, "milligrams ({} g)"))
    else:
        tries = (
            (1000.0, "kilograms ({} g)"),
            (100.0, "kilograms or hundredths ({} g)"),
            (10.0, "{}"),
        )
    return [form.format(meant(factor)) for factor, form in tries if meant(factor)][:1]


def _way_out(asked: str) -> str:
    if asked.startswith("Kilograms ("):
        return 'Correct the sheet, or set weights.unit = "kg".'
    if asked.startswith("Milligrams"):
        return 'Correct the sheet, or set weights.unit = "mg".'
    if asked.startswith("Kilograms") or asked[:1].isdigit():
        return "Correct the sheet, or set weights.unit."
    return "Correct the sheet."


def says_without_bag(remarks: str) -> bool:
    """Whether a note says that the bag is not in the weight."""
    return bool(_NO_BAG.search(remarks))


def bag_in_remarks(remarks: str, *, bag_included: bool) -> Problem | None:
    """A note that contradicts what the site file says about the bag."""
    if not _BAG.search(remarks):
        return None
    without = says_without_bag(remarks)
    if without and bag_included:
        return Problem(
            "bag_note",
            "the note says the bag is not in the weight, the site file that it is.",
            "Add the bag, or correct the note or weights.bag_included.",
        )
    if not without and not bag_included:
        return Problem(
            "bag_note",
            "the note says the bag is in the weight.",
            "Take the weight of the bag off and the note out.",
        )
    return None
