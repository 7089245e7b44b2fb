"""Write weights.xlsx, the weights of the demonstration. Every animal in it is invented.

    python configs/alder-hanger/make_weights.py

fills the blank sheet of `riskcast new` with the five rounds below, so it needs riskcast
installed. The same bytes come out every time.

The story in it: adults after hibernation in May; first litters in July, grown by October; one
late litter of five in box 14, nestlings in September with their mother, alone and light a month
later; three more late young in boxes 7, 27 and 41. A third of the animals are marked.
"""

from __future__ import annotations

import datetime as dt
import io
import re
import zipfile
from pathlib import Path

from riskcast.animals.sheet import HEADINGS, blank_workbook

BOXES = 60
INVENTED = "INVENTED DATA FOR DEMONSTRATION"

# Boxes that are not listed were opened and found empty. "-" is an empty cell.
# box mark sex    age      g     state  breeding; notes
ROUNDS = {
    "2025-05-17": """
    3   -   male   adult    18.0  torpid -
    9   K01 female adult    18.5  torpid -
    16  K10 female adult    17.5  torpid -
    22  K02 male   adult    20.0  torpid -
    30  -   female adult    17.0  awake  -
    33  K03 male   adult    19.0  torpid -
    41  -   male   adult    21.5  awake  breeding male
    46  K04 female adult    21.0  awake  pregnant
    """,
    "2025-07-19": """
    5   -   male   adult    21.0  awake  -
    9   K01 female adult    21.5  awake  lactating
    9   -   -      nestling 5.5   -      -; one of four
    9   -   -      nestling 6.0   -      -; one of four
    9   -   -      nestling 6.0   -      -; one of four
    9   -   -      nestling 6.5   -      -; one of four
    14  K10 female adult    24.5  awake  pregnant
    22  -   male   adult    19.5  torpid -
    33  K03 male   adult    20.5  torpid -
    36  -   female adult    21.0  awake  lactating
    36  -   -      nestling 5.0   -      -; one of three
    36  -   -      nestling 5.5   -      -; one of three
    36  -   -      nestling 5.5   -      -; one of three
    46  K04 female adult    20.0  awake  lactating; pink young seen, left alone
    """,
    "2025-08-16": """
    9   -   male   juvenile 11.5  awake  -
    9   -   female juvenile 12.0  awake  -
    9   K05 male   juvenile 12.5  awake  -
    14  K10 female adult    20.5  awake  lactating
    14  -   -      nestling 6.5   -      -; one of four
    14  -   -      nestling 7.0   -      -; one of four
    14  -   -      nestling 7.0   -      -; one of four
    14  -   -      nestling 7.5   -      -; one of four
    24  K02 male   adult    22.0  torpid -
    33  -   male   juvenile 11.0  awake  -
    33  K06 female juvenile 11.5  awake  -
    36  -   female adult    20.5  awake  -
    38  -   female juvenile 14.0  awake  -
    46  -   male   adult    23.0  torpid -
    50  -   female adult    23.5  awake  pregnant
    """,
    "2025-09-20": """
    3   -   female adult    22.5  awake  -
    7   K07 female juvenile 9.0   awake  -; late young
    9   -   male   juvenile 14.0  awake  -
    9   -   female juvenile 15.0  awake  -
    9   K05 male   juvenile 16.0  awake  -
    12  K01 female adult    23.0  awake  -
    14  K10 female adult    22.0  awake  lactating; second litter
    14  -   -      nestling 4.0   -      -; one of five, eyes closed
    14  -   -      nestling 4.5   -      -; one of five, eyes closed
    14  -   -      nestling 4.5   -      -; one of five, eyes closed
    14  -   -      nestling 5.0   -      -; one of five, eyes closed
    14  -   -      nestling 5.5   -      -; one of five, eyes closed
    22  -   male   adult    24.5  torpid -
    27  K08 male   juvenile 10.0  awake  -; late young
    33  -   male   juvenile 13.5  awake  -
    33  K06 female juvenile 14.5  awake  -
    38  K09 male   juvenile 14.0  awake  -
    38  -   female juvenile 17.0  awake  -
    41  -   female juvenile 10.0  awake  -; late young
    47  K04 female adult    24.5  awake  -
    52  -   female juvenile 14.0  awake  -
    """,
    "2025-10-18": """
    3   -   male   juvenile 17.5  awake  -
    3   -   female adult    24.0  awake  -
    7   K07 female juvenile 11.5  awake  -; late young
    9   -   female juvenile 18.5  torpid -
    9   K01 female adult    26.5  torpid -
    14  -   female juvenile 8.5   awake  -; one of five, no adult in the box
    14  -   male   juvenile 9.5   awake  -; one of five, no adult in the box
    14  K11 female juvenile 10.0  awake  -; one of five, no adult in the box
    14  K12 male   juvenile 10.5  awake  -; one of five, no adult in the box
    14  K13 male   juvenile 12.0  awake  -; one of five, no adult in the box
    18  K05 male   juvenile 19.5  torpid -
    22  K02 male   adult    28.0  torpid -
    27  K08 male   juvenile 13.5  awake  -; late young
    33  -   male   juvenile 16.0  awake  -
    33  K06 female juvenile 18.0  awake  -
    38  K09 male   juvenile 17.5  awake  -
    38  -   female juvenile 20.5  torpid -
    41  -   female juvenile 13.0  awake  -; late young
    46  -   female adult    25.5  awake  -
    46  -   male   adult    29.0  torpid -
    52  -   female juvenile 16.5  awake  -
    52  -   female adult    22.5  awake  -
    """,
}

