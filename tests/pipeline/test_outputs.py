"""What a run leaves behind: assessment.json, the letters as messages, the rows set aside.

Mail is held to RFC 5322 (headers, line lengths), RFC 2046 §5.1.4 (alternatives, plain first),
RFC 3834 §5 (Auto-Submitted) and RFC 3339 (moments in the document).
"""

from __future__ import annotations

import csv
import datetime as dt
import io
import itertools
import json
import math
import re
from html.parser import HTMLParser

import jsonschema
import numpy as np
import pytest

from riskcast import pipeline, report

RFC_3339 = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(\.\d+)?(Z|[+-]\d\d:\d\d)")
ROLES = ("monitor", "coordinator", "rehabilitator")


def text_of(message):
    return message.get_body(("plain",)).get_content().replace("\r\n", "\n")


def html_of(message):
    return message.get_body(("html",)).get_content().replace("\r\n", "\n")


def words(text):
    return " ".join(text.split())


def walk(value, path="$"):
    """All values of a document with the path to each."""
    yield path, value
    if isinstance(value, dict):
        for key, inner in value.items():
            yield from walk(inner, f"{path}.{key}")
    elif isinstance(value, list):
        for index, inner in enumerate(value):
            yield from walk(inner, f"{path}[{index}]")


class Reader(HTMLParser):
    """The words of a page, by the tag they stand in."""

    def __init__(self):
        super().__init__()
        self.inside = []
        self.parts = []

    def handle_starttag(self, tag, attrs):
        if tag in ("h1", "h2", "p", "li"):
            self.parts.append([tag, ""])
        assert tag not in ("img", "script", "link", "form"), "a letter loads nothing"

    def handle_data(self, data):
        if self.parts and self.get_starttag_text() is not None:
            self.parts[-1][1] += data


def page(html):
    reader = Reader()
    reader.feed(html.split("<body", 1)[1])
    return [(tag, words(text)) for tag, text in reader.parts]


# --- assessment.json ------------------------------------------------------------------------


def test_the_document_is_valid_against_the_schema_that_ships(each_run):
    schema = json.loads(report.SCHEMA_FILE.read_text("utf-8"))
    checker = jsonschema.FormatChecker(formats=["date"])
    checker.checks("date-time")(lambda text: bool(RFC_3339.fullmatch(text)))
    validator = jsonschema.Draft202012Validator(schema, format_checker=checker)
    document = json.loads((each_run.run.folder / "assessment.json").read_text("utf-8"))
    assert [error.message for error in validator.iter_errors(document)] == []


def test_the_document_on_disk_is_the_one_of_the_run(each_run):
    on_disk = (each_run.run.folder / "assessment.json").read_text("utf-8")
    assert on_disk == each_run.run.assessment_json
    assert each_run.run.folder.parts[-2:] == (
        "alder-hanger",
        each_run.assessment.issued_on.isoformat(),
    )
    assert [path.name for path in each_run.run.files][-1] == "assessment.json"


def test_no_number_is_a_nan_and_nothing_unknown_lacks_its_reason(each_run):
    def refuse(name):
        raise AssertionError(f"{name} in assessment.json")

    document = json.loads(each_run.run.assessment_json, parse_constant=refuse)
    assert "NaT" not in each_run.run.assessment_json
    for path, value in walk(document):
        if isinstance(value, float):
            assert math.isfinite(value), path
        if isinstance(value, dict) and {"value", "reason", "low"} <= set(value):
            assert (value["value"] is None) == bool(value["reason"]), path
            if value["value"] is not None and value["low"] is not None:
                low, middle, high = (value[key] for key in ("low", "value", "high"))
                assert low <= middle <= (middle if high is None else high), path
    for risk in document["risks"]:
        assessed = risk["status"] == "assessed"
        assert (risk["likelihood"] is not None) == assessed
        assert (risk["concern"] is not None) == assessed
        assert risk["reasons"]


def test_shares_are_shares_and_the_calendar_is_whole(each_run):
    a = each_run.assessment
    days = a.calendar.days
    assert days[0] == a.issued_on
    assert all((later - day).days == 1 for day, later in itertools.pairwise(days))
    for animal in a.animals:
        if animal.ranked:
            assert len(animal.still_out) == len(animal.short_and_out) == len(days)
            assert all(0 <= s <= o <= 1 for s, o in
                       zip(animal.short_and_out, animal.still_out, strict=True))  # fmt: skip
            assert list(animal.still_out) == sorted(animal.still_out, reverse=True)


def test_shares_of_futures_stand_only_behind_the_gate(each_run):
    a = each_run.assessment
    for animal in (*(x for x in a.animals if x.ranked), a.reference_animal):
        assert (animal.reserve_lasts is not None) == a.gate.passed
    said = "Fat lasts until food in" in words(each_run.letter("monitor").text)
    assert said == a.gate.passed


