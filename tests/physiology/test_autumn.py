"""Autumn: gain scaled to a normal October, own weighings by precision, onset by night.

Nearly all numbers of this step are provisional: these tests hold it to what is said about it
(SCIENCE in the species file's notes), not to observations.
"""

from __future__ import annotations

import itertools

import numpy as np
import pandas as pd
import pytest
import xarray as xr

from riskcast import species
from riskcast.base.daylight import day_length
from riskcast.physiology import (
    autumn,
    feeding_response,
    gain_taper,
    nightly_hazard,
    onset_logit,
    own_gains,
)

SP = species.load("hazel_dormouse")


def nights_of(
    *, latitude: float = 51.0, nest_shift: float = 0.0, share: float = 0.6, members: int = 1
) -> xr.Dataset:
    """An even climate: the nest cools from 15.6 °C on 1 September to 9.3 °C on 10 November."""
    night = pd.date_range("2025-08-01", "2026-05-31").to_numpy()
    day = (night - np.datetime64("2025-09-01")) / np.timedelta64(1, "D")
    nest = np.clip(15.6 - 0.09 * day, 5.0, 16.0) + nest_shift
    doy = pd.DatetimeIndex(night).day_of_year.to_numpy()
    shape = (members, night.size)
    return xr.Dataset(
        {
            "feeding_share": (("member", "night"), np.full(shape, share), {"units": "1"}),
            "nest_temperature_10d": (
                ("member", "night"),
                np.broadcast_to(nest, shape),
                {"units": "degC"},
            ),
            "day_length_h": (("night",), day_length(latitude, doy), {"units": "h"}),
        },
        coords={"member": np.arange(members), "night": night},
    )


def animals(*masses: float, date: str = "2025-10-01", stage: str = "juvenile") -> pd.DataFrame:
    return pd.DataFrame(
        {
            "key": [f"a{n}" for n in range(len(masses))],
            "body_mass_g": masses,
            "event_date": pd.Timestamp(date),
            "life_stage": stage,
            "sex": "unknown",
        }
    )


