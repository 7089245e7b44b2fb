"""Weights as they really arrive: every fault told at once, good rows used, nothing lost."""

from __future__ import annotations

import csv
import datetime as dt
import io
import re
import zipfile

import numpy as np
import openpyxl
import pandas as pd
import pytest

from riskcast import animals
from riskcast.base.errors import ConfigError, InputMissingError, NoUsableRecordsError
from riskcast.site import Place, Weights

BOUNDS = {"adult": (10.0, 45.0), "juvenile": (5.0, 30.0), "nestling": (1.0, 12.0)}
PLACE = Place.model_construct(timezone="Europe/London")
HEAD = "event_date,box,organism_id,life_stage,sex,body_mass_g,activity,remarks"


@pytest.fixture
def read(tmp_path):
    """Read text, bytes or a workbook as the sheet of a site."""

    def reader(content, name="weights.csv", *, as_of="2025-10-27T23:59:59", live=True, **config):
        path = tmp_path / name
        if isinstance(content, openpyxl.Workbook):
            content.save(path)
        else:
            path.write_bytes(content.encode() if isinstance(content, str) else content)
        return animals.read(
            Weights.model_construct(files=(path,), **config),
            PLACE,
            as_of=np.datetime64(as_of),
            live=live,
            bounds=BOUNDS,
        )

    return reader


def sheet(*rows, head=HEAD):
    return "\n".join([head, *rows]) + "\n"


def workbook(*rows, title="Sheet"):
    made = openpyxl.Workbook()
    made.active.title = title
    for row in rows:
        made.active.append(list(row))
    return made


GOOD = "2025-10-18,14,,adult,female,19.5,active,"
GOOD_ROWS = tuple(f"2025-10-18,{box},,adult,female,{15 + box / 2},active," for box in range(1, 13))


def faulty(records, row):
    return [f for f in records.faults if f.where.startswith(f"row {row},")]


def the_fault(records):
    (fault,) = records.faults
    return fault


# What programs and countries do to a text file -------------------------------------------


@pytest.mark.parametrize(
    ("content", "said"),
    [
        (b"\xef\xbb\xbf" + sheet(GOOD).encode(), ()),
        (sheet(GOOD).encode("utf-16"), ("utf_16: weights.csv",)),
        (sheet(GOOD).replace(",", ";"), ("delimiter: weights.csv, semicolon",)),
        (sheet(GOOD).replace(",", "\t"), ()),
        (sheet(GOOD).replace("\n", "\r\n"), ()),
        (sheet(GOOD).replace("\n", "\r"), ()),
        ("sep=,\n" + sheet(GOOD), ("header_row: weights.csv, row 2",)),
        ("Weights of our wood\n\n" + sheet(GOOD), ("header_row: weights.csv, row 3",)),
    ],
    ids=["bom", "utf-16", "semicolons", "tabs", "crlf", "cr", "sep line", "title rows"],
)
def test_text_files_of_all_kinds_read_the_same(read, content, said):
    records = read(content)
    assert not records.faults
    (row,) = records.rows.to_dict("records")
    assert row["event_date"] == pd.Timestamp("2025-10-18")
    assert (row["box"], row["sex"], row["body_mass_g"]) == ("14", "female", 19.5)
    assert records.assumptions == said


def test_latin_1_is_read_and_said(read):
    text = sheet(GOOD + "Müller", GOOD.replace("14", "15"))
    records = read(text.encode("latin-1"))
    assert records.rows["remarks"].tolist() == ["Müller", ""]
    assert records.assumptions == ("latin_1: weights.csv, 1 row",)


def test_decimal_commas_are_read_and_said(read):
    rows = ('2025-10-18;14;;adult;female;"19,5";;', "2025-10-18;15;;adult;male;20;;")
    records = read(sheet(*rows, head=HEAD.replace(",", ";")))
    assert records.rows["body_mass_g"].tolist() == [19.5, 20.0]
    assert "decimal_comma: weights.csv, 1 cell" in records.assumptions


@pytest.mark.parametrize(
    "row",
    [
        "2025-10-18,14,,adult,female,19,5,active,",
        "2025-10-18,14,,adult,female,19,5,active,wet",
    ],
)
def test_a_comma_that_parts_its_own_weight(read, row):
    records = read(sheet(row, GOOD.replace("14", "15")))
    assert records.n_used == 1
    fault = the_fault(records)
    assert fault.where == "row 2"
    assert "semicolons" in fault.remedy


def test_half_a_weight_in_the_remarks(read):
    head = "event_date,box,body_mass_g,remarks"
    records = read(sheet("2025-10-18,14,19,5", "2025-10-18,15,19,5 young seen", head=head))
    assert the_fault(records).where == "row 2"
    assert records.rows["remarks"].tolist() == ["5 young seen"]


def test_an_open_quotation_mark_swallows_no_row(read):
    rows = (
        GOOD + '"never closed',
        GOOD.replace("14", "15"),
        GOOD.replace("14", "16") + '"closed\non the next line"',
        GOOD.replace("14", "17"),
    )
    records = read(sheet(*rows))
    assert records.n_rows == 4
    assert "quotation mark" in the_fault(records).problem
    assert records.rows["box"].tolist() == ["15", "16", "17"]
    assert records.rows["remarks"].iloc[1] == "closed on the next line"


# Files that are none ----------------------------------------------------------------------


