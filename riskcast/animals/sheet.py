"""The blank weights sheet that `riskcast new` writes: our own headings, our own order.

`HEADINGS` is the one place where a plain heading meets the name used inside riskcast; the
reader accepts both, so a filled sheet needs no column map.
"""

from __future__ import annotations

import io
from pathlib import Path
from typing import Any

from riskcast.base.files import write_whole

__all__ = ["GUIDE_TITLE", "HEADINGS", "ROWS_TITLE", "blank_workbook", "write_blank_sheet"]

HEADINGS: dict[str, str] = {
    "event_date": "Date",
    "box": "Box",
    "body_mass_g": "Weight in g",
    "life_stage": "Age",
    "sex": "Sex",
    "activity": "Awake or torpid",
    "reproductive_condition": "Breeding signs",
    "organism_id": "Mark (if any)",
    "remarks": "Notes",
}
"""Name inside riskcast -> heading of the blank sheet, in the order of its columns."""

ROWS_TITLE = "Weights"
GUIDE_TITLE = "How to fill this in"

# Rules and drop-downs reach this far down: more checks than one wood fills in many years.
_LAST_ROW = 5000

_WIDTHS = {
    "event_date": 13,
    "box": 9,
    "body_mass_g": 13,
    "life_stage": 12,
    "sex": 11,
    "activity": 17,
    "reproductive_condition": 17,
    "organism_id": 15,
    "remarks": 44,
}

# Words offered, whether another word may be typed, and the hint shown beside the cell.
_CHOICES: dict[str, tuple[tuple[str, ...], bool, str]] = {
    "life_stage": (
        ("adult", "juvenile", "nestling", "unknown"),
        False,
        "Juvenile: born this year and out of the nest. Nestling: still cared for in the nest.",
    ),
    "sex": (("female", "male", "unknown"), False, "Leave it at unknown if you are not sure."),
    "activity": (
        ("awake", "torpid", "unknown"),
        False,
        "As found, before it warmed up in the hand.",
    ),
    "reproductive_condition": (
        ("pregnant", "lactating", "breeding male", "none seen"),
        True,
        "Choose one, or use your own words.",
    ),
}

_GUIDE: tuple[tuple[str, str], ...] = (
    ("heading", "How to fill in the sheet “Weights”"),
    ("", "One row for each animal you weighed."),
    ("", "A box you opened and found empty: give its date and box, and leave the rest blank. "
         "Then nobody goes on worrying about animals that have left."),
    ("", "Keep the headings as they are. Add rows below; never merge cells."),
    ("heading", "The columns"),
    ("Date", "The day of the check, as a true date. In a text file write 2025-10-18."),
    ("Box", "Its number or name, always spelled the same."),
    ("Weight in g", "The animal alone, in grams, such as 17.5. Take off the weight of the bag. "
                    "Not weighed: leave the cell empty, never 0."),
    ("Age", "adult, juvenile (born this year, out of the nest), nestling, or unknown."),
    ("Sex", "female, male, or unknown."),
    ("Awake or torpid", "As you found it."),
    ("Breeding signs", "Such as pregnant or lactating."),
    ("Mark (if any)", "The chip or mark of an animal that can be told from others. "
                      "Most animals have none: leave the cell empty."),
    ("Notes", "Anything else. A note that the bag is included keeps the row from being used."),
    ("heading", "An example (invented)"),
    ("", "2025-10-18 | 14 | 11.5 | juvenile | female | awake | (blank) | (blank) | one of three"),
    ("", "2025-10-18 | 15 | (the rest blank: the box was empty)"),
    ("heading", "Before you open a box"),
    ("", "In most countries it takes a licence to open boxes in use, or to disturb, handle or "
         "keep these animals. The law and the licence where you are come first; "
         "nothing in this sheet or in any alert gives permission."),
    ("", "Leave hibernating animals alone. Never search for nests on the ground. "
         "No box checks in the coldest months, in heavy rain or in strong wind."),
    ("", "Be brief. A torpid animal starts to wake after a couple of minutes in the hand, and "
         "each waking costs it fat."),
    ("", "A sick, hurt or underweight animal: speak to a vet or an experienced, licensed "
         "rehabilitator before you move it."),
    ("", "This sheet tells where protected animals live. Do not pass it on."),
)  # fmt: skip


