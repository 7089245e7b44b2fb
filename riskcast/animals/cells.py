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
_BOX_WORD = re.compile(r"^(?:nest\s*)?box\s*(?:no\.?|nr\.?|number)?\s*(?=\S)", re.IGNORECASE)
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
    who = "an animal" if stage == "unknown" else f"an {stage}" if stage == "adult" else f"a {stage}"
    text = f"{who} weighs {low:g} to {high:g} g."
    question = _question(mass_g, low, high, bag_included=bag_included)
    kind = "mass_low" if mass_g < low else "mass_bag" if "bag" in question else "mass_high"
    fits = [
        name
        for name, (lightest, heaviest) in bounds.items()
        if name != stage and lightest <= mass_g <= heaviest
    ]
    if not question and fits:
        question = f"{fits[0].capitalize()}?"
    return Problem(
        kind, text, f"{question or 'Check weight and age.'} {_way_out(question)}".strip()
    )


def _range(stage: str, bounds: Mapping[str, tuple[float, float]]) -> tuple[float, float]:
    if stage in bounds:
        return bounds[stage]
    return min(low for low, _ in bounds.values()), max(high for _, high in bounds.values())


def _question(mass_g: float, low: float, high: float, *, bag_included: bool) -> str:
    def meant(factor: float) -> str:
        value = round(mass_g * factor, 3)
        return f"{value:g}" if low <= value <= high else ""

    if mass_g > high:
        for factor in (0.1, 0.01):
            if meant(factor):
                return f"{meant(factor)}?"
        if meant(0.001):
            return f"Milligrams ({meant(0.001)} g)?"
        near = mass_g <= high + _HEAVIEST_BAG_G and not bag_included
        return "Was the bag left in?" if near else ""
    if meant(1000.0):
        return f"Kilograms ({meant(1000.0)} g)?"
    if meant(100.0):
        return f"Kilograms, or hundredths ({meant(100.0)} g)?"
    if bag_included:
        return "Had the bag been taken off before?"
    return f"{meant(10.0)}?" if meant(10.0) else ""


def _way_out(question: str) -> str:
    if question.startswith("Kilograms ("):
        return 'Correct the sheet, or set weights.unit = "kg".'
    if question.startswith("Milligrams"):
        return 'Correct the sheet, or set weights.unit = "mg".'
    if ("?" in question and question[0].isdigit()) or question.startswith("Kilograms"):
        return "Correct the sheet, or set weights.unit."
    if "bag" in question:
        return "Correct the sheet, or see weights.bag_included."
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