def median_onset(course: xr.Dataset, animal: int = 0) -> np.datetime64:
    moments = np.sort(course.onset.isel(animal=animal).to_numpy().ravel())
    return moments[moments.size // 2].astype("datetime64[D]")


def test_average_site_goes_in_about_10_november():
    """The prior: a median of about 10 November for a 20 g animal, later for a light one."""
    course = autumn(nights_of(), animals(20.0, 11.0), SP)
    heavy, light = (median_onset(course, n) for n in range(2))
    assert np.datetime64("2025-11-03") <= heavy <= np.datetime64("2025-11-16")
    assert light > heavy


def test_heavier_animals_are_more_likely_to_go_in():
    """Sign only: Juškaitis 2005; Armitage et al. 2025 (abstracts), September and October."""
    logits = onset_logit(10.5, 11.0, np.array([10.0, 17.5, 22.3, 28.0]), SP)
    assert (np.diff(logits) > 0).all()


def test_cold_and_short_days_bring_onset_forward():
    usual, cold, warm = (
        median_onset(autumn(nights_of(nest_shift=shift), animals(18.0), SP))
        for shift in (0.0, -4.0, 4.0)
    )
    assert cold < usual < warm
    north = median_onset(autumn(nights_of(latitude=57.0), animals(18.0), SP))
    assert north < usual


def test_everybody_is_in_by_the_latest_evening_and_nobody_before_the_earliest():
    course = autumn(nights_of(nest_shift=8.0), animals(9.0, 30.0, date="2025-08-20"), SP)
    assert course.onset.max().to_numpy() <= np.datetime64("2026-01-01")
    cold = autumn(nights_of(nest_shift=-9.0), animals(30.0, date="2025-08-20"), SP)
    assert cold.onset.min().to_numpy() > np.datetime64("2025-09-15")


def test_a_normal_october_gives_the_gain_of_the_species_file():
    sp = SP.with_values(
        autumn__scale_error=0.0,
        autumn__gain_between_animals=0.0,
        onset__earliest=[11, 1],
        onset__latest=[11, 1],
        autumn__asymptote_juvenile=60.0,
    )
    # From the evening of 1 October to that of 31 October: 31 nights, and that of 1 November.
    nights = nights_of(share=0.5)
    end = autumn(nights, animals(10.0), sp).body_mass_g.to_numpy().ravel()
    drawn = sp.draw(256, 0)
    share = nights.feeding_share.to_numpy()[0]
    november = feeding_response(share, nights.night.to_numpy(), drawn.columns())
    at = list(nights.night.to_numpy().astype("datetime64[D]")).index(np.datetime64("2025-11-01"))
    october = november[:, at - 31 : at].mean(axis=1)
    np.testing.assert_allclose(
        end - 10.0, drawn.autumn.gain * (31 + november[:, at] / october), rtol=1e-9
    )


def test_wet_and_cold_nights_bring_less_and_the_worst_cost():
    october = np.array(["2025-10-15"], dtype="datetime64[D]")
    good, poor, none = (feeding_response(s, october, SP)[0] for s in (0.9, 0.3, 0.0))
    assert good > poor > none
    assert none < 0


def test_there_is_no_autumn_food_after_it_has_ended_nor_in_spring():
    days = np.array(["2025-10-01", "2025-12-20", "2026-03-01"], dtype="datetime64[D]")
    early, late, spring = feeding_response(1.0, days, SP)
    assert early > 0.8
    assert late < 0
    assert spring < 0


def test_gain_ends_at_the_asymptote():
    assert gain_taper(20.0, 20.0, SP) == 0.0
    assert gain_taper(10.0, 20.0, SP) == 1.0
    sp = SP.with_values(
        onset__earliest=[12, 31], autumn__food_end_day=365.0, autumn__scale_error=0.0
    )
    end = autumn(nights_of(), animals(19.5), sp).body_mass_g.to_numpy()[0, 0]
    limit = SP.draw(256, 0).autumn.asymptote_juvenile
    assert (end <= np.maximum(limit, 19.5) + 1e-9).all()
    assert np.median(end[limit > 20.5]) > 20.0


@pytest.mark.parametrize(("days", "weight"), [(3, 0.22), (7, 0.60)])
def test_own_weighings_count_by_their_precision(days, weight):
    """A scale that errs by 0.4 g: ± 0.19 g a day over 3 days, ± 0.08 over 7; against an SD of
    0.10 of the gain the weights are about 0.22 and 0.60 (arithmetic, from the species file)."""
    pairs = pd.DataFrame(
        {
            "key": ["a0"],
            "from_date": [pd.Timestamp("2025-10-01")],
            "to_date": [pd.Timestamp("2025-10-01") + pd.Timedelta(days=days)],
            "gain_g": [0.5 * days],
        }
    )
    own = own_gains(pairs, nights_of(), SP)
    sp = SP.with_values(
        autumn__gain_between_animals=0.0,
        autumn__scale_error=0.0,
        onset__earliest=[11, 1],
        onset__latest=[11, 1],
        autumn__asymptote_juvenile=60.0,
    )
    start = animals(12.0)
    error = own.loc["a0", "own_gain_sd"]
    low, high = (start.assign(own_gain=gain, own_gain_sd=error) for gain in (0.20, 0.30))
    # What 0.1 g more a night, weighed, adds to the modelled gain a night: the weight itself.
    ends = [float(autumn(nights_of(), frame, sp).body_mass_g.mean()) for frame in (low, high)]
    per_gain = [
        float(
            autumn(
                nights_of(), start.assign(own_gain=gain, own_gain_sd=1e-9), sp
            ).body_mass_g.mean()
        )
        for gain in (0.20, 0.30)
    ]
    found = (ends[1] - ends[0]) / (per_gain[1] - per_gain[0])
    assert found == pytest.approx(weight, abs=0.05)


def test_own_weighings_move_the_gain_part_of_the_way():
    frame = animals(12.0)
    sp = SP.with_values(onset__earliest=[11, 20], onset__latest=[11, 20])
    base = float(autumn(nights_of(), frame, sp).body_mass_g.median())
    frame = frame.assign(own_gain=0.0, own_gain_sd=0.05)
    stalled = float(autumn(nights_of(), frame, sp).body_mass_g.median())
    vague = float(autumn(nights_of(), frame.assign(own_gain_sd=1.0), sp).body_mass_g.median())
    assert stalled < base - 1.0
    assert abs(vague - base) < 0.5


def test_chance_belongs_to_the_animal():
    alone = autumn(nights_of(), animals(12.0), SP, draws=64)
    both = autumn(nights_of(), animals(12.0, 25.0), SP, draws=64)
    xr.testing.assert_equal(alone.sel(animal="a0"), both.sel(animal="a0"))


def test_hazard_of_a_night_is_that_of_its_odds():
    p = 1 / (1 + np.exp(2.0))
    assert float(nightly_hazard(-2.0)) == pytest.approx(-np.log(1 - p))


@pytest.mark.parametrize(
    ("change", "message"),
    [
        (lambda n: n.isel(night=slice(0, 100)), "expected .* to 2025-12-31"),
        (lambda n: n.drop_vars("feeding_share"), "expected a variable 'feeding_share'"),
        (
            lambda n: n.assign(nest_temperature_10d=n.nest_temperature_10d.assign_attrs(units="K")),
            "expected units 'degC'",
        ),
    ],
)
def test_nights_that_will_not_do_are_refused(change, message):
    with pytest.raises(ValueError, match=message):
        autumn(change(nights_of()), animals(12.0), SP)


def test_an_animal_weighed_before_the_first_night_is_refused():
    with pytest.raises(ValueError, match="2025-07-01"):
        autumn(nights_of(), animals(12.0, date="2025-07-01"), SP)


def test_pairs_from_before_the_series_say_nothing():
    pairs = pd.DataFrame(
        {
            "key": ["a0"],
            "from_date": [pd.Timestamp("2025-05-01")],
            "to_date": [pd.Timestamp("2025-10-01")],
            "gain_g": [5.0],
        }
    )
    assert own_gains(pairs, nights_of(), SP).empty


@pytest.mark.parametrize("share", [0.0, 0.3, 0.9])
def test_a_lower_own_gain_never_gives_a_heavier_animal(share):
    """On good nights and on nights without food alike, and below zero too."""
    sp = SP.with_values(onset__earliest=[11, 20], onset__latest=[11, 20])
    nights = nights_of(share=share)
    normal = nights_of(share=0.6)
    frame = animals(12.0).assign(own_gain_sd=0.05)
    ends = [
        autumn(nights, frame.assign(own_gain=own), sp, normal_nights=normal).body_mass_g.to_numpy()
        for own in (-0.3, 0.0, 0.2, 0.4)
    ]
    for less, more in itertools.pairwise(ends):
        assert (less <= more + 1e-9).all()


def test_nights_without_food_cost_something_whatever_the_own_gain():
    sp = SP.with_values(onset__earliest=[11, 20], onset__latest=[11, 20], autumn__scale_error=0.0)
    frame = animals(12.0).assign(own_gain=-0.3, own_gain_sd=0.05)
    end = autumn(nights_of(share=0.0), frame, sp, normal_nights=nights_of()).body_mass_g
    assert float(end.max()) < 12.0