@pytest.mark.parametrize(
    ("content", "name", "problem"),
    [
        (b"", "weights.csv", "the file is empty"),
        (b"\xef\xbb\xbf \n\n", "weights.csv", "the file is empty"),
        (b"%PDF-1.7\n%\xe2\xe3\n1 0 obj\n", "weights.csv", "this is a PDF, not a table"),
        (b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + bytes(600), "weights.xlsx", "old .xls"),
        (b"PK\x03\x04 broken", "weights.xlsx", "cannot be opened"),
        (b"<!DOCTYPE html><html></html>", "weights.csv", "a web page"),
        (b"event_date\0box", "weights.csv", "some other program"),
    ],
    ids=["empty", "blank lines", "pdf", "xls", "damaged xlsx", "web page", "binary"],
)
def test_files_that_are_no_tables(read, content, name, problem):
    with pytest.raises(NoUsableRecordsError) as caught:
        read(content, name)
    (fault,) = caught.value.faults
    assert fault.source == name
    assert problem in fault.problem
    assert fault.remedy
    assert caught.value.exit_code == 65


def test_another_office_document_is_not_a_workbook(read):
    held = io.BytesIO()
    with zipfile.ZipFile(held, "w") as archive:
        archive.writestr("word/document.xml", "<w/>")
    with pytest.raises(NoUsableRecordsError, match=r"not an \.xlsx workbook"):
        read(held.getvalue(), "weights.xlsx")


def test_a_workbook_under_the_wrong_name_is_read_and_said(read):
    book = workbook(HEAD.split(","), ["2025-10-18", 14, None, "adult", "female", 19.5])
    records = read(book, "weights.csv")
    assert records.n_used == 1
    assert "read_as_xlsx: weights.csv" in records.assumptions


def test_headings_without_rows(read):
    with pytest.raises(NoUsableRecordsError):
        read(sheet())


def test_all_missing_files_are_named(tmp_path):
    here = tmp_path / "here.csv"
    here.write_text(sheet(GOOD))
    config = Weights.model_construct(
        files=(tmp_path / "a.csv", here, tmp_path / "b.xlsx", tmp_path)
    )
    with pytest.raises(InputMissingError) as caught:
        animals.read(config, PLACE, as_of=np.datetime64("2025-10-27"), live=True, bounds=BOUNDS)
    assert [fault.source for fault in caught.value.faults] == [
        str(tmp_path / "a.csv"),
        str(tmp_path / "b.xlsx"),
        str(tmp_path),
    ]


def test_a_faulty_file_does_not_stop_a_good_one(tmp_path):
    for name, content in (("a.csv", b"%PDF-1.4"), ("b.csv", sheet(GOOD).encode())):
        (tmp_path / name).write_bytes(content)
    config = Weights.model_construct(files=(tmp_path / "a.csv", tmp_path / "b.csv"))
    records = animals.read(
        config, PLACE, as_of=np.datetime64("2025-10-27"), live=True, bounds=BOUNDS
    )
    assert records.n_used == 1
    assert the_fault(records).source == "a.csv"
    assert [str(count) for count in records.summary()] == [
        "a.csv: 0 of 0 rows set aside, 0 used",
        "b.csv: 0 of 1 row set aside, 1 used",
    ]


# Headings ---------------------------------------------------------------------------------


def test_missing_columns_are_one_fault_with_headings_found_and_remedy(read):
    with pytest.raises(NoUsableRecordsError) as caught:
        read("Datum;Kasten;Gewicht;Sex\n18.10.2025;14;19,5;f\n")
    (fault,) = caught.value.faults
    for name in ("event_date", "body_mass_g", "box or organism_id"):
        assert name in fault.problem
    assert '"Datum", "Kasten", "Gewicht", "Sex"' in fault.problem
    assert "[weights.columns]" in fault.remedy
    assert '"Datum" = "event_date"' in fault.remedy


@pytest.mark.parametrize("heading", ["Weight (g)", "Weight", "MASS (g)", "mass", "Body weight (g)"])
def test_plain_headings_for_the_weight(read, heading):
    records = read(sheet("2025-10-18,14,19.5", head=f"Date,Box,{heading}"))
    assert not records.faults
    assert records.rows["body_mass_g"].tolist() == [19.5]


def test_plain_headings_that_can_mean_one_thing_only(read):
    head = "Date of check,Nest box,Mark,Stage,Weight,Comments,ID,Animal,State"
    records = read(sheet("2025-10-18,14,A7,adult,19.5,wet,1,dormouse,clean", head=head))
    (row,) = records.rows.to_dict("records")
    assert (row["box"], row["organism_id"], row["life_stage"]) == ("14", "A7", "adult")
    assert row["remarks"] == "wet"


def test_a_heading_with_its_unit_goes_before_one_without(read):
    records = read(sheet("2025-10-18,14,24.5,19.5", head="Date,Box,Weight,Weight (g)"))
    assert records.rows["body_mass_g"].tolist() == [19.5]
    assert records.assumptions == ('column_not_read: weights.csv, "Weight" beside "Weight (g)"',)


def test_the_keepers_own_headings(read):
    records = read(
        "Datum;Kasten Nr;Gewicht;Sex\n18.10.2025;14;19,5;f\n",
        columns={"datum": "event_date", "Kasten_Nr": "box", "Gewicht": "body_mass_g"},
        date_format="DD.MM.YYYY",
    )
    assert not records.faults
    assert records.rows["body_mass_g"].tolist() == [19.5]


