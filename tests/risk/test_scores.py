"""Bands, words, quantiles: what people see of many futures."""

from __future__ import annotations

import datetime as dt

import numpy as np
import pytest

from riskcast import species
from riskcast.risk.scores import (
    concern,
    date_quantity,
    likelihood_word,
    quantity,
    rank_among,
    share,
)

SP = species.load("hazel_dormouse")


@pytest.mark.parametrize(
    ("probability", "word"),
    [
        (0.005, "exceptionally unlikely"),
        (0.05, "very unlikely"),
        (0.2, "unlikely"),
        (0.5, "about as likely as not"),
        (0.7, "likely"),
        (0.95, "very likely"),
        (0.995, "virtually certain"),
    ],
)
def test_words_follow_the_ipcc_bands(probability, word):
    """IPCC AR4 WG2 front matter: <1, 1-10, 10-33, 33-66, 66-90, 90-99, >99 %."""
    assert likelihood_word(probability, SP) == word


def test_quantity_gives_median_and_tenths():
    q = quantity(np.arange(101.0), "day")
    assert (q.value, q.low, q.high, q.at_least) == (50.0, 10.0, 90.0, False)


def test_a_median_beyond_the_bound_says_at_least():
    values = np.minimum(np.arange(101.0), 40)
    q = quantity(values, "day", capped=np.arange(101) > 40)
    assert q.value == 40.0
    assert q.at_least


def test_unknown_is_a_reason_and_never_a_nan():
    q = quantity([np.nan, np.nan], "day", reason="no_food_date")
    assert q.value is None
    assert q.reason == "no_food_date"
    half = quantity([np.nan, 4.0], "day")
    assert half.value == 4.0


def test_values_above_a_ceiling_are_at_least():
    q = quantity([10.0, 500.0, np.inf], "g", ceiling=45.0)
    assert q.value == 45.0
    assert q.at_least


def test_dates_that_do_not_come_are_later_than_all():
    moments = np.array(["2026-04-10", "2026-04-20", "NaT", "NaT", "NaT"], dtype="datetime64[ns]")
    q = date_quantity(moments, "Europe/London")
    assert q.value is None
    assert q.reason == "not_by_end_of_season"
    assert q.low == dt.date(2026, 4, 10)
    assert date_quantity(moments[:2], "Europe/London").value == dt.date(2026, 4, 10)


def test_concern_rises_along_both_sides_of_the_table():
    order = ["low", "moderate", "high"]
    edges = SP.risk.winter_reserve_edges
    steps = (0.05, 0.2, 0.5, 0.9)
    table = [[order.index(concern(p, c, edges, SP)) for c in (1, 5, 10, 20)] for p in steps]
    assert (np.diff(table, axis=0) >= 0).all()
    assert (np.diff(table, axis=1) >= 0).all()
    assert table[0][0] == 0
    assert table[-1][-1] == 2


def test_share_and_rank():
    assert share([True, False, False, True]) == 0.5
    assert rank_among(5.0, [1.0, 2.0, 9.0]) == 2
