"""Warmer above 2 °C never longer: in every draw, and what of it holds in every future.

A draw is one set of parameters. In every one of 1,024 a warmer winter costs an animal more, at
every hour and however the weather runs, once its own luck is averaged out. A future is a draw in
one course of the weather with one animal's luck; there a few break the order, for two reasons that
are both as measured: a waking lasts longer in the warm, and meanwhile the hazard rests; and it
costs more in the warm, so an animal that wakes earlier, in a cooler hour, may pay less than its
cooler double that wakes later, in a warmer one. With both slopes at nought not one future breaks.
"""

from __future__ import annotations

import numpy as np
import pytest
import xarray as xr
from hypothesis import given, settings
from hypothesis import strategies as st
from one_winter import HourlyRates, mean_spent, wandering

from riskcast import species
from riskcast.physiology import spent_until, winter

SP = species.load("hazel_dormouse")
DRAWS = 1024
COLUMNS = SP.draw(DRAWS, 0).columns()
# Draws whose torpid rate or waking cost answers warmth at all.
ANSWERS = ((COLUMNS.torpor.q10 > 1) | (COLUMNS.arousal.cost_slope > 0)).ravel()
MASSES = [13.0, 15.0, 18.0, 22.0, 28.0]


def weather(seed: int, level: float, restless: float) -> np.ndarray:
    """Above 2 °C throughout, up to where hazards are known."""
    return wandering(seed, level, restless, days=40, low=2.0, high=13.0)


@settings(max_examples=8, deadline=None, derandomize=True)
@given(
    seed=st.integers(0, 10_000),
    level=st.floats(3.0, 10.0),
    restless=st.floats(0.05, 0.5),
    warmer=st.floats(0.1, 4.0),
    spell=st.one_of(st.none(), st.tuples(st.integers(0, 30), st.integers(1, 10))),
    start=st.sampled_from(["2020-10-20", "2020-12-01", "2021-03-10"]),
)
def test_in_every_draw_the_warmer_winter_has_cost_more_at_every_hour(
    nest_series, seed, level, restless, warmer, spell, start
):
    """The mean over all luck, followed by the hour (no event scheme in it); with the season's
    factors, for a winter that is warmer throughout and for one warm spell of some days.

    Two of 1,024 draws answer warmth with neither rate nor cost: their Q10 is cut at 1 and their
    cost slope at 0. There wakings that only last longer may save 4e-5 g g-1, a hundredth of a
    day, and above 10 °C, where hazard and length are held, warmth costs them nothing more.
    """
    cool = weather(seed, level, restless)
    times = nest_series(cool, start=start).time.values
    warm = cool + warmer
    first = 0
    if spell is not None:
        first = spell[0] * 24
        inside = slice(first, first + spell[1] * 24)
        warm = cool.copy()
        warm[inside] += warmer
    here, there = (mean_spent(HourlyRates(nest, times, COLUMNS)) for nest in (warm, cool))
    more = here[:, first:] - there[:, first:]
    assert (more[ANSWERS] > 0).all()
    # A day of reserve is about 5e-3.
    assert more.min() > -1e-4
    np.testing.assert_array_equal(here[:, :first], there[:, :first])


def test_hardly_a_draw_does_not_answer_warmth():
    assert 0 < (~ANSWERS).sum() <= 3


def test_the_event_scheme_has_that_mean(nest_series):
    """What the statement above is about is what the futures are made of: 32 lucks, 1,024 draws."""
    nest = nest_series(weather(5, 6.0, 0.2), start="2020-10-20")
    end = nest.time[-1].expand_dims(member=[0]) + np.timedelta64(1, "h")
    spent = np.mean(
        [spent_until(nest, end, SP, draws=DRAWS, key=f"luck {n}").values[0] for n in range(32)],
        axis=0,
    )
    mean = mean_spent(HourlyRates(nest.values[0], nest.time.values, COLUMNS))[:, -1]
    # A future's luck is about 15 % of its cost here: 32,768 of them miss by 0.1 %.
    assert spent.mean() == pytest.approx(mean.mean(), rel=0.005)
    assert np.corrcoef(spent, mean)[0, 1] > 0.99


@pytest.fixture(scope="module")
def cool(nest_series) -> xr.DataArray:
    rng = np.random.default_rng(0)
    walk = np.cumsum(rng.normal(0, 0.1, (8, 220 * 24)), axis=1)
    return nest_series(np.clip(6 + walk - walk.mean(axis=1, keepdims=True), 2, 12))


def warmer_by(nest: xr.DataArray, degrees: float) -> xr.DataArray:
    return (nest + degrees).assign_attrs(nest.attrs)


@pytest.mark.parametrize("degrees", [0.25, 1.0, 3.0])
def test_in_every_draw_the_reserve_ends_no_later(cool, degrees):
    """Days in hand by the event scheme itself, 1,024 draws, the mean of 64 animals' luck."""
    one = cool.isel(member=[3])
    there, here = (
        winter(nest, [15.0] * 64, SP, draws=DRAWS).days_in_hand.mean(("member", "animal"))
        for nest in (one, warmer_by(one, degrees))
    )
    assert bool((here < there).all())


def test_single_futures_break_the_order_seldom(cool):
    """The miss, with its size: 5 of 10,240 futures at +1 °C, by 0.02 days at the most; 32 at
    +0.25 °C, by up to 3 days. In the mean over each animal, and over each draw, none."""
    for degrees, most, days in ((0.25, 0.004, 3.0), (1.0, 0.001, 0.1), (3.0, 0.001, 0.1)):
        there, here = (
            winter(nest, MASSES, SP).days_in_hand for nest in (cool, warmer_by(cool, degrees))
        )
        longer = here - there
        assert 0 < float((longer > 1e-9).mean()) < most
        assert float(longer.max()) < days
        assert bool((longer.mean(("member", "draw")) < 0).all())
        assert bool((longer.mean(("animal", "member")) < 0).all())


@pytest.mark.parametrize("degrees", [0.25, 1.0, 3.0])
def test_no_future_breaks_it_where_wakings_are_alike_in_the_warm(cool, degrees):
    """Neither longer nor dearer: the k-th waking comes earlier, and nothing makes up for it."""
    sp = SP.with_values(arousal__length_slope=0.0, arousal__cost_slope=0.0)
    there, here = (
        winter(nest, MASSES, sp).days_in_hand for nest in (cool, warmer_by(cool, degrees))
    )
    assert bool((here <= there + 1e-9).all())