def test_a_mapped_heading_that_is_nowhere(read):
    records = read(sheet(GOOD), columns={"Gewicht": "body_mass_g"})
    assert the_fault(records).where == "[weights.columns] Gewicht"
    assert records.n_used == 1


def test_two_columns_for_one_thing(read):
    with pytest.raises(NoUsableRecordsError, match=r"more than one column holds body_mass_g"):
        read(sheet(GOOD + ",20", head=HEAD + ",Body Mass g"))


def test_a_map_to_a_column_unknown_here(read):
    with pytest.raises(ConfigError, match="no column of this name"):
        read(sheet(GOOD), columns={"Gewicht": "weight"})


# Dates ------------------------------------------------------------------------------------


def test_dates_are_held_to_the_declared_format(read):
    with pytest.raises(NoUsableRecordsError) as caught:
        read(sheet("31/10/25,14,,adult,female,19.5,active,"))
    (fault,) = caught.value.faults
    assert str(fault) == (
        'row 2, event_date "31/10/25": this file is declared YYYY-MM-DD. '
        'Set weights.date_format = "DD/MM/YY".'
    )


@pytest.mark.parametrize("declared", ["YYYY-MM-DD", "DD/MM/YYYY", "DD.MM.YYYY"])
def test_dates_in_two_formats_get_one_remedy(read, declared):
    dates = ("10/14/2023", "2023-10-14", "10/15/2023")
    rows = [f"{date},{box},,adult,female,19.5,active," for box, date in enumerate(dates)]
    try:
        faults = read(sheet(*rows), date_format=declared).faults
    except NoUsableRecordsError as error:
        faults = error.faults
    (fault,) = faults
    unread = "rows 2, 4" if declared == "YYYY-MM-DD" else "rows 2, 3, 4"
    assert fault.where == f"{unread}, event_date"
    assert "MM/DD/YYYY in rows 2, 4; YYYY-MM-DD in row 3." in fault.problem
    assert fault.remedy == "Write all of them in one way, and set weights.date_format to that."


def test_both_orders_in_one_file_get_one_remedy(read):
    dates = ("18/10/2025", "10/17/2025")
    rows = [f"{date},{box},,adult,female,19.5,active," for box, date in enumerate(dates)]
    records = read(sheet(*rows), date_format="DD/MM/YYYY")
    fault = the_fault(records)
    assert "DD/MM/YYYY in row 2; MM/DD/YYYY in row 3." in fault.problem
    assert "Write all of them in one way" in fault.remedy


def test_a_date_later_in_one_order_only_is_told_where_the_order_is_in_doubt(read):
    # 11 October or 10 November: with only past dates in month-first order beside it, who knows?
    row = "10/11/2025,15,,adult,female,19.5,active,"
    good = GOOD.replace("2025-10-18", "18/10/2025")
    slip = GOOD.replace("2025-10-18", "10/14/2025").replace("14,,", "16,,")
    records = read(sheet(good, slip, row), live=False, date_format="DD/MM/YYYY")
    assert [fault.where for fault in records.faults] == ["row 3, event_date", "row 4, event_date"]
    assert "after the day asked about. Day and month swapped (2025-10-11)?" in (
        records.faults[1].problem
    )
    # Later either way: not read. In order: not read either, for so it is declared.
    for rows in ((good, slip, row.replace("10/11", "12/11")), (good, row)):
        records = read(sheet(*rows), live=False, date_format="DD/MM/YYYY")
        assert records.n_rows == len(rows) - 1


@pytest.mark.parametrize(
    ("text", "way_out"),
    [
        ("05/10/2025", '"DD/MM/YYYY" or "MM/DD/YYYY", whichever'),
        ("10/18/2025", '= "MM/DD/YYYY"'),
        ("18.10.2025", '= "DD.MM.YYYY"'),
        ("18 Oct 2025", '= "D MMM YYYY"'),
        ("2025-18-10", "Correct the date."),
        ("2025-10-32", "Correct the date."),
        ("0025-10-18", "Correct the year."),
        ("autumn", "Correct the date."),
        ("2025-10-17/2025-10-18", "Correct the date."),
        ("", "Give the day of the check."),
    ],
)
def test_dates_that_are_none_come_with_a_way_out(read, text, way_out):
    with pytest.raises(NoUsableRecordsError) as caught:
        read(sheet(f"{text},15,,adult,female,19.5,active,"))
    (fault,) = caught.value.faults
    assert way_out in fault.remedy


@pytest.mark.parametrize(
    ("declared", "text"),
    [
        ("DD/MM/YYYY", "18/10/2025"),
        ("DD/MM/YY", "18/10/25"),
        ("D MMM YYYY", "18 October 2025"),
        ("YYYYMMDD", "20251018"),
        ("MM-DD-YYYY", "10-18-2025"),
        ("YYYY-MM-DD", "2025-10-18T09:30Z"),
    ],
)
def test_declared_formats(read, declared, text):
    records = read(sheet(GOOD.replace("2025-10-18", text)), date_format=declared)
    assert records.rows["event_date"].tolist() == [pd.Timestamp("2025-10-18")]


def test_a_wrong_declaration_is_one_fault_not_one_a_row(read):
    rows = [row.replace("2025-10-18", "18/10/2025") for row in GOOD_ROWS]
    with pytest.raises(NoUsableRecordsError) as caught:
        read(sheet(*rows))
    (fault,) = caught.value.faults
    assert fault.where == "rows 2 to 13 (12 rows), event_date"
    assert 'Set weights.date_format = "DD/MM/YYYY"' in fault.remedy


