from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from riskcast.weather.table import readable


def test_rows_after_the_moment_are_not_looked_at():
    nan = float("nan")
    assert list(readable([1.0, 2.0, 3.0, nan, 4.0], 2.5)) == [0, 1]
    assert list(readable([1.0, nan, 2.0, 9.0, 2.2], 2.5)) == [0, 1, 2, 4]
    assert list(readable([7.0, 8.0], 2.5)) == []
    assert list(readable([7.0, nan], None)) == [0, 1]


@given(
    known=st.lists(st.integers(0, 50), min_size=1, max_size=20),
    later=st.lists(st.one_of(st.integers(51, 99), st.just(float("nan"))), max_size=20),
)
def test_what_is_appended_later_changes_nothing(known, later):
    alone = readable(np.array(known, dtype=float), 50)
    assert list(alone) == list(readable(np.array([*known, *later], dtype=float), 50))
