"""The compiled scheme against the same in NumPy: the same numbers, chosen by size alone."""

from __future__ import annotations

import importlib.util
import warnings

import numpy as np
import pytest
import xarray as xr

from riskcast import species
from riskcast.physiology import compiled, futures, winter

SP = species.load("hazel_dormouse")
# 9 g is no reserve in some draws, 60 g never runs out.
MASSES = [9.0, 13.0, 20.0, 60.0]
needs_numba = pytest.mark.skipif(
    importlib.util.find_spec("numba") is None, reason="the extra 'scale' is not installed"
)


@pytest.fixture(scope="module")
def nest(nest_series) -> xr.DataArray:
    rng = np.random.default_rng(3)
    walk = np.cumsum(rng.normal(0, 0.2, (3, 120 * 24)), axis=1)
    return nest_series(np.clip(5 + walk - walk.mean(axis=1, keepdims=True), -6, 13))


def assert_same(one: xr.Dataset, other: xr.Dataset) -> None:
    np.testing.assert_array_equal(one.arousals, other.arousals)
    np.testing.assert_array_equal(one.reserve_empty.isnull(), other.reserve_empty.isnull())
    for name in ("body_mass_g", "days_in_hand"):
        np.testing.assert_allclose(one[name], other[name], rtol=1e-9)


def both(nest: xr.DataArray, sp: species.Species, **options: object) -> None:
    numpy, numba = (
        winter(nest, MASSES, sp, draws=32, engine=engine, **options)
        for engine in ("numpy", "numba")
    )
    assert float(numpy.arousals.max()) > 0
    assert_same(numba, numpy)


CASES = {
    "as it ships": {},
    "searching": {"arousal__search_fraction": 0.3},
    # More wakings than the kernel is handed at a time.
    "restless": {"torpor__arousal_multiplier": 6.0},
    "asleep for long": {"torpor__arousal_multiplier": 0.02},
}


@needs_numba
@pytest.mark.parametrize("changes", CASES.values(), ids=CASES)
def test_compiled_equals_numpy(nest, changes):
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        both(nest, SP.with_values(**changes))


@needs_numba
def test_compiled_equals_numpy_from_late_onsets(nest):
    hours = np.array([-5.0, 10.25, 700.5, 119.9 * 24])
    start = nest.time.to_numpy()[0]
    onset = xr.DataArray(
        start + (hours * 3600).astype("timedelta64[s]"), dims=("animal",), name="onset"
    )
    both(nest, SP, onset=onset, season_terms=False)


def test_the_kernel_is_the_same_scheme_when_it_is_not_compiled(nest, monkeypatch):
    """Wherever the suite runs, with numba or without."""
    monkeypatch.setattr(compiled, "_kernel", lambda: compiled._carry)
    monkeypatch.setattr(compiled, "find_spec", lambda name: "stand-in")
    sp = SP.with_values(arousal__search_fraction=0.3)
    numpy = winter(nest, MASSES, sp, draws=4, engine="numpy")
    assert_same(winter(nest, MASSES, sp, draws=4, engine="numba"), numpy)


def test_the_choice_hangs_on_size_and_on_what_is_installed(monkeypatch):
    monkeypatch.setattr(compiled, "find_spec", lambda name: "installed")
    monkeypatch.setattr(compiled, "_loads", lambda: False)
    assert not compiled.picked("auto", 10_000_000)
    monkeypatch.setattr(compiled, "_loads", lambda: True)
    assert not compiled.picked("auto", 10_000)
    assert compiled.picked("auto", 10_000_000)
    assert not compiled.picked("numpy", 10_000_000)
    assert compiled.picked("numba", 1)


def test_everything_works_without_the_extra(nest, monkeypatch):
    monkeypatch.setattr(compiled, "find_spec", lambda name: None)
    assert not compiled.picked("auto", 10_000_000)
    monkeypatch.setattr(futures, "Compiled", None)
    assert winter(nest, MASSES, SP, draws=4).sizes["animal"] == 4
    with pytest.raises(ModuleNotFoundError, match=r"riskcast\[scale\]"):
        winter(nest, MASSES, SP, draws=4, engine="numba")