def test_day_numbers_of_a_spreadsheet_program(read):
    # 45948 is 18 October 2025 counted from 30 December 1899 (ECMA-376-1, 18.17.4.1).
    number = (dt.date(2025, 10, 18) - dt.date(1899, 12, 30)).days
    assert number == 45948
    in_text = read(sheet(GOOD, GOOD.replace("2025-10-18", str(number))))
    assert "2025-10-18" in the_fault(in_text).problem
    book = workbook(HEAD.split(","), [number, 14, None, "adult", "female", 19.5])
    in_workbook = read(book, "weights.xlsx")
    assert in_workbook.rows["event_date"].tolist() == [pd.Timestamp("2025-10-18")]
    assert in_workbook.assumptions == ("day_number: weights.xlsx, 1 cell",)


def test_a_workbook_that_counts_days_from_1904(read):
    book = workbook(HEAD.split(","), [45948 - 1462, 14, None, "adult", "female", 19.5])
    book.epoch = dt.datetime(1904, 1, 1)
    records = read(book, "weights.xlsx")
    assert records.rows["event_date"].tolist() == [pd.Timestamp("2025-10-18")]


def test_true_dates_need_no_format(read):
    book = workbook(HEAD.split(","), [dt.date(2025, 10, 18), 14, None, "adult", "f", 19.5])
    records = read(book, "weights.xlsx", date_format="MM/DD/YY")
    assert records.rows["event_date"].tolist() == [pd.Timestamp("2025-10-18")]


# Day and month swapped --------------------------------------------------------------------


def rounds(form, *dates, per_round=4):
    rows, box = [], 0
    for date in dates:
        for _ in range(per_round):
            box += 1
            text = dt.date.fromisoformat(date).strftime(form)
            rows.append(f"{text},{box},,adult,female,{18 + box / 10:g},active,")
    return sheet(*rows)


def test_one_row_swapped_inside_its_round(read):
    rows = list(GOOD_ROWS)
    rows = [row.replace("2025-10-18", "2025-10-05") for row in rows]
    rows[5] = rows[5].replace("2025-10-05", "2025-05-10")
    records = read(sheet(*rows))
    fault = the_fault(records)
    assert (fault.where, fault.value) == ("row 7, event_date", "2025-05-10")
    assert "swapped: 2025-10-05?" in fault.problem
    assert records.n_used == 11


def test_a_lone_date_in_its_place_is_not_doubted(read):
    early = "2025-05-10,40,,adult,female,19.5,active,"
    between = "2025-07-18,41,,adult,female,19.5,active,"
    rows = [row.replace("2025-10-18", "2025-10-05") for row in GOOD_ROWS]
    assert not read(sheet(early, between, *rows)).faults


def test_a_date_between_its_neighbours_is_not_doubted(read):
    # 5 April read as 4 May would fall in with 1 May; but it stands where it belongs.
    rows = ["2025-04-01", "2025-04-01", "2025-04-05", "2025-05-01", "2025-05-01"]
    text = sheet(*[GOOD.replace("2025-10-18", d).replace("14", str(n)) for n, d in enumerate(rows)])
    assert not read(text).faults


def test_a_small_round_out_of_place_is_not_doubted(read):
    rows = [row.replace("2025-10-18", "2025-10-05") for row in GOOD_ROWS]
    late = ["2025-05-10,40,,adult,female,19.5,active,", "2025-05-11,41,,adult,male,19.5,active,"]
    assert not read(sheet(*rows, *late)).faults


def test_one_round_entered_late_is_not_doubted(read):
    # Swapped, these dates would run upwards too; as declared only the last is out of order.
    dates = ("2025-04-05", "2025-05-06", "2025-07-08", "2025-06-09")
    assert not read(rounds("%d/%m/%Y", *dates), date_format="DD/MM/YYYY").faults


def test_a_sheet_that_would_be_in_order_only_in_winter_is_not_doubted(read):
    dates = ("2025-05-01", "2025-04-02", "2025-09-03", "2025-07-04")  # swapped: January to April
    assert not read(rounds("%d/%m/%Y", *dates), date_format="DD/MM/YYYY").faults


def test_dates_that_begin_with_the_year_are_not_doubted_as_a_whole(read):
    dates = ("2025-05-06", "2025-04-07", "2025-09-08", "2025-07-09", "2025-04-10")
    assert not read(rounds("%Y-%m-%d", *dates)).faults
    with pytest.raises(NoUsableRecordsError, match="run in order"):
        read(rounds("%m/%d/%Y", *dates), date_format="MM/DD/YYYY")


def test_a_file_in_the_other_order_by_its_clear_dates(read):
    text = rounds("%m/%d/%Y", "2025-06-05", "2025-07-18", "2025-10-05")
    with pytest.raises(NoUsableRecordsError) as caught:
        read(text, date_format="DD/MM/YYYY")
    kinds = {fault.where: fault for fault in caught.value.faults}
    assert any('weights.date_format = "MM/DD/YYYY"' in f.remedy for f in kinds.values())
    assert "rows 2 to 13 (8 rows), event_date" in kinds, "the ambiguous ones are one fault"