def test_a_site_that_fails_the_gate_gives_days_and_no_shares(small_run, tmp_path, dates, each_run):
    """With well-fed adults that lose fast, the model would not bring them through here."""
    override = '[species.override]\n"reserve.fed_change_per_day" = '
    override += '{ value = -0.006, reason = "test" }\n'
    site_text = "\n" + override
    seen = small_run(tmp_path, dates[0], more=site_text)
    assert not seen.assessment.gate.passed
    assert seen.assessment.gate.reason == "adults_do_not_last"
    assert all(a.reserve_lasts is None for a in seen.assessment.animals)
    for letter in seen.run.letters:
        assert "Fat lasts" not in words(letter.text)
        assert "no shares of futures" in words(letter.text)
    assert seen.assessment.overrides


# --- messages ---------------------------------------------------------------------------------


def test_one_message_a_recipient(each_run):
    assert list(each_run.eml) == [
        "alert-coordinator-1.eml",
        "alert-monitor-1.eml",
        "alert-rehabilitator-1.eml",
    ]


def test_headers(each_run):
    issued = each_run.assessment.issued_at
    ids = set()
    for name, message in each_run.eml.items():
        role = name.split("-")[1]
        assert message["Date"].datetime == issued
        assert re.fullmatch(r"<[0-9a-f]{32}@[^<>\s@]+>", message["Message-ID"])
        ids.add(message["Message-ID"])
        assert message["Auto-Submitted"] == "auto-generated"
        (sender,), (to,) = message["From"].addresses, message["To"].addresses
        assert sender.addr_spec == "riskcast@riskcast.invalid"
        assert to.addr_spec == f"{role}@example.org"
        assert message["MIME-Version"] == "1.0"
        assert message["Content-Language"] == "en"
        assert 10 <= len(message["Subject"]) <= 78
        assert message["Subject"] == each_run.letter(role).subject
        assert not message.defects
    assert len(ids) == 3


def test_structure_and_lines(each_run):
    for path in each_run.run.folder.glob("*.eml"):
        raw = path.read_bytes()
        raw.decode("ascii")
        assert raw.count(b"\n") == raw.count(b"\r\n")
        assert max(map(len, raw.split(b"\r\n"))) <= 78  # RFC 5322 §2.1.1, without CRLF
    for message in each_run.eml.values():
        assert message.get_content_type() == "multipart/alternative"
        assert [part.get_content_type() for part in message.iter_parts()] == [
            "text/plain",
            "text/html",
        ]


def test_the_text_part_is_complete(each_run):
    a = each_run.assessment
    for role in ROLES:
        text = text_of(each_run.eml[f"alert-{role}-1.eml"])
        flat = words(text)
        assert flat.startswith(each_run.letter(role).first_line)
        headings = re.findall(r"^(.+)\n-+$", text, re.MULTILINE)
        for heading in (
            "Why",
            "How sure we are",
            "What we do not know",
            "The case against",
            "Cautions",
            "The next word",
            "How old the data are",
            "Where the weather comes from",
        ):
            assert heading in headings
        for caution in (
            "You need a licence to disturb, handle, keep or move these animals.",
            "Your local law and your licence come first.",
            "Leave hibernating animals alone",
            "A sick or underweight animal needs a vet or an experienced rehabilitator.",
            "Other causes of death are not counted.",
            "2 to 3 days of reserve",
        ):
            assert caution in flat
        for line in (*a.weather.attribution, a.weather.licence):
            assert words(line) in flat
        assert f"{round(a.weather.age_hours)} hours before" in flat
        assert "Our confidence is" in flat
        look = each_run.advice(role).look_again
        assert f"We look again on {look:%A} {look.day} {look:%B}" in flat


def test_both_parts_say_the_same(each_run):
    for name, message in each_run.eml.items():
        first, *rest = page(html_of(message))
        assert first == ("h1", each_run.letter(name.split("-")[1]).first_line)
        lines = [line for line in text_of(message).splitlines() if not re.fullmatch(r"-+", line)]
        plain = words(" ".join(re.sub(r"^- ", "", line) for line in lines))
        assert plain == words(" ".join([first[1], *(text for _, text in rest)]))


def test_a_moved_visit_says_what_it_replaces_and_what_waiting_costs(full_run, dates):
    text = words(text_of(full_run(dates[0]).eml["alert-monitor-1.eml"]))
    assert "This day takes the place of Saturday 22 November." in text
    assert "If you cannot come, keep the planned day." in text
    assert re.search(r"Waiting a week ", text)