Row = dict[str, object]


def rows() -> list[Row]:
    """All rows of the sheet, by date and box, keyed by the names used inside riskcast."""
    out: list[Row] = []
    for day, text in ROUNDS.items():
        date = dt.datetime.fromisoformat(day)
        found = [_row(date, line.strip()) for line in text.strip().splitlines()]
        occupied = {row["box"] for row in found}
        empty: list[Row] = [
            {"event_date": date, "box": box, "remarks": "empty"}
            for box in range(1, BOXES + 1)
            if box not in occupied
        ]
        out += sorted(found + empty, key=lambda row: int(str(row["box"])))
    out[0]["remarks"] = f"{INVENTED}. {out[0]['remarks']}"
    return out


def _row(date: dt.datetime, line: str) -> Row:
    facts, _, remarks = (part.strip() for part in line.partition(";"))
    box, mark, sex, age, mass, state, breeding = facts.split(maxsplit=6)
    row: Row = {
        "event_date": date,
        "box": int(box),
        "body_mass_g": float(mass),
        "organism_id": mark,
        "sex": sex,
        "life_stage": age,
        "activity": state,
        "reproductive_condition": breeding,
        "remarks": remarks,
    }
    return {name: value for name, value in row.items() if value not in ("-", "")}


def workbook_bytes() -> bytes:
    """The workbook as a file; no clock gets into it."""
    workbook = blank_workbook()
    sheet = workbook.worksheets[0]
    for row in rows():
        sheet.append([row.get(name) for name in HEADINGS])
        sheet.cell(
            sheet.max_row, list(HEADINGS).index("event_date") + 1
        ).number_format = "yyyy-mm-dd"
    about = workbook.create_sheet("About")
    about.column_dimensions["A"].width = 96
    for text in (INVENTED, *(part.replace("\n", " ") for part in (__doc__ or "").split("\n\n"))):
        about.append([text.strip()])
    workbook.properties.title = f"{INVENTED}: weights of Alder Hanger"
    workbook.properties.creator = "riskcast demonstration"
    held = io.BytesIO()
    workbook.save(held)
    return _without_clock(held.getvalue())


def _without_clock(data: bytes) -> bytes:
    """The same workbook with fixed times: of its making, and of the files inside it."""
    fixed = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(data)) as old, zipfile.ZipFile(fixed, "w") as new:
        for name in old.namelist():
            content = old.read(name)
            if name == "docProps/core.xml":
                content = re.sub(rb"\d{4}-\d\d-\d\dT[\d:.]+Z", b"2025-10-18T12:00:00Z", content)
            entry = zipfile.ZipInfo(name, (2025, 10, 18, 12, 0, 0))
            entry.compress_type = zipfile.ZIP_DEFLATED
            new.writestr(entry, content)
    return fixed.getvalue()


if __name__ == "__main__":
    target = Path(__file__).with_name("weights.xlsx")
    target.write_bytes(workbook_bytes())
    print(f"{target.name}: {len(rows())} rows, invented data for demonstration")
