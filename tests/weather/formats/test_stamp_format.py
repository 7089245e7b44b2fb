"""Declared ways of writing a time, each with a moment that can be told by eye."""

from __future__ import annotations

import numpy as np
import pytest

from riskcast.weather.formats.stamp_format import StampFormat


@pytest.mark.parametrize(
    ("form", "text", "expected"),
    [
        ("YYYY-MM-DD hh:mm", "2020-02-29 07:05", "2020-02-29T07:05"),
        ("YYYY-MM-DD hh:mm", "2020-02-29   07:05:00", "2020-02-29T07:05"),
        ("YYYY-MM-DDThh:mm:ss", "2020-02-29T07:05:59", "2020-02-29T07:05:59"),
        ("DD.MM.YYYY hh", "1.3.2020 24", "2020-03-02T00:00"),
        ("DD.MM.YYYY", "31.12.1999", "1999-12-31T00:00"),
        ("MM/DD/YY hh:mm am", "12/31/99 12:05 AM", "1999-12-31T00:05"),
        ("MM/DD/YY h:mm pm", "12/31/20 1:05 p.m.", "2020-12-31T13:05"),
        ("YYYYMMDDhh", "2020010203", "2020-01-02T03:00"),
        ("YYYYMMDD hhmm", "20200102 0304", "2020-01-02T03:04"),
        ("D MMM YYYY hh:mm", "2 Mar 2020 03:04", "2020-03-02T03:04"),
        ("D MMM YYYY", "2 March 2020", "2020-03-02T00:00"),
    ],
)
def test_what_is_read(form, text, expected):
    assert StampFormat.of(form).parse([f" {text} "])[0] == np.datetime64(expected)


@pytest.mark.parametrize(
    ("form", "text"),
    [
        ("YYYY-MM-DD hh:mm", "2020-02-30 07:05"),
        ("YYYY-MM-DD hh:mm", "2020-13-01 07:05"),
        ("YYYY-MM-DD hh:mm", "2020-12-01 24:05"),
        ("YYYY-MM-DD hh:mm", "2020-12-01 07:60"),
        ("YYYY-MM-DD hh:mm", "2020-12-01 07:05:30"),  # seconds would be lost unseen
        ("YYYY-MM-DD hh:mm", "2020-12-01"),
        ("YYYY-MM-DD hh:mm", "20-12-01 07:05"),
        ("DD.MM.YYYY", "01/02/2020"),
        ("DD.MM.YYYY", ""),
        ("MM/DD/YY hh:mm am", "12/31/99 13:05 AM"),
        ("D MMM YYYY", "2 Brumaire 2020"),
        ("YYYYMMDD", "202011"),
    ],
)
def test_what_is_not(form, text):
    assert np.isnat(StampFormat.of(form).parse([text])[0])


def test_parts_in_columns_of_their_own():
    form = StampFormat.of("DD/MM/YYYY hh:mm", in_parts=True)
    found = form.parse(["1 2 2020 3:04", "1 2 2020 3 4", "x"])
    assert found[0] == found[1] == np.datetime64("2020-02-01T03:04")
    assert np.isnat(found[2])


def test_days_and_moments():
    assert StampFormat.of("YYYY-MM-DD hh").has_hour
    assert not StampFormat.of("YYYY-MM-DD").has_hour


@pytest.mark.parametrize(
    ("form", "problem"),
    [
        ("hh:mm", "no order"),
        ("YYYY-MM", "no order"),
        ("YYYY-MM-DD MM", "no order"),
        ("dd.mm.yyyy", "no order"),
        ("YYYY-MM-DD mm", "minutes without hours"),
    ],
)
def test_what_is_no_format(form, problem):
    with pytest.raises(ValueError, match=problem):
        StampFormat.of(form)
