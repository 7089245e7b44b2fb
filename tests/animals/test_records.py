"""Sheets in, rows out: columns, Darwin Core, round trips, and no look ahead."""

from __future__ import annotations

import csv
import datetime as dt
import io

import openpyxl
import pandas as pd
import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from riskcast import animals
from riskcast.animals.dates import DateFormat
from riskcast.animals.frames import COLUMNS
from riskcast.animals.sheet import HEADINGS, ROWS_TITLE, blank_workbook, write_blank_sheet

# The same examples in every run: a suite that fails by chance teaches people to run it again.
SAME = settings(derandomize=True, deadline=None)
ANY_FOLDER = settings(
    SAME, max_examples=40, suppress_health_check=[HealthCheck.function_scoped_fixture]
)


def test_columns_and_types(read_file, tmp_path):
    path = tmp_path / "weights.tsv"
    path.write_text("event_date\tbox\tbody_mass_g\n2025-10-18\t14\t19.5\n2025-10-18\t15\t\n")
    records = read_file(path)
    rows = records.rows
    assert tuple(rows.columns) == COLUMNS
    assert rows["event_date"].dtype == "datetime64[ns]"
    assert rows["body_mass_g"].dtype == float
    assert rows["weighed"].tolist() == [True, False]
    assert rows["body_mass_g"].notna().tolist() == [True, False]
    assert records.weighings["box"].tolist() == ["14"]
    assert records.files == ("weights.tsv",)
    assert (records.n_rows, records.n_used) == (2, 2)
    assert [str(count) for count in records.summary()] == [
        "weights.tsv: 0 of 2 rows set aside, 2 used"
    ]


def test_darwin_core_terms(read_file, tmp_path):
    """Terms of Darwin Core (TDWG), simple_dwc_vertical.csv; individualID deprecated in 2014."""
    path = tmp_path / "export.csv"
    path.write_text(
        "eventDate,locationID,organismID,individualID,sex,lifeStage,reproductiveCondition,"
        "occurrenceRemarks,organismRemarks,body mass (g),recordedBy\n"
        "2025-10-18T10:15:00Z,14,A7,old-7,female,Adult,lactating,thin,tail short,19.5,someone\n"
    )
    records = read_file(path)
    (row,) = records.rows.to_dict("records")
    assert not records.faults
    assert row["event_date"] == pd.Timestamp("2025-10-18")
    assert (row["box"], row["organism_id"], row["life_stage"]) == ("14", "A7", "adult")
    assert row["reproductive_condition"] == "lactating"
    assert row["remarks"] == "thin; tail short"
    assert row["body_mass_g"] == 19.5
    assert records.assumptions == (
        'column_not_read: export.csv, "individualID" beside "organismID"',
    )


def test_the_deprecated_term_alone_is_read(read_file, tmp_path):
    path = tmp_path / "export.csv"
    path.write_text("eventDate,individualID,body mass (g)\n2025-10-18,A7,19.5\n")
    assert read_file(path).rows["organism_id"].tolist() == ["A7"]


@pytest.mark.parametrize(
    ("one", "other"),
    [("14", "014"), ("14", "Box 14"), ("14", "nest box no. 14"), ("14", "14.0"), ("B7", "b7")],
)
def test_a_box_is_the_same_box_however_it_is_written(read_file, tmp_path, one, other):
    path = tmp_path / "weights.csv"
    path.write_text(f"event_date,box,body_mass_g\n2025-10-18,{one},19.5\n2025-10-18,{other},20.5\n")
    assert read_file(path).rows["box"].tolist() == [one, one]


def test_boxes_that_differ_stay_apart(read_file, tmp_path):
    path = tmp_path / "weights.csv"
    boxes = ["14", "14a", "140", "boxwood 3", "Box A7"]
    path.write_text(
        "event_date,box,body_mass_g\n" + "".join(f"2025-10-18,{box},19.5\n" for box in boxes)
    )
    assert read_file(path).rows["box"].tolist() == ["14", "14a", "140", "boxwood 3", "A7"]


def test_two_files_of_one_name(read_file, tmp_path):
    paths = [tmp_path / year / "weights.csv" for year in ("2024", "2025")]
    for path, year in zip(paths, ("2024", "2025"), strict=True):
        path.parent.mkdir()
        path.write_text(f"event_date,box,body_mass_g\n{year}-10-18,14,19.5\n")
    assert read_file(*paths).files == ("2024/weights.csv", "2025/weights.csv")


def test_a_site_without_weights(read_file):
    records = read_file()
    assert records.rows.empty
    assert tuple(records.rows.columns) == COLUMNS
    assert animals.rejected_csv(records) == "source_file,source_row,reason\n"


# Round trips ------------------------------------------------------------------------------

