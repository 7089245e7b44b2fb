"""Each condition under which jumping from waking to waking is exact, held to arithmetic by hand.

In steady weather everything has a closed form: the k-th waking comes when the torpid hours so far
reach its k-th exponential over λ, and the hours awake lie between.
"""

from __future__ import annotations

import numpy as np
import pytest
import xarray as xr
from one_winter import HourlyRates, at_the_centre

from riskcast import species
from riskcast.base.streams import stream
from riskcast.physiology import futures, winter
from riskcast.physiology.events import Luck

SP = species.load("hazel_dormouse")
CENTRAL = at_the_centre(SP)
T, DRAWS, SEED = 5.0, 64, 3
KEY = "one"


def one(mass_g: float, key: str = KEY) -> xr.DataArray:
    return xr.DataArray([mass_g], dims="animal", coords={"animal": [key]})


def exponentials(key: str = KEY, draws: int = DRAWS, seed: int = SEED) -> np.ndarray:
    """(waking, draw): the stored ones of an animal, by the name of its stream."""
    return stream(seed, "arousal", "target", key, "0").standard_exponential((32, draws))


@pytest.fixture(scope="module")
def rates(nest_series) -> HourlyRates:
    nest = nest_series(T, days=1)
    return HourlyRates(nest.values[0], nest.time.values, CENTRAL, season_terms=False)


def hours_since(course: xr.Dataset, name: str, nest: xr.DataArray) -> np.ndarray:
    since = course[name].isel(animal=0, member=0) - nest.time[0]
    return np.where(since.isnull(), np.inf, since / np.timedelta64(1, "h"))


def steady(nest: xr.DataArray, mass: xr.DataArray, sp=CENTRAL, **options) -> xr.Dataset:
    given = {"season_terms": False, "draws": DRAWS, "seed": SEED} | options
    return winter(nest, mass, sp, **given)


# The hazard rests while the animal is awake, and starts again when the waking ends --------------


def test_wakings_come_when_torpid_hours_reach_the_exponentials(nest_series, rates):
    nest = nest_series(T, days=60)
    course = steady(nest, one(500.0), daily=True)
    torpid = exponentials().cumsum(axis=0) / rates.hazard[0]
    begins = torpid + np.arange(32)[:, np.newaxis] * rates.length[0]
    # A length that is no whole number of hours: the cumulants are read between hours.
    assert rates.length[0] % 1 > 0.1
    inside = begins < 60 * 24
    np.testing.assert_array_equal(course.arousals[0, 0], inside.sum(axis=0))
    first = hours_since(course, "first_arousal", nest)
    np.testing.assert_allclose(first, np.where(inside[0], begins[0], np.inf), atol=1 / 3600)
    last = np.where(inside, begins, -np.inf).max(axis=0)
    last = np.where(np.isfinite(last), last, np.inf)
    np.testing.assert_allclose(
        hours_since(course, "last_arousal", nest), last, rtol=1e-12, atol=1 / 3600
    )


# An empty reserve is found inside the bout, and inside the waking -------------------------------


def spent_by(hour: np.ndarray, begins: np.ndarray, rates: HourlyRates) -> np.ndarray:
    """What is spent by an hour: torpid hours at their rate, wakings along their profile."""
    part = np.clip((hour - begins) / rates.length[0], 0.0, 1.0)
    awake = (part * rates.length[0]).sum(axis=0)
    return (hour - awake) * rates.torpid[0] + (rates.cost[0] * (1 - (1 - part) ** 2)).sum(axis=0)


@pytest.mark.parametrize("mass_g", [11.0, 13.0])
def test_the_reserve_ends_where_the_cost_so_far_meets_it(nest_series, rates, mass_g):
    nest = nest_series(T, days=300)
    limit = (mass_g**0.3 - 10.5**0.3) / (0.3 * 17.0**0.3)  # the scheme's own closed form, by hand
    course = steady(nest, one(mass_g))
    hour = course.days_in_hand.values[0, 0] * 24
    begins = exponentials().cumsum(axis=0) / rates.hazard[0]
    begins = begins + np.arange(32)[:, np.newaxis] * rates.length[0]
    np.testing.assert_allclose(spent_by(hour, begins, rates), limit, rtol=1e-9)
    # Some of either kind: gone in torpor, and gone while awake.
    awake = ((hour >= begins) & (hour < begins + rates.length[0])).any(axis=0)
    assert 0 < awake.sum() < DRAWS


# A waking that crosses the end is charged along its profile, rewarming first --------------------