def test_no_survival_probability_anywhere(each_run):
    told = [each_run.run.assessment_json, each_run.run.short_text]
    for message in each_run.eml.values():
        told += [text_of(message), html_of(message), message["Subject"]]
    for text in told:
        assert not re.search(r"surviv|chances? of (living|dying)|mortality", text, re.IGNORECASE)
        # Never "0 of 10", never "10 of 10": the model is not good enough for either.
        assert not re.search(r"\b(0|10) (of|in) 10\b", text)


def test_the_rehabilitator_learns_no_place(each_run):
    a = each_run.assessment
    message = each_run.eml["alert-rehabilitator-1.eml"]
    told = "\n".join([*(f"{key}: {value}" for key, value in message.items()),
                      text_of(message), html_of(message)])  # fmt: skip
    assert not re.search(r"\bbox(es)? +[0-9]", told, re.IGNORECASE)
    for secret in (a.site.name, a.site.id, "Alder", "Hanger", *a.records.files):
        assert secret.lower() not in told.lower()
    for animal in a.animals:
        assert animal.label not in told
        assert not animal.organism_id or animal.organism_id not in told
    assert "near 50.0° N, 4.0° W" in words(told)


def test_places_are_rounded_in_whatever_leaves_the_machine(
    small_run, small_weather, weight_rows, write_weights, tmp_path, dates
):
    """A place in the fourth decimal, and files whose names tell where it is."""
    weather = small_weather.copy(tmp_path / "alder-hanger-weather")
    history = small_weather.history.squeeze(drop=True).drop_vars("surface_altitude")
    (weather / "history.nc").unlink()
    history.drop_vars(["latitude", "longitude"], errors="ignore").to_netcdf(
        weather / "history-alder-hanger.nc"
    )
    sheet = write_weights(tmp_path / "alder-hanger.csv", weight_rows)
    seen = small_run(
        tmp_path / "run",
        dates[0],
        latitude=50.0437,
        longitude=-4.0318,
        files=[sheet],
        history=weather / "history-alder-hanger.nc",
    )
    site = seen.document["site"]
    assert (site["latitude"], site["longitude"]) == (50.0, -4.0)
    everything = {**{path.name: path.read_bytes().decode() for path in seen.run.files}}
    everything |= {name: text_of(m) + html_of(m) for name, m in seen.eml.items()}
    everything["printed"] = seen.run.short_text
    for name, text in everything.items():
        assert not re.search(r"50\.04|4\.03", text), name
    codes = {note["code"] for note in seen.document["weather"]["notes"]}
    assert "place_not_stated" in codes
    letter = everything["alert-rehabilitator-1.eml"].lower()
    assert "does not say which place" in words(letter)
    assert "alder" not in letter
    assert "hanger" not in letter


# --- rows set aside -----------------------------------------------------------------------------


@pytest.fixture(scope="module")
def with_faults(tmp_path_factory, small_run, weight_rows, write_weights, dates):
    """Seven rows nobody can use, among the demonstration's."""
    folder = tmp_path_factory.mktemp("faults")
    bad = [
        {"event_date": "2025-10-18", "box": "61", "body_mass_g": "195", "life_stage": "adult"},
        {"event_date": "2025-10-18", "box": "62", "body_mass_g": "0.195", "life_stage": "adult"},
        {"event_date": "18/10/25", "box": "63", "body_mass_g": "19.5", "life_stage": "adult"},
        {"event_date": "2025-10-18", "box": "64", "body_mass_g": "19.5", "sex": "fem?"},
        {"event_date": "2025-10-18", "box": "65", "body_mass_g": "heavy"},
        {"event_date": "", "box": "66", "body_mass_g": "20"},
        {"event_date": "2025-10-18", "box": "67", "body_mass_g": "20", "life_stage": "dragon"},
    ]
    rows = [*weight_rows, *({**dict.fromkeys(weight_rows[0], ""), **row} for row in bad)]
    sheet = write_weights(folder / "weights.csv", rows)
    return small_run(folder / "run", dates[0], files=[sheet])


def test_bad_rows_lie_beside_the_run_with_cells_and_reason(with_faults):
    path = with_faults.run.folder / "weights-rejected.csv"
    assert path in with_faults.run.files
    rows = list(csv.DictReader(io.StringIO(path.read_text("utf-8-sig"))))
    assert [row["box"] for row in rows] == ["61", "62", "63", "64", "65", "66", "67"]
    assert rows[0]["body_mass_g"] == "195"
    assert all(row["reason"] for row in rows)
    assert [int(row["source_row"]) for row in rows] == list(range(335, 342))


def test_good_rows_are_used_and_counted(with_faults, usual, dates):
    records = with_faults.assessment.records
    before = usual(dates[0]).assessment.records
    assert (records.rows, records.used) == (before.rows + 7, before.used)
    assert len(records.set_aside) == 7
    assert with_faults.advice("monitor") == usual(dates[0]).advice("monitor")