def test_a_file_in_the_other_order_by_its_sequence(read):
    # 5 June, 4 July, 9 August, 7 September, 4 October, all of them possible both ways.
    dates = ("2025-06-05", "2025-07-04", "2025-08-09", "2025-09-07", "2025-10-04")
    text = rounds("%d/%m/%Y", *dates)
    assert not read(text, date_format="DD/MM/YYYY").faults
    with pytest.raises(NoUsableRecordsError) as caught:
        read(text, date_format="MM/DD/YYYY")
    (fault,) = caught.value.faults
    assert "run in order" in fault.problem
    assert 'weights.date_format = "DD/MM/YYYY"' in fault.remedy
    assert fault.where == "rows 2 to 21 (20 rows), event_date"


def test_a_round_in_months_that_nobody_visits(read):
    # 1, 2 and 3 October, declared so that they read 10 January, February and March.
    text = rounds("%d/%m/%Y", "2025-10-01", "2025-10-02", "2025-10-03")
    assert not read(text, date_format="DD/MM/YYYY").faults
    with pytest.raises(NoUsableRecordsError, match="depth of winter"):
        read(text, date_format="MM/DD/YYYY")


def test_dates_in_the_future_because_swapped(read):
    text = rounds("%d/%m/%Y", "2025-06-11", "2025-07-12")  # as declared: 6 November, 7 December
    with pytest.raises(NoUsableRecordsError, match="lie in the future"):
        read(text, date_format="MM/DD/YYYY")


def test_true_dates_swapped_on_import_beside_text_that_could_not_be(read):
    # What opening day-first dates under month-first settings leaves behind.
    cells = [dt.date(2025, 5, 9), dt.date(2025, 4, 8), "18/09/2025", "17/10/2025"]
    rows = [[cell, box, None, "adult", "female", 19.5] for box, cell in enumerate(cells, 1)]
    records = read(workbook(HEAD.split(","), *rows), "weights.xlsx", date_format="DD/MM/YYYY")
    fault = the_fault(records)
    assert fault.where == "rows 2, 3, event_date"
    assert "true date cells" in fault.problem
    assert records.n_used == 2


def test_nothing_is_corrected_by_itself(read):
    text = rounds("%d/%m/%Y", "2025-06-05", "2025-07-04", "2025-08-09", "2025-10-18")
    records = read(text, date_format="DD/MM/YYYY")
    assert records.rows["event_date"].dt.strftime("%d/%m/%Y").nunique() == 4
    assert not records.faults


def test_a_future_day_is_a_fault_now_and_unread_in_the_past(read):
    future = "2025-11-06,15,,adult,female,19.5,active,"
    live = read(sheet(GOOD, future), live=True)
    fault = the_fault(live)
    assert "not come yet" in fault.problem
    assert "swapped (2025-06-11)?" in fault.problem
    past = read(sheet(GOOD, future), live=False)
    assert (past.n_rows, past.faults) == (1, ())


def test_a_date_of_another_format_is_unread_only_if_it_is_later_either_way(read):
    later = "18/12/2025,15,,adult,female,19.5,active,"
    perhaps = "11/05/2025,16,,adult,female,19.5,active,"  # 11 May or 5 November
    records = read(sheet(GOOD, later, perhaps), live=False)
    assert records.n_rows == 2
    assert the_fault(records).where == "row 4, event_date"


def test_the_day_ends_at_the_site(read):
    late = GOOD.replace("2025-10-18", "2025-06-02")
    assert read(sheet(late), as_of="2025-06-01T23:30", live=False).n_rows == 1  # BST: 2 June
    with pytest.raises(NoUsableRecordsError):
        read(sheet(late), as_of="2025-06-01T22:30", live=False)


# Weights ----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("stage", "mass", "question"),
    [
        ("adult", "195", "19.5? "),
        ("adult", "1950", "19.5? "),
        ("adult", "0.195", "Kilograms or hundredths (19.5 g)?"),
        ("adult", "0.0195", 'weights.unit = "kg"'),
        ("adult", "19500", 'weights.unit = "mg"'),
        ("adult", "1.95", "19.5, or a nestling?"),
        ("adult", "52", "Was the bag left in?"),
        ("juvenile", "31", "An adult, or was the bag left in?"),
        ("juvenile", "4.5", "A nestling?"),
        ("nestling", "14", "1.4, or an adult, or a juvenile, or was the bag left in?"),
        ("unknown", "0.5", "5? "),
        ("adult", "0", "leave the cell empty"),
        ("adult", "-3", "leave the cell empty"),
        ("adult", "19.5?", "such as 17.5"),
        ("adult", "about 20", "such as 17.5"),
        ("adult", "1,950.0", "such as 17.5"),
    ],
)
def test_weights_that_cannot_be(read, stage, mass, question):
    row = f'2025-10-18,15,,{stage},female,"{mass}",active,'
    records = read(sheet(GOOD, row))
    fault = the_fault(records)
    assert (fault.where, fault.value) == ("row 3, body_mass_g", mass)
    assert question in fault.remedy
    assert records.n_used == 1


@pytest.mark.parametrize(
    ("stage", "mass"),
    [("adult", 10), ("adult", 45), ("juvenile", 5), ("juvenile", 30), ("nestling", 1)],
)
def test_the_bounds_themselves_are_weights(read, stage, mass):
    assert not read(sheet(f"2025-10-18,15,,{stage},,{mass},,")).faults