_words = st.text(st.characters(codec="latin-1", categories=["L", "N"]), max_size=12)
_measurement = st.fixed_dictionaries(
    {
        "event_date": st.dates(dt.date(2025, 4, 1), dt.date(2025, 10, 27)),
        "life_stage": st.sampled_from(["adult", "juvenile"]),
        "sex": st.sampled_from(["female", "male", "unknown"]),
        "body_mass_g": st.integers(20, 60).map(lambda half: half / 2),
        "activity": st.sampled_from(["active", "torpid", "unknown"]),
        "reproductive_condition": st.sampled_from(["", "pregnant", "lactating"]),
        "remarks": _words.filter(lambda text: text.casefold() not in {"na", "none", "nil", "null",
                                                                      "nan"}),
    }
)  # fmt: skip
_sheet = st.lists(_measurement, min_size=1, max_size=8).map(
    # A box each: what one box may hold twice is another question.
    lambda rows: [{**row, "box": str(n), "organism_id": ""} for n, row in enumerate(rows, 1)]
)


def expected(rows):
    return [{**row, "event_date": pd.Timestamp(row["event_date"])} for row in rows]


def got(records):
    return records.rows.drop(columns=["weighed", "source_file", "source_row"]).to_dict("records")


@ANY_FOLDER
@given(
    rows=_sheet,
    delimiter=st.sampled_from(",;\t"),
    comma=st.booleans(),
    form=st.sampled_from(["YYYY-MM-DD", "DD.MM.YYYY", "D/M/YY", "D MMM YYYY"]),
    encoding=st.sampled_from(["utf-8", "utf-8-sig", "utf-16", "latin-1"]),
)
def test_a_text_sheet_comes_back_as_it_was(
    read_file, tmp_path, rows, delimiter, comma, form, encoding
):
    codes = {"YYYY-MM-DD": "%Y-%m-%d", "DD.MM.YYYY": "%d.%m.%Y", "D/M/YY": "%d/%m/%y",
             "D MMM YYYY": "%d %b %Y"}  # fmt: skip
    rows = sorted(rows, key=lambda row: row["event_date"])
    held = io.StringIO()
    writer = csv.DictWriter(held, fieldnames=list(HEADINGS), delimiter=delimiter)
    writer.writeheader()
    for row in rows:
        mass = f"{row['body_mass_g']:.1f}"
        writer.writerow(
            {
                **row,
                "event_date": row["event_date"].strftime(codes[form]),
                "body_mass_g": mass.replace(".", ",") if comma else mass,
            }
        )
    path = tmp_path / "weights.csv"
    path.write_bytes(held.getvalue().encode(encoding))
    records = read_file(path, date_format=form)
    assert records.note() == ""
    assert got(records) == expected(rows)
    assert any(note.startswith("decimal_comma") for note in records.assumptions) == comma


@ANY_FOLDER
@given(rows=_sheet)
def test_a_filled_blank_sheet_needs_no_column_map(read_file, tmp_path, rows):
    rows = sorted(rows, key=lambda row: row["event_date"])
    path = write_blank_sheet(tmp_path / "weights.xlsx")
    workbook = openpyxl.load_workbook(path)
    for row in rows:
        filled = {**row, "activity": row["activity"].replace("active", "awake")}
        workbook[ROWS_TITLE].append([filled[name] or None for name in HEADINGS])
    workbook.save(path)
    records = read_file(path)
    assert records.note() == ""
    assert records.assumptions == ()
    assert got(records) == expected(rows)


def test_an_empty_box_in_the_blank_sheet(read_file, tmp_path):
    workbook = blank_workbook()
    workbook[ROWS_TITLE].append([dt.date(2025, 10, 18), 15])
    workbook.save(tmp_path / "weights.xlsx")
    records = read_file(tmp_path / "weights.xlsx")
    assert records.n_used == 1
    assert records.rows[["box", "weighed"]].to_numpy().tolist() == [["15", False]]


@SAME
@given(
    st.dates(dt.date(2000, 1, 1), dt.date(2099, 12, 31)),
    st.permutations(["YYYY", "MM", "DD"]),
    st.sampled_from("-/. "),
)
def test_a_declared_format_reads_what_it_wrote_and_nothing_else(date, order, gap):
    parts = {"YYYY": f"{date.year}", "MM": f"{date.month:02}", "DD": f"{date.day:02}"}
    text = gap.join(parts[token] for token in order)
    form = DateFormat.of(gap.join(order))
    assert form.parse(text) == date
    for wrong in (text + "1", "x" + text, text.replace(gap, "_"), ""):
        assert form.parse(wrong) is None
    other = form.other()
    assert other is not None
    assert other.other() == form
    assert (other.parse(text) is None) == (date.day > 12)


@pytest.mark.parametrize("form", ["", "YYYY-MM", "DD/DD/YYYY", "day first", "YYYY-MM-DD-DD"])
def test_a_format_that_is_none(form):
    with pytest.raises(ValueError, match="not a date format"):
        DateFormat.of(form)


# No look ahead ----------------------------------------------------------------------------