def blank_workbook() -> Any:
    """The sheet as an openpyxl Workbook: ``Weights`` with its headings, and the guide.

    Rows can be appended to ``workbook["Weights"]`` in the order of `HEADINGS`.
    """
    from openpyxl import Workbook
    from openpyxl.styles import Alignment, Border, Font, PatternFill, Side
    from openpyxl.utils import get_column_letter

    workbook = Workbook()
    sheet = workbook.active
    sheet.title = ROWS_TITLE
    sheet.append(list(HEADINGS.values()))
    for number, name in enumerate(HEADINGS, start=1):
        letter = get_column_letter(number)
        sheet.column_dimensions[letter].width = _WIDTHS[name]
        head = sheet.cell(row=1, column=number)
        head.font = Font(bold=True)
        head.fill = PatternFill("solid", fgColor="E8E4DA")
        head.border = Border(bottom=Side(style="medium"))
        head.alignment = Alignment(wrap_text=True, vertical="center")
        _add_rule(sheet, name, f"{letter}2:{letter}{_LAST_ROW}")
    # The format belongs to the column, so that a new row shows it without being prepared.
    order = list(HEADINGS)
    for name, shown in (("event_date", "yyyy-mm-dd"), ("body_mass_g", "0.0"), ("box", "@")):
        column = sheet.column_dimensions[get_column_letter(order.index(name) + 1)]
        column.number_format = shown
    sheet.freeze_panes = "A2"
    sheet.print_title_rows = "1:1"
    sheet.page_setup.orientation = "landscape"
    sheet.page_setup.fitToWidth = 1
    sheet.page_setup.fitToHeight = 0
    sheet.sheet_properties.pageSetUpPr.fitToPage = True
    _write_guide(workbook.create_sheet(GUIDE_TITLE))
    return workbook


def _add_rule(sheet: Any, name: str, cells: str) -> None:
    from openpyxl.worksheet.datavalidation import DataValidation

    strict = True
    if name == "event_date":
        rule = DataValidation(type="date", operator="greaterThan", formula1="DATE(1950,1,1)")
        rule.error = "Give the day of the check as a date."
        rule.prompt = "The day of the check."
    elif name == "body_mass_g":
        rule = DataValidation(type="decimal", operator="greaterThan", formula1="0")
        rule.error = "Give the weight in grams, such as 17.5. Not weighed: leave it empty."
        rule.prompt = "Grams, without the bag. Not weighed: leave it empty."
    elif name in _CHOICES:
        words, open_ended, hint = _CHOICES[name]
        rule = DataValidation(type="list", formula1='"' + ",".join(words) + '"')
        rule.error = "Choose one of: " + ", ".join(words) + "."
        rule.prompt = hint
        strict = not open_ended
    else:
        return
    rule.showErrorMessage = strict
    rule.allow_blank = True
    rule.showInputMessage = True
    rule.errorTitle = rule.promptTitle = HEADINGS[name]
    rule.add(cells)
    sheet.add_data_validation(rule)


def _write_guide(sheet: Any) -> None:
    from openpyxl.styles import Alignment, Font

    sheet.column_dimensions["A"].width = 20
    sheet.column_dimensions["B"].width = 96
    for number, (left, text) in enumerate(_GUIDE, start=1):
        if left == "heading":
            sheet.cell(row=number, column=1, value=text).font = Font(bold=True, size=12)
            continue
        sheet.cell(row=number, column=1, value=left or None).font = Font(bold=True)
        cell = sheet.cell(row=number, column=2, value=text)
        cell.alignment = Alignment(wrap_text=True, vertical="top")
    sheet.page_setup.fitToWidth = 1
    sheet.page_setup.fitToHeight = 0
    sheet.sheet_properties.pageSetUpPr.fitToPage = True


def write_blank_sheet(path: Path) -> Path:
    """Write the blank XLSX sheet, whole or not at all.

    Parameters
    ----------
    path : where to write it; its folder is made when it is missing. A file already there is
        replaced: ask before calling.

    Returns
    -------
    The path.

    Raises
    ------
    OSError
        The place may not be written, or the disk is full.
    """
    held = io.BytesIO()
    blank_workbook().save(held)
    return write_whole(path, held.getvalue())