def test_bounds_are_the_callers(tmp_path):
    path = tmp_path / "weights.csv"
    path.write_text(sheet("2025-10-18,15,,adult,female,60,active,"))
    config = Weights.model_construct(files=(path,))
    wide = {**BOUNDS, "adult": (10.0, 90.0)}
    as_of = np.datetime64("2025-10-27")
    assert not animals.read(config, PLACE, as_of=as_of, live=True, bounds=wide).faults
    with pytest.raises(ValueError, match="nestling"):
        animals.read(
            config, PLACE, as_of=as_of, live=True, bounds={"adult": (1, 2), "juvenile": (1, 2)}
        )


def test_a_sheet_in_kilograms(read):
    rows = [row.replace(",19.5,", ",0.0195,") for row in (GOOD,)]
    assert read(sheet(*rows), unit="kg").rows["body_mass_g"].tolist() == [19.5]


def test_a_unit_written_into_the_cell(read):
    assert read(sheet(GOOD.replace("19.5", "19.5 g"))).rows["body_mass_g"].tolist() == [19.5]


def test_a_formula_gives_its_stored_result_or_a_fault(read):
    book = workbook(HEAD.split(","), ["2025-10-18", 14, None, "adult", "female", "=20-0.5"])
    with pytest.raises(NoUsableRecordsError, match="formula without a stored result"):
        read(book, "weights.xlsx")


# The bag ----------------------------------------------------------------------------------


def test_the_bag_is_taken_off_where_it_is_included(read):
    records = read(sheet(GOOD.replace("19.5", "32")), bag_included=True, bag_mass_g=12.5)
    assert records.rows["body_mass_g"].tolist() == [19.5]
    assert records.assumptions == ("bag_subtracted: 12.5 g, 1 weight",)


def test_the_bag_taken_off_twice(read):
    row = GOOD.replace("19.5", "14").replace("14,,", "15,,")
    records = read(sheet(GOOD.replace("19.5", "32"), row), bag_included=True, bag_mass_g=12.5)
    assert "taken off before" in the_fault(records).remedy


def test_a_bag_without_a_mass(read):
    with pytest.raises(ConfigError, match="bag_mass_g"):
        read(sheet(GOOD), bag_included=True)


@pytest.mark.parametrize("note", ["incl. bag", "weighed in bag", "with Bag 8 g"])
def test_a_note_that_the_bag_is_in_the_weight(read, note):
    records = read(sheet(GOOD, GOOD.replace("14", "15") + note))
    assert the_fault(records).where == "row 3, remarks"


@pytest.mark.parametrize("note", ["without bag", "bag subtracted", "less the bag", "baggy skin"])
def test_a_note_that_it_is_not(read, note):
    assert not read(sheet(GOOD + note)).faults


def test_bags_left_in_all_through_a_check_that_shows_in_the_bounds(read):
    heavy = (47, 50, 49, 41)  # adults of 33 to 42 g are rare; with a bag of 8 g they are not
    bad = [f"2025-09-20,{box},,adult,female,{m},active," for box, m in enumerate(heavy, 1)]
    records = read(sheet(*bad, GOOD))
    fault = the_fault(records)
    assert fault.where == "rows 2, 3, 4, 5, body_mass_g"
    assert "2025-09-20" in fault.problem
    assert records.n_used == 1
    settled = read(sheet(bad[0] + "without bag", *bad[1:], GOOD))
    assert {f.where for f in settled.faults} == {f"row {n}, body_mass_g" for n in (2, 3, 4)}


def test_bags_left_in_on_one_day_of_a_round(read):
    saturday = [f"2025-10-18,{b},,adult,female,{17 + b / 4},," for b in range(1, 9)]
    sunday = [f"2025-10-19,{b},,adult,male,{26 + b / 4},," for b in range(9, 15)]
    records = read(sheet(*saturday, *sunday))
    fault = the_fault(records)
    assert fault.where == "rows 10 to 15 (6 rows), body_mass_g"
    assert "bag" in fault.problem
    assert not read(sheet(*saturday, *sunday[:-1], sunday[-1] + "no bag")).faults


def test_a_round_of_the_next_month_is_heavier_and_not_doubted(read):
    september = [f"2025-09-18,{b},,adult,female,{17 + b / 4},," for b in range(1, 9)]
    october = [f"2025-10-18,{b},,adult,female,{26 + b / 4},," for b in range(1, 9)]
    assert not read(sheet(*september, *october)).faults


def test_litters_of_different_age_in_one_round_are_not_doubted(read):
    small = [f"2025-10-18,1,,nestling,,{m},," for m in (3.0, 3.5, 3.5, 4.0, 3.0)]
    large = [f"2025-10-19,2,,nestling,,{m},," for m in (9.0, 9.5, 10.0, 9.5, 10)]
    assert not read(sheet(*small, *large)).faults


# Words ------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("column", "word", "ours"),
    [
        ("sex", "F", "female"),
        ("sex", "♂", "male"),
        ("sex", "", "unknown"),
        ("life_stage", "Juv.", "juvenile"),
        ("life_stage", "young of year", "juvenile"),
        ("life_stage", "baby", "nestling"),
        ("life_stage", "?", "unknown"),
        ("activity", "awake", "active"),
        ("activity", "Torpor", "torpid"),
    ],
)
def test_words_people_use(read, column, word, ours):
    head = f"event_date,box,body_mass_g,{column}"
    records = read(sheet(f"2025-10-18,14,11,{word}", head=head))
    assert records.rows[column].tolist() == [ours]