def test_a_waking_cut_by_the_end_is_charged_for_its_first_part(nest_series, rates):
    begins = exponentials().cumsum(axis=0) / rates.hazard[0]
    begins = begins + np.arange(32)[:, np.newaxis] * rates.length[0]
    # The end falls into the third waking of one of the futures.
    end = int(begins[2, 0]) + 3
    nest = nest_series(np.full(end, T))
    course = steady(nest, one(500.0), daily=True)
    np.testing.assert_allclose(
        course.spent.values[0, 0], spent_by(np.full(DRAWS, end), begins, rates), rtol=1e-12
    )
    cut = ((begins < end) & (begins + rates.length[0] > end)).any(axis=0)
    assert cut.any()
    # Half of the time is three quarters of the oxygen: 1 − (1 − x)².
    half = begins[0] + rates.length[0] / 2
    nearly = spent_by(half, begins, rates) - begins[0] * rates.torpid[0]
    np.testing.assert_allclose(nearly, 0.75 * rates.cost[0])


# The k-th waking uses the k-th stored exponential -----------------------------------------------


def test_a_later_onset_moves_every_waking_by_as_much(nest_series):
    nest = nest_series(T, days=90)
    later = np.timedelta64(10 * 24 * 60 + 17, "m")
    start = nest.time.values[0]
    here, there = (
        steady(nest, one(500.0), onset=when, daily=True) for when in (start, start + later)
    )
    moved = there.first_arousal - here.first_arousal
    gap = (moved - later) / np.timedelta64(1, "s")
    # Datetimes are kept to the second.
    assert float(abs(gap).where(here.first_arousal.notnull()).max()) <= 1
    count = there.arousals.values
    cut = winter(
        nest.isel(time=slice(0, 80 * 24)), one(500.0), CENTRAL, season_terms=False,
        draws=DRAWS, seed=SEED,
    ).arousals.values  # fmt: skip
    assert abs(count - cut).max() <= 1  # 17 minutes less than 80 days


def test_every_member_meets_the_same_luck(nest_series):
    course = steady(nest_series(np.full((3, 60 * 24), T)), one(13.0))
    for name in course.data_vars:
        first = course[name].isel(member=[0, 0, 0]).assign_coords(member=course.member)
        assert course[name].equals(first), name


def test_luck_belongs_to_the_animal_and_to_nobody_else(nest_series):
    """Independent between animals: their first wakings are as far apart as their exponentials."""
    nest = nest_series(T, days=120)
    masses = xr.DataArray([500.0, 500.0], dims="animal", coords={"animal": ["one", "other"]})
    course = winter(nest, masses, CENTRAL, season_terms=False, draws=4096, daily=True)
    waits = (course.first_arousal - nest.time[0]) / np.timedelta64(1, "h")
    a, b = waits.isel(member=0).values
    known = np.isfinite(a) & np.isfinite(b)
    # The standard error of a correlation of 4,096 pairs that have none is 0.016.
    assert abs(np.corrcoef(a[known], b[known])[0, 1]) < 0.06


def test_frailty_only_scales_the_target(nest_series, monkeypatch):
    """An animal twice as ready to wake: its exponentials halved are its hazard doubled."""
    nest = nest_series(np.clip(5 + np.sin(np.arange(90 * 24) / 50) * 4, 0, 12))
    doubled = CENTRAL.with_values(torpor__arousal_multiplier=2 * CENTRAL.torpor.arousal_multiplier)
    expected = steady(nest, one(15.0), doubled, engine="numpy")
    luck = futures._luck

    def halved(keys, draws, seed):
        plain = luck(keys, draws, seed)
        return Luck(targets=lambda k: plain.targets(k) / 2, searches=plain.searches)

    monkeypatch.setattr(futures, "_luck", halved)
    found = steady(nest, one(15.0), engine="numpy")
    np.testing.assert_array_equal(found.arousals, expected.arousals)
    np.testing.assert_allclose(found.days_in_hand, expected.days_in_hand, rtol=1e-9)


# One accumulated cost serves every mass ---------------------------------------------------------


def test_masses_of_one_luck_have_spent_the_same(nest_series):
    """dM/dC = −17·(M/17)^β, integrated step by step, from the cost of one animal alone."""
    nest = nest_series(T, days=60)
    course = steady(nest, one(500.0), SP, daily=True)
    drawn = SP.draw(DRAWS, SEED)
    beta = drawn.reserve.mass_exponent
    for mass_g in (25.0, 32.0):
        end = steady(nest, one(mass_g), SP).body_mass_g.values[0, 0]
        gone = steady(nest, one(mass_g), SP).reserve_empty.notnull().values[0, 0]
        mass, steps = np.full(DRAWS, mass_g), 4000
        for _ in range(steps):
            middle = mass - 17.0 * (mass / 17.0) ** beta * course.spent.values[0, 0] / steps / 2
            mass = mass - 17.0 * (middle / 17.0) ** beta * course.spent.values[0, 0] / steps
        np.testing.assert_allclose(mass[~gone], end[~gone], rtol=1e-7)
        assert (~gone).sum() > DRAWS / 2


# What a winter may be given ---------------------------------------------------------------------


