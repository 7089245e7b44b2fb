"""`riskcast check` speaks to the keeper in sentences, not in our codes."""

from __future__ import annotations

import functools
import re
import sys

import openpyxl
import pytest

from riskcast import pipeline
from riskcast.advice import note_sentences, sheet_sentences
from riskcast.base.errors import RiskcastError
from riskcast.risk import Reason


@pytest.fixture(autouse=True)
def few_draws(monkeypatch):
    module = sys.modules["riskcast.pipeline.check"]
    monkeypatch.setattr(module, "forecast", functools.partial(module.forecast, draws=32))


def test_notes_are_sentences_with_a_way_out(small_site, tmp_path, dates):
    book = openpyxl.Workbook()
    book.active.append(["Date", "Box", "Age", "Weight"])
    for row in (["2025-10-18", 1, "juvenile", 14.0], [None, 2, "juvenile", 15.0]):
        book.active.append(row)
    book.active.merge_cells("A2:A3")
    sheet = tmp_path / "weights.xlsx"
    book.save(sheet)
    site = small_site(tmp_path / "site", files=[sheet], past_years=20)
    report = pipeline.check(site, as_of=dates[0])
    assert report.exit_code == 0
    told = {line.topic: line.text for line in report.lines}
    assert "note: We filled merged cells down (weights.xlsx, 1 cell). If that" in told["weights"]
    assert re.search(
        r"note: We have \d+ past years of weather, not the 20 asked for\. Give weather\.history",
        told["weather"],
    )
    for text in told.values():
        assert not re.search(r"note: [a-z]+_[a-z_]+|taken for granted", text)


def test_every_remedy_belongs_to_a_sentence():
    from riskcast.advice.sentences import environment

    def macros(name):
        module = environment().get_template(name).make_module({"role": "monitor"})
        return {m for m in dir(module) if not m.startswith("_") and callable(getattr(module, m))}

    assert macros("notes.j2") <= macros("reasons.j2") | macros("sheet.j2")


def test_a_code_without_a_sentence_is_an_error():
    with pytest.raises(RiskcastError, match="no sentence"):
        note_sentences([Reason(code="never_heard_of")])
    with pytest.raises(RiskcastError, match="no sentence"):
        sheet_sentences(["never_heard_of: weights.csv"])


def test_a_number_that_is_missing_is_an_error():
    with pytest.raises(RiskcastError, match="past_years_short"):
        note_sentences([Reason(code="past_years_short")])


def test_offline_no_mail_server_is_greeted(small_site, tmp_path, dates, monkeypatch):
    """`.invalid` never resolves (RFC 6761), and nothing is looked up."""
    monkeypatch.setattr("socket.getaddrinfo", lambda *_, **__: pytest.fail("looked up a name"))
    more = (
        '[mail]\nhost = "smtp.invalid"\nport = 465\nsecurity = "tls"\n'
        'from = "riskcast <alerts@example.org>"\n'
    )
    report = pipeline.check(small_site(tmp_path, more), as_of=dates[0], offline=True)
    (told,) = (line.text for line in report.lines if line.topic == "mail")
    assert "not greeted" in told
    assert report.exit_code == 0


LITTER = "\n".join(
    ["time,litter temp (degC)"]
    + [
        f"2025-10-{20 + k // 24} {k % 24:02d}:00,{6 + k % 7}.5"
        for k in range(60)
        if k not in (9, 30, 31)
    ]
)


def logger_line(site, folder, text, dates, more=""):
    (folder / "litter.csv").write_text(text + "\n", "utf-8")
    words = site.read_text("utf-8").replace("[weather]\n", '[weather]\nlogger = "../litter.csv"\n')
    site.write_text(words + more, "utf-8")
    report = pipeline.check(site, as_of=dates[0])
    return report, next(line for line in report.lines if line.topic == "logger")


def test_the_logger_s_record_is_told(small_site, tmp_path, dates):
    """60 hours but three, in gaps of one and of two hours."""
    report, line = logger_line(small_site(tmp_path / "site"), tmp_path, LITTER, dates)
    assert line.ok
    assert line.text == (
        "litter.csv: 60 hours from 2025-10-20 00:00 to 2025-10-22 11:00 UTC, 3 of them missing in "
        "2 gaps; a reading every 60 minutes; 6.5 to 12.5 °C"
    )
    assert report.exit_code == 0


def test_readings_after_the_moment_are_not_told(small_site, tmp_path, dates):
    late = LITTER + "\n2025-12-01 00:00,19.5"
    _, line = logger_line(small_site(tmp_path / "site"), tmp_path, late, dates)
    assert "to 2025-10-22 11:00 UTC" in line.text


def test_the_logger_s_faults_are_told_and_the_rest_is_tried(small_site, tmp_path, dates):
    wrong = LITTER.replace("(degC)", "")
    report, line = logger_line(small_site(tmp_path / "site"), tmp_path, wrong, dates)
    assert not line.ok
    assert "states no unit" in line.text
    assert report.exit_code == 69
    assert "letters" in {one.topic for one in report.lines if one.ok}