@pytest.mark.parametrize(
    ("column", "word", "expected"),
    [
        ("sex", "fem", "expected female, male or unknown."),
        ("sex", "w", "expected female, male or unknown."),
        ("life_stage", "old", "expected adult, juvenile, nestling or unknown."),
        ("activity", "asleep", "expected active (awake), torpid or unknown."),
    ],
)
def test_words_nobody_can_be_sure_of(read, column, word, expected):
    head = f"event_date,box,body_mass_g,{column}"
    records = read(sheet("2025-10-18,14,11,", f"2025-10-18,15,11,{word}", head=head))
    fault = the_fault(records)
    assert (fault.where, fault.value, fault.problem) == (f"row 3, {column}", word, expected)


# Rows against each other ------------------------------------------------------------------


def test_the_same_mark_twice_on_a_day(read):
    row = "2025-10-18,14,A7,adult,female,19.5,active,"
    records = read(sheet(row, row))
    assert "row 2 of weights.csv" in the_fault(records).problem
    assert records.n_used == 1
    differing = read(sheet(row, row.replace("19.5", "20.5"), GOOD))
    assert [fault.where for fault in differing.faults] == [
        "row 2, organism_id",
        "row 3, organism_id",
    ]
    assert differing.n_used == 1, "neither of two contradictory rows is used"


def test_equal_brothers_and_sisters_are_not_duplicates(read):
    row = "2025-10-18,14,,juvenile,unknown,9.5,active,"
    records = read(sheet(row, row, row))
    assert not records.faults
    assert records.n_used == 3


def test_a_sibling_set_aside_does_not_part_its_litter(read):
    row = "2025-10-18,14,,juvenile,unknown,9.5,active,"
    records = read(sheet(row, row.replace("9.5", "95"), row))
    assert [fault.where for fault in records.faults] == ["row 3, body_mass_g"]


def test_the_record_of_a_box_entered_twice_below_itself(read):
    rows = [f"2025-10-18,14,,juvenile,unknown,{m},active," for m in (9.5, 10.0, 9.5, 10.0)]
    records = read(sheet(*rows))
    assert [fault.where for fault in records.faults] == ["row 4, box", "row 5, box"]
    assert records.n_used == 2


def test_the_record_of_a_box_entered_again_elsewhere(read):
    other = "2025-10-18,15,,juvenile,unknown,11,active,"
    row = "2025-10-18,14,,juvenile,unknown,9.5,active,"
    records = read(sheet(row, row, other, row, row))
    assert [fault.where for fault in records.faults] == ["row 5, box", "row 6, box"]
    assert not read(sheet(row, row, other, row)).faults, "a different number of animals"


def test_two_exports_that_overlap(tmp_path):
    (tmp_path / "a.csv").write_text(sheet(GOOD))
    (tmp_path / "b.csv").write_text(sheet(GOOD, GOOD.replace("14", "15")))
    config = Weights.model_construct(files=(tmp_path / "a.csv", tmp_path / "b.csv"))
    records = animals.read(
        config, PLACE, as_of=np.datetime64("2025-10-27"), live=True, bounds=BOUNDS
    )
    fault = the_fault(records)
    assert (fault.source, fault.where) == ("b.csv", "row 2, box")
    assert "row 2 of a.csv" in fault.problem


def test_exports_are_not_taken_for_one_sheet(tmp_path):
    (tmp_path / "a.csv").write_text(sheet(GOOD))
    (tmp_path / "b.csv").write_text(sheet(GOOD.replace("14", "15"), GOOD))
    config = Weights.model_construct(files=(tmp_path / "a.csv", tmp_path / "b.csv"))
    records = animals.read(
        config, PLACE, as_of=np.datetime64("2025-10-27"), live=True, bounds=BOUNDS
    )
    assert the_fault(records).where == "row 3, box"


def test_neither_box_nor_mark(read):
    records = read(sheet(GOOD, "2025-10-18,,,adult,female,19.5,active,"))
    assert the_fault(records).where == "row 3, box"


def test_animals_left_unweighed_come_last_and_together(read):
    rows = [
        "2025-10-18,14,,juvenile,,,torpid,",
        "2025-10-18,15,,adult,fem,19.5,,",
        "2025-10-18,16,A9,,,,,left asleep",
        "2025-10-18,17,,,,,,old nest",
        GOOD.replace("14", "18"),
    ]
    records = read(sheet(*rows))
    assert [fault.where for fault in records.faults] == ["row 3, sex", "rows 2, 4, body_mass_g"]
    assert records.n_used == 2, "the empty box and the weighed animal"


# Workbooks --------------------------------------------------------------------------------


def test_title_rows_and_merged_boxes_and_dates(read):
    book = workbook(
        ["Weights of our wood"],
        [],
        ["Date", "Box", "Weight in g", "Age"],
        [dt.date(2025, 10, 18), 14, 9.5, "juvenile"],
        [None, None, 10.5, "juvenile"],
        [None, 15, 19.5, "adult"],
    )
    book.active.merge_cells("A1:D1")
    book.active.merge_cells("A4:A6")
    book.active.merge_cells("B4:B5")
    records = read(book, "weights.xlsx")
    assert not records.faults
    assert records.rows["box"].tolist() == ["14", "14", "15"]
    assert records.rows["event_date"].nunique() == 1
    assert records.rows["source_row"].tolist() == [4, 5, 6]
    assert records.assumptions == (
        "header_row: weights.xlsx, row 3",
        "merged_filled: weights.xlsx, 3 cells",
    )