@pytest.mark.parametrize("feeding", ["none", "found"])
@pytest.mark.parametrize("daily", [False, True])
@pytest.mark.parametrize(
    ("given", "message"),
    [
        ({"mass": []}, "at least one animal"),
        ({"mass": [np.inf]}, "above zero"),
        ({"mass": ["same", "same"]}, "found twice"),
        ({"onset": np.datetime64("NaT")}, "missing moments"),
        ({"draws": 3}, "power of two"),
        ({"nest": np.inf}, "missing hours"),
        ({"onset": ["b", "a"]}, "along 'animal' expected"),
        ({"draw masses": 4}, "body_mass_g: expected 2 along 'draw', found 4"),
    ],
)
def test_what_cannot_be_carried_is_refused_in_words(nest_series, given, message, feeding, daily):
    nest = nest_series(T, days=2)
    if "nest" in given:
        nest = nest.copy(data=np.where(np.arange(48) == 7, np.inf, nest))
    masses: object = given.get("mass", [15.0])
    onset = given.get("onset")
    if masses == ["same", "same"]:
        masses = xr.DataArray([14.0, 15.0], dims="animal", coords={"animal": masses})
    if isinstance(onset, list):
        masses = xr.DataArray([14.0, 15.0], dims="animal", coords={"animal": onset[::-1]})
        onset = xr.DataArray(nest.time.values[:2], dims="animal", coords={"animal": onset})
    if "draw masses" in given:
        masses = xr.DataArray(np.full((1, 4), 15.0), dims=("animal", "draw"))
    with pytest.raises(ValueError, match=message):
        winter(
            nest, masses, SP, onset=onset, draws=given.get("draws", 2), feeding=feeding,
            daily=daily,
        )  # fmt: skip


def test_an_unknown_feeding_case_is_not_taken_for_none(nest_series):
    with pytest.raises(ValueError, match="expected 'none' or 'found', found 'some'"):
        winter(nest_series(T, days=2), [15.0], SP, feeding="some", draws=2)


@pytest.mark.parametrize("daily", [False, True])
@pytest.mark.parametrize("feeding", ["none", "found"])
def test_one_hour_one_member_one_draw_one_animal(nest_series, feeding, daily):
    course = winter(nest_series([T]), [15.0], SP, draws=1, feeding=feeding, daily=daily)
    assert course.body_mass_g.shape == (1, 1, 1)
    assert 14.9 < float(course.body_mass_g[0, 0, 0]) < 15.0
    assert float(course.days_in_hand[0, 0, 0]) == pytest.approx(1 / 24)


@pytest.mark.parametrize("engine", ["numpy", "auto"])
def test_a_hazard_of_nought_is_pure_torpor(nest_series, engine):
    never = SP.with_values(torpor__arousal_multiplier=0.0)
    nearly = SP.with_values(torpor__arousal_multiplier=1e-12)
    nest = nest_series(T, days=200)
    one_way, other = (winter(nest, [13.0], sp, engine=engine) for sp in (never, nearly))
    assert int(one_way.arousals.max()) == 0
    xr.testing.assert_allclose(one_way, other, rtol=1e-12)


def test_fed_animals_may_gain(nest_series):
    fatter = SP.with_values(reserve__fed_change_per_day=0.001)
    course = winter(nest_series(T, days=100), [15.0], fatter, feeding="found", draws=2)
    np.testing.assert_allclose(course.body_mass_g, 15.0 * np.exp(0.1), rtol=1e-12)
    assert bool(course.reserve_empty.isnull().all())


def test_members_may_differ_in_onset(nest_series):
    """Each member of one call equals a call of its own."""
    nest = nest_series(np.full((2, 60 * 24), T))
    onset = xr.DataArray(
        nest.time.values[[5 * 24 + 3, 20 * 24]], dims="member", coords={"member": [0, 1]}
    )
    both = winter(nest, [13.0], SP, onset=onset, draws=32)
    for m in (0, 1):
        alone = winter(nest.isel(member=[m]), [13.0], SP, onset=onset.values[m], draws=32)
        xr.testing.assert_allclose(both.isel(member=[m]), alone, rtol=1e-12)


def test_warming_before_the_first_onset_is_remembered(nest_series):
    """The rise over a day looks back beyond the onset, whichever animal is carried beside."""
    warming = SP.with_values(torpor__hazard_rise_slope=0.5)
    ramp = np.linspace(0.0, 12.0, 12 * 24)
    nest = nest_series(ramp)
    late = nest.time.values[6 * 24]
    names = {"animal": ["early", "late"]}
    masses = xr.DataArray([30.0, 30.0], dims="animal", coords=names)
    onset = xr.DataArray([nest.time.values[0], late], dims="animal", coords=names)
    both = winter(nest, masses, warming, onset=onset, draws=256)
    alone = winter(nest, masses.sel(animal=["late"]), warming, onset=late, draws=256)
    xr.testing.assert_allclose(both.sel(animal=["late"]), alone, rtol=1e-12)