_HEAD = ("event_date", "box", "organism_id", "life_stage", "sex", "body_mass_g", "remarks")
_PAST = (
    ("2025-09-20", "14", "", "juvenile", "unknown", "9,5", ""),
    ("2025-09-20", "14", "", "juvenile", "unknown", "185", "wet"),
    ("2025-10-18", "14", "", "juvenile", "fem", "11", ""),
    ("2025-10-18", "15", "A7", "adult", "female", "21", ""),
    ("2025-10-18", "16", "", "", "", "", "empty"),
)
_poison = st.lists(
    st.tuples(
        st.dates(dt.date(2025, 10, 28), dt.date(2030, 1, 1)).map(str),
        st.one_of(st.sampled_from(["14", "15", "16"]), st.text(max_size=8)),
        st.one_of(st.just("A7"), st.text(max_size=8)),
        st.text(max_size=8),
        st.text(max_size=8),
        st.one_of(st.sampled_from(["9.5", "47", "=1+1", "9,5"]), st.text(max_size=8)),
        st.one_of(st.sampled_from(["without bag", "incl. bag"]), st.text(max_size=30)),
    ),
    min_size=4,
    max_size=4,
)


def everything(records):
    return (
        records.rows.to_csv(),
        records.faults,
        records.rejected.to_csv(),
        records.assumptions,
        records.counts,
        records.files,
        records.note(),
    )


def _mixed(poison):
    """Later rows before, between and after those that count."""
    return [_HEAD, poison[0], *_PAST[:2], poison[1], *_PAST[2:4], poison[2], _PAST[4], poison[3]]


HARMLESS = [("2025-11-01", "14", "", "juvenile", "unknown", "12", "")] * 4


@ANY_FOLDER
@given(poison=_poison)
@example(poison=[("2025-11-01", "\x00", "é", '"', "\n", "1e9", "\u2028")] * 4)
def test_later_rows_of_a_text_file_change_nothing(read_file, tmp_path, poison):
    path = tmp_path / "weights.csv"
    results = []
    for rows in (_mixed(HARMLESS), _mixed(poison)):
        held = io.StringIO(newline="")
        csv.writer(held, delimiter=";").writerows(rows)
        path.write_bytes(held.getvalue().encode("utf-8", errors="surrogatepass"))
        results.append(everything(read_file(path)))
    assert results[0] == results[1]
    assert len(results[0][1]) == 2, "the faults of the rows that count are still told"


def test_later_rows_in_another_encoding_change_nothing(read_file, tmp_path):
    path = tmp_path / "weights.csv"
    text = "\n".join(";".join(row) for row in _mixed(HARMLESS))
    path.write_text(text)
    before = everything(read_file(path))
    path.write_bytes(text.encode() + b'\n2025-11-02;14;M\xfcller;"open;x;9,5;\n2025-11-03;1;;;;2,5')
    assert everything(read_file(path)) == before


def test_later_rows_of_a_workbook_change_nothing(read_file, tmp_path):
    path = tmp_path / "weights.xlsx"
    results = []
    for poisoned in (False, True):
        workbook = openpyxl.Workbook()
        sheet = workbook.active
        for row in _mixed(HARMLESS):
            sheet.append([cell or None for cell in row])
        if poisoned:
            for row in (2, 5, 8, 10):
                for column, cell in enumerate([None, 14, "A7", True, 7, "=1/0", 45948], start=1):
                    if column > 1:
                        sheet.cell(row=row, column=column, value=cell)
            sheet["A10"] = dt.datetime(2026, 1, 2)
            sheet.merge_cells("B9:B10")
        workbook.save(path)
        results.append(everything(read_file(path)))
    assert results[0] == results[1]


def test_rows_of_the_day_itself_are_read(read_file, tmp_path):
    path = tmp_path / "weights.csv"
    path.write_text("event_date,box,body_mass_g\n2025-10-27,14,19.5\n2025-10-28,15,19.5\n")
    assert read_file(path).rows["box"].tolist() == ["14"]


# Swapped days and months: what must not be doubted -----------------------------------------


@given(
    day=st.integers(1, 28),
    months=st.sets(st.integers(4, 11), min_size=1, max_size=8),
    days_a_round=st.integers(1, 3),
    animals_a_day=st.integers(1, 6),
    form=st.sampled_from(["%d/%m/%Y", "%Y-%m-%d"]),
    by_box=st.booleans(),
)
@SAME
def test_monthly_rounds_of_a_season_are_never_doubted(
    day, months, days_a_round, animals_a_day, form, by_box
):
    from riskcast.animals.dates import read_date
    from riskcast.animals.swapped import swapped

    rows = [
        (dt.date(2025, month, 1) + dt.timedelta(days=day - 1 + extra), animal)
        for month in sorted(months)
        for extra in range(days_a_round)
        for animal in range(animals_a_day)
    ]
    if by_box:
        rows.sort(key=lambda row: (row[1], row[0]))
    declared = DateFormat.of("DD/MM/YYYY" if form.startswith("%d") else "YYYY-MM-DD")
    readings = [read_date(date.strftime(form), declared, None) for date, _ in rows]
    assert swapped(readings, declared, dt.date(2026, 6, 1)) == {}
