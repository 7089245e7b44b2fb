"""The blank sheet: what a spreadsheet program will find in it."""

from __future__ import annotations

import openpyxl
import pytest

from riskcast.animals.sheet import GUIDE_TITLE, HEADINGS, ROWS_TITLE, write_blank_sheet


@pytest.fixture
def workbook(tmp_path):
    return openpyxl.load_workbook(write_blank_sheet(tmp_path / "new" / "weights.xlsx"))


def test_headings_stand_in_order_and_stay_in_view(workbook):
    sheet = workbook[ROWS_TITLE]
    assert [cell.value for cell in sheet[1]] == list(HEADINGS.values())
    assert sheet.freeze_panes == "A2"
    assert sheet.max_row == 1, "a blank sheet holds no data, not even an example"
    assert workbook.sheetnames == [ROWS_TITLE, GUIDE_TITLE]


def test_columns_are_formatted_and_guarded(workbook):
    sheet = workbook[ROWS_TITLE]
    letters = dict(zip(HEADINGS, "ABCDEFGHI", strict=True))
    assert sheet.column_dimensions[letters["event_date"]].number_format == "yyyy-mm-dd"
    assert sheet.column_dimensions[letters["body_mass_g"]].number_format == "0.0"
    rules = {str(r.sqref)[0]: r for r in sheet.data_validations.dataValidation}
    assert rules[letters["event_date"]].type == "date"
    assert rules[letters["body_mass_g"]].type == "decimal"
    for name in ("life_stage", "sex", "activity"):
        assert rules[letters[name]].type == "list"
        assert rules[letters[name]].showErrorMessage
    free = rules[letters["reproductive_condition"]]
    assert free.type == "list"
    assert not free.showErrorMessage, "breeding signs may be said in own words"
    assert all(len(r.formula1) <= 255 for r in rules.values()), "a spreadsheet refuses more"
    assert all(len(r.prompt) <= 255 and len(r.promptTitle) <= 32 for r in rules.values())


def test_guide_shows_the_cautions(workbook):
    text = " ".join(
        str(cell.value) for row in workbook[GUIDE_TITLE].iter_rows() for cell in row if cell.value
    )
    for caution in (
        "licence",
        "Leave hibernating animals alone",
        "vet or an experienced, licensed rehabilitator",
        "Never search for nests on the ground",
        "found empty",
    ):
        assert caution in text