def test_other_merged_cells_are_not_guessed_at(read):
    book = workbook(
        ["Date", "Box", "Weight in g", "Sex", "Notes"],
        [dt.date(2025, 10, 18), 14, 9.5, "female", "one of two"],
        [dt.date(2025, 10, 18), 14, 10.5, None, None],
        [dt.date(2025, 10, 18), 15, 19.5, "male", None],
        [dt.date(2025, 10, 18), 15, None, "female", None],
    )
    for cells in ("D2:D3", "E2:E3", "C4:C5"):
        book.active.merge_cells(cells)
    records = read(book, "weights.xlsx")
    assert [fault.where for fault in records.faults] == ["row 3, sex", "row 5, body_mass_g"]
    assert all("Split the merged cells" in fault.remedy for fault in records.faults)
    assert "merged_not_filled: weights.xlsx, 1 cell" in records.assumptions


def test_all_worksheets_with_weights_are_read_and_others_named(read):
    book = workbook(["Date", "Box", "Weight in g"], [dt.date(2025, 9, 18), 14, 19.5], title="Sep")
    october = book.create_sheet("Oct")
    october.append(["Date", "Box", "Weight in g"])
    october.append([dt.date(2025, 10, 18), 14, 195])
    book.create_sheet("Sums").append(["Mean", 19.5])
    records = read(book, "weights.xlsx")
    fault = the_fault(records)
    assert fault.source == 'weights.xlsx, worksheet "Oct"'
    assert 'worksheet_not_read: weights.xlsx, "Sums"' in records.assumptions
    assert records.note().startswith("weights.xlsx: 1 of 2 rows set aside, 1 used")


def test_a_hidden_worksheet_is_not_read_and_named(read):
    book = workbook(["Date", "Box", "Weight in g"], [dt.date(2025, 10, 18), 14, 19.5])
    old = book.create_sheet("Old")
    old.append(["Date", "Box", "Weight in g"])
    old.append([dt.date(2025, 9, 18), 14, 18.5])
    old.sheet_state = "hidden"
    records = read(book, "weights.xlsx")
    assert records.n_rows == 1
    assert records.assumptions == ('worksheet_not_read: weights.xlsx, "Old"',)


def test_a_formula_with_a_stored_result(read, tmp_path):
    book = workbook(["Date", "Box", "Weight in g"], [dt.date(2025, 10, 18), 14, "=27.5-8"])
    book.save(tmp_path / "made.xlsx")
    held = io.BytesIO()
    with zipfile.ZipFile(tmp_path / "made.xlsx") as made, zipfile.ZipFile(held, "w") as stored:
        for name in made.namelist():
            text = made.read(name)
            if name == "xl/worksheets/sheet1.xml":
                assert text.count(b"<f>27.5-8</f>") == 1
                text = re.sub(rb"(<f>27.5-8</f>)<v ?/?>(</v>)?", rb"\1<v>19.5</v>", text)
            stored.writestr(name, text)
    assert read(held.getvalue(), "weights.xlsx").rows["body_mass_g"].tolist() == [19.5]


# All at once, nothing lost ----------------------------------------------------------------


def test_all_faults_are_told_at_once_as_people_read_them(read):
    rows = [
        *GOOD_ROWS,
        "2025-10-18,20,,adult,female,195,active,",
        "31/10/25,21,,adult,fem,19.5,active,",
    ]
    assert read(sheet(*rows)).note() == (
        "weights.csv: 2 of 14 rows set aside, 12 used\n"
        '  row 14, body_mass_g "195": an adult weighs 10 to 45 g. 19.5? '
        "Correct the sheet, or set weights.unit.\n"
        '  row 15, event_date "31/10/25": this file writes dates in more than one way: '
        "YYYY-MM-DD in rows 2 to 14 (13 rows); DD/MM/YY in row 15. "
        "Write all of them in one way, and set weights.date_format to that.\n"
        '  row 15, sex "fem": expected female, male or unknown.'
    )
    assert read(sheet(*GOOD_ROWS)).note() == ""


def test_rows_set_aside_are_kept_as_they_stood(read):
    head = HEAD + ",reason,,Weather"
    rows = [GOOD + ",,,fine", '2025-10-18,15,,adult,fem," 195 ",active,"a, b",mine,x,"wet; windy"']
    records = read(sheet(*rows, head=head))
    (kept,) = csv.DictReader(io.StringIO(animals.rejected_csv(records)))
    assert kept["source_file"] == "weights.csv"
    assert kept["source_row"] == "3"
    assert "sex: expected" in kept["reason"]
    assert "body_mass_g: an adult" in kept["reason"]
    assert (kept["body_mass_g"], kept["remarks"]) == ("195", "a, b")
    assert (kept["reason (2)"], kept["column 10"], kept["Weather"]) == ("mine", "x", "wet; windy")


def test_the_side_file_without_rows_is_only_headings(read):
    assert animals.rejected_csv(read(sheet(GOOD))) == "source_file,source_row,reason\n"


def test_no_usable_row_carries_all_faults(read):
    rows = ["2025-10-18,14,,adult,fem,195,active,", "soon,15,,adult,female,19.5,active,"]
    with pytest.raises(NoUsableRecordsError) as caught:
        read(sheet(*rows))
    assert len(caught.value.faults) == 3
    assert "no row that can be used" in str(caught.value)


def test_no_row_up_to_the_date_asked_for(read):
    with pytest.raises(NoUsableRecordsError, match="no row up to 2024-10-27"):
        read(sheet(GOOD), as_of="2024-10-27T12:00", live=False)