def test_the_monitor_hears_of_five_rows_with_their_remedy(with_faults):
    text = text_of(with_faults.eml["alert-monitor-1.eml"])
    section = text[text.index("Rows of your sheet we could not use") :]
    items = re.findall(r"^- ", section.split("\n\n\n")[0], re.MULTILINE)
    assert len(items) == 5
    flat = words(section)
    for fault in with_faults.assessment.records.set_aside[:5]:
        assert f"{fault.where} " in flat or f"{fault.where}:" in flat
        assert words(fault.remedy) in flat
    assert "2 more rows are in the list beside this run." in flat
    assert "row 335" in flat
    assert '"195"' in flat


def test_nobody_else_hears_of_them(with_faults):
    for role in ("coordinator", "rehabilitator"):
        message = with_faults.eml[f"alert-{role}-1.eml"]
        assert "could not use" not in words(text_of(message))
        assert "195" not in text_of(message)


def test_a_corrected_sheet_leaves_no_list_of_bad_rows(
    with_faults, small_run, weight_rows, write_weights, tmp_path, dates
):
    """The same day again, after the sheet was mended and a recipient left."""
    rows = [*weight_rows, {**dict.fromkeys(weight_rows[0], ""), "box": "61", "event_date": "x"}]
    sheet = write_weights(tmp_path / "weights.csv", rows)
    first = small_run(tmp_path, dates[0], files=[sheet])
    assert (first.run.folder / "weights-rejected.csv").exists()
    (first.run.folder / "notes of my own.txt").write_text("keep")
    write_weights(sheet, weight_rows)
    text = first.site.read_text("utf-8")
    start = text.index('[[recipients]]\nname = "Rehabilitator"')
    cut = text[:start] + text[text.index("# Without this section") :]
    first.site.write_text(cut, "utf-8")
    second = pipeline.run(first.site, as_of=dates[0], out=tmp_path / "out", draws=64)
    assert second.folder == first.run.folder
    assert sorted(path.name for path in second.folder.iterdir()) == [
        "alert-coordinator-1.eml",
        "alert-monitor-1.eml",
        "assessment.json",
        "notes of my own.txt",
    ]


# --- who gets what, and what is said of old or thin data ----------------------------------------


def test_recipients_of_one_role_are_counted(small_run, tmp_path, dates):
    more = (
        '\n[[recipients]]\nname = "Second monitor"\naddress = "second@example.org"\n'
        'role = "monitor"\n'
    )
    # The [archive] section stands before: a new table may follow it.
    seen = small_run(tmp_path, dates[2], more=more)
    assert {"alert-monitor-1.eml", "alert-monitor-2.eml"} <= set(seen.eml)
    one, two = (seen.eml[f"alert-monitor-{n}.eml"] for n in (1, 2))
    assert two["To"].addresses[0].addr_spec == "second@example.org"
    assert text_of(one) == text_of(two)
    assert one["Message-ID"] != two["Message-ID"]


def test_an_old_forecast_is_used_and_said_to_be_old(small_run, tmp_path):
    seen = small_run(tmp_path, dt.date(2025, 10, 30))
    assert seen.assessment.weather.stale
    assert seen.assessment.weather.age_hours == pytest.approx(96.0, abs=0.1)
    for message in seen.eml.values():
        head = words(text_of(message))[:900]
        assert "Take this letter with care. The forecast behind it is 96 hours old" in head
    for risk in seen.assessment.risks:
        if risk.status == "assessed":
            assert risk.confidence == "low"
            assert "stale_forecast" in {reason.code for reason in risk.confidence_reasons}


def test_weather_without_wind_and_humidity_says_so(small_weather, small_run, tmp_path, dates):
    def bare(data):
        return data[["air_temperature", "precipitation"]]

    weather = small_weather.changed(tmp_path / "w", dates[1], forecast=bare, history=bare)
    seen = small_run(tmp_path, dates[1], **weather)
    names = {
        note["numbers"]["name"]
        for note in seen.document["weather"]["notes"]
        if note["code"] == "no_variable"
    }
    assert names == {"relative_humidity", "snow_depth", "wind_speed"}
    assert "no wind speed" in words(seen.letter("monitor").text)


def test_one_member_is_a_forecast_of_low_confidence(small_weather, small_run, tmp_path, dates):
    weather = small_weather.changed(
        tmp_path / "w", dates[1], forecast=lambda data: data.isel(number=[0])
    )
    seen = small_run(tmp_path, dates[1], **weather)
    risk = seen.risk("winter_arousal")
    assert risk.confidence == "low"
    assert "dressed_forecast" in {reason.code for reason in risk.confidence_reasons}
    assert np.isfinite(risk.likelihood)
