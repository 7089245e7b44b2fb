"""Sensitivity on functions whose indices are known in closed form, and on days made by hand."""

from __future__ import annotations

import numpy as np
import pytest
import xarray as xr

from riskcast import physiology, species
from riskcast.risk.sensitivity import (
    chance_share,
    costly_days,
    daily_cost,
    drawn_parameters,
    first_order_shares,
    parts_of_variance,
    runs_of_days,
    sensitivity,
)
from riskcast.species.draw import uniforms

DRAWS, ZONE = 256, "Europe/London"


def columns(count: int, draws: int = DRAWS, seed: int = 0) -> dict[str, np.ndarray]:
    """Columns as the species file's are drawn: a shuffled Sobol sequence each."""
    return {f"x{n}": uniforms(f"x{n}", draws, seed) for n in range(count)}


# --- shares of parameters -----------------------------------------------------------------------


def ishigami(draws: int, seed: int = 0) -> tuple[dict[str, np.ndarray], np.ndarray]:
    x = {name: np.pi * (2 * u - 1) for name, u in columns(3, draws, seed).items()}
    first, second, third = x.values()
    return x, np.sin(first) * (1 + 0.1 * third**4) + 7 * np.sin(second) ** 2


# Ishigami & Homma 1990, a = 7, b = 0.1: 0.3139, 0.4424, 0, as printed in textbooks (Saltelli et
# al. 2008, Global Sensitivity Analysis: The Primer), from memory; below from the closed form.
PRINTED = np.array([0.3139, 0.4424, 0.0])


def test_the_printed_indices_are_those_of_the_closed_form():
    a, b = 7.0, 0.1
    whole = a**2 / 8 + b * np.pi**4 / 5 + b**2 * np.pi**8 / 18 + 0.5
    alone = [0.5 * (1 + b * np.pi**4 / 5) ** 2 / whole, a**2 / 8 / whole, 0.0]
    assert alone == pytest.approx(PRINTED, abs=5e-5)


@pytest.mark.parametrize(("draws", "tolerance"), [(256, 0.12), (16_384, 0.02)])
def test_ishigami(draws, tolerance):
    shares = first_order_shares(*ishigami(draws))
    assert list(shares.values()) == pytest.approx(PRINTED, abs=tolerance)


def test_ishigami_is_met_in_the_mean_with_the_draws_of_a_run():
    found = [list(first_order_shares(*ishigami(DRAWS, seed)).values()) for seed in range(40)]
    assert np.mean(found, axis=0) == pytest.approx(PRINTED, abs=0.025)


def test_a_sum_has_the_shares_of_its_terms():
    """Var(Σ c·x) = Σ c²·Var(x): 36, 25, 16, 4 and 0 of 81 parts."""
    x, weights = columns(5), np.array([6.0, 5.0, 4.0, 2.0, 0.0])
    shares = first_order_shares(x, weights @ np.stack(list(x.values())))
    assert list(shares.values()) == pytest.approx(weights**2 / 81, abs=0.08)
    many = columns(5, 16_384)
    shares = first_order_shares(many, weights @ np.stack(list(many.values())))
    assert list(shares.values()) == pytest.approx(weights**2 / 81, abs=0.015)
    assert sum(shares.values()) == pytest.approx(1, abs=0.02)


def test_shares_do_not_depend_on_how_an_input_is_scaled():
    """Ranks alone are read: exp(x) carries the same share as x."""
    x = columns(2)
    y = x["x0"] + x["x1"]
    bent = first_order_shares({name: np.exp(5 * values) for name, values in x.items()}, y)
    assert bent == first_order_shares(x, y)


@pytest.mark.parametrize("order", ["as drawn", "rising"])
def test_a_parameter_fixed_to_a_point_carries_nothing(order):
    """A site that knows a number overrides it by one value: the order of draws is no effect."""
    x = columns(2)
    y = x["x0"] + 0.1 * x["x1"]
    if order == "rising":
        y = np.sort(y)
    shares = first_order_shares(x | {"known": np.full(DRAWS, 0.62)}, y)
    assert shares["known"] == pytest.approx(0, abs=1e-12)


def test_a_number_overridden_by_the_site_is_no_longer_looked_at(hazel_dormouse):
    known = hazel_dormouse.with_values(torpor__q10=1.9)
    assert "torpor.q10" in drawn_parameters(hazel_dormouse, 64, 0)
    assert "torpor.q10" not in drawn_parameters(known, 64, 0)


def test_a_column_without_effect_scores_nought_in_the_mean_and_seldom_passes_for_an_effect():
    """The chance line is passed by the greatest of 35 such columns in one set of twenty."""
    rng = np.random.default_rng(7)
    greatest, all_shares = [], []
    for seed in range(200):
        x = columns(35, seed=seed)
        # As skewed as days in hand may be: the line does not rest on normal numbers.
        shares = list(first_order_shares(x, rng.standard_exponential(DRAWS)).values())
        greatest.append(max(shares))
        all_shares += shares
    assert np.mean(all_shares) == pytest.approx(0, abs=0.001)
    passed = np.mean(np.array(greatest) > chance_share(DRAWS, 35))
    assert 0.01 <= passed <= 0.10


@pytest.mark.parametrize(
    ("output", "words"),
    [
        (np.ones(DRAWS), "numbers that vary"),
        (np.r_[np.nan, np.arange(DRAWS - 1)], "none of them missing"),
        (np.arange(12.0), "one value a draw"),
    ],
)
def test_outputs_that_tell_nothing(output, words):
    with pytest.raises(ValueError, match=words):
        first_order_shares(columns(2), output)


# --- weather, parameters, luck ------------------------------------------------------------------


def layers(members: int, draws: int, sd: dict[str, float], seed: int = 3):
    """Two lucks of numbers that are a sum of known layers."""
    rng = np.random.default_rng(seed)
    weather = sd["weather"] * rng.standard_normal((members, 1))
    parameters = sd["parameters"] * rng.standard_normal((1, draws))
    both = sd["both"] * rng.standard_normal((members, draws))

    def once() -> xr.DataArray:
        steady = sd["steady"] * rng.standard_normal((1, draws))
        passing = sd["passing"] * rng.standard_normal((members, draws))
        return xr.DataArray(
            weather + parameters + both + steady + passing,
            dims=("member", "draw"),
            coords={"member": np.arange(members), "draw": np.arange(draws)},
        )

    return once(), once()


def test_layers_are_told_apart():
    sd = {"weather": 4.0, "parameters": 5.0, "both": 2.0, "steady": 3.0, "passing": 2.0}
    values, twin = layers(400, 4096, sd)
    parts = parts_of_variance(values, twin.isel(member=slice(0, None, 50)))
    whole = 16 + 25 + 4 + 9 + 4
    assert parts.sd == pytest.approx(np.sqrt(whole), rel=0.05)
    found = [parts.weather, parts.parameters, parts.both, parts.luck]
    assert found == pytest.approx(np.array([16, 25, 4, 13]) / whole, abs=0.025)
    assert sum(found) == pytest.approx(1)


@pytest.mark.parametrize("layer", ["weather", "parameters", "both", "steady", "passing"])
def test_one_layer_alone(layer):
    sd = dict.fromkeys(("weather", "parameters", "both", "steady", "passing"), 0.0) | {layer: 2.0}
    values, twin = layers(20, DRAWS, sd)
    parts = parts_of_variance(values, twin.isel(member=slice(0, None, 4)))
    name = "luck" if layer in ("steady", "passing") else layer
    assert getattr(parts, name) > 0.9


def test_futures_that_agree_have_no_parts():
    values, twin = layers(
        4, 64, dict.fromkeys(("weather", "parameters", "both", "steady", "passing"), 0.0)
    )
    assert parts_of_variance(values, twin) is None
    assert sensitivity(values, twin, columns(2, 64)).shares == {}


def test_one_member_has_no_weather_to_differ_by():
    sd = {"weather": 4.0, "parameters": 3.0, "both": 0.0, "steady": 2.0, "passing": 0.0}
    values, twin = layers(1, 1024, sd)
    parts = parts_of_variance(values, twin)
    assert (parts.weather, parts.both) == (0.0, 0.0)
    assert [parts.parameters, parts.luck] == pytest.approx([9 / 13, 4 / 13], abs=0.06)


def test_one_draw_has_no_parameters_to_differ_by():
    sd = {"weather": 4.0, "parameters": 3.0, "both": 0.0, "steady": 0.0, "passing": 0.0}
    values, twin = layers(51, 1, sd)
    found = sensitivity(values, twin, {"x": np.zeros(1)})
    assert found.parts.weather == pytest.approx(1.0)
    assert found.shares == {}


def test_shares_are_of_all_the_variance():
    """Half weather, half one parameter: the parameter carries half, not all, of it."""
    x = columns(6)
    spread = np.sqrt(12) * (x["x0"] - 0.5)
    weather = np.linspace(-1, 1, 51)
    weather = weather / weather.std()
    values = xr.DataArray(
        weather[:, np.newaxis] + spread,
        dims=("member", "draw"),
        coords={"member": np.arange(51), "draw": np.arange(DRAWS)},
    )
    found = sensitivity(values, values, x)
    assert next(iter(found.shares.items())) == ("x0", pytest.approx(0.5, abs=0.03))
    assert list(found.told) == ["x0"]
    assert found.parts.luck == 0
    assert found.chance == pytest.approx(chance_share(DRAWS, 6) / 2, rel=0.05)


def test_every_drawn_parameter_is_looked_at(hazel_dormouse):
    inputs = drawn_parameters(hazel_dormouse, 64, 0)
    drawn = hazel_dormouse.draw(64, 0)
    assert np.array_equal(inputs["torpor.q10"], drawn.torpor.q10)
    uncertain = {n for n, p in hazel_dormouse.parameters.items() if p.distribution != "fixed"}
    assert set(inputs) == {n for n in uncertain if hazel_dormouse.parameters[n].use == "model"}


# --- days of weather ----------------------------------------------------------------------------


@pytest.fixture
def certain(hazel_dormouse):
    """The species with every parameter fixed: one draw of it is its central values."""
    return hazel_dormouse.with_values(
        **{
            name.replace(".", "__"): parameter.value
            for name, parameter in hazel_dormouse.parameters.items()
            if parameter.distribution != "fixed"
        }
    )


def wavy(nest_series, shift: float = 0.0, members: int = 3) -> xr.DataArray:
    hours = np.arange(40 * 24)
    wave = 4 + 3 * np.sin(hours / 60) + np.cos(hours / 24 * 2 * np.pi)
    return nest_series(wave + shift + np.linspace(-1, 1, members)[:, np.newaxis])


def days_of(first: str, count: int) -> np.ndarray:
    return np.datetime64(first, "D") + np.arange(count)


def test_days_add_up_to_the_cost_of_the_stretch(nest_series, certain):
    nest = wavy(nest_series)
    window = (np.datetime64("2020-11-30"), np.datetime64("2020-12-10"))
    whole = physiology.expected_spend(nest, certain, window, draws=1)
    daily = daily_cost(nest, certain, days_of("2020-11-30", 10), ZONE)
    assert daily.shape == (3, 10)
    expected = (whole["torpor"] + whole["waking"]).sel(draw=0).values
    assert daily.sum(axis=1) == pytest.approx(expected, rel=1e-12)


def spell(nest: xr.DataArray, first: str, days: int, degrees: float) -> xr.DataArray:
    start = np.datetime64(first)
    inside = (nest.time >= start) & (nest.time < start + np.timedelta64(days, "D"))
    return nest.where(~inside, nest + degrees).assign_attrs(nest.attrs)


def test_a_warm_spell_is_found_and_told_as_one(nest_series, hazel_dormouse):
    nest = wavy(nest_series)
    found = costly_days(
        spell(nest, "2020-12-04", 5, 6.0), nest, hazel_dormouse, timezone=ZONE,
        start=np.datetime64("2020-11-25T10"), end=np.datetime64("2020-12-20"),
    )  # fmt: skip
    (run,) = runs_of_days(found)
    # The day after the spell still feels it through the mean of the last 24 hours.
    assert [str(day.day) for day in run] == [f"2020-12-0{n}" for n in (4, 5, 6, 7, 8)]
    assert all(day.extra > 0 for day in run)


def test_a_degree_is_the_difference_of_two_whole_computations(nest_series, hazel_dormouse):
    past = wavy(nest_series)
    nest = spell(past, "2020-12-04", 2, 6.0)
    when = {"start": np.datetime64("2020-11-25"), "end": np.datetime64("2020-12-20")}
    (first, *_) = costly_days(nest, past, hazel_dormouse, timezone=ZONE, **when)
    days = days_of("2020-11-25", 25)
    cost, warmer, usual = (
        daily_cost(series, hazel_dormouse, days, ZONE).mean(axis=0)
        for series in (nest, spell(nest, str(first.day), 1, 1.0), past)
    )
    assert first.per_degree == pytest.approx(((warmer - cost) / usual).sum(), rel=1e-9)
    assert first.per_degree > 0


def test_days_like_past_years_are_not_named(nest_series, hazel_dormouse):
    nest = wavy(nest_series)
    when = {"start": np.datetime64("2020-11-25"), "end": np.datetime64("2020-12-20")}
    assert costly_days(nest, nest, hazel_dormouse, timezone=ZONE, **when) == ()
    # 0.3 °C is less than the mean of three winters that differ by 1 °C may miss by.
    near = wavy(nest_series, shift=0.3)
    assert costly_days(near, nest, hazel_dormouse, timezone=ZONE, **when) == ()
    gone = {"start": np.datetime64("2020-12-20"), "end": np.datetime64("2020-12-20T12")}
    assert costly_days(nest, nest, hazel_dormouse, timezone=ZONE, **gone) == ()


def test_one_past_year_tells_nothing(nest_series):
    nest = wavy(nest_series)
    with pytest.raises(ValueError, match="two past years"):
        costly_days(
            nest, nest.isel(member=[0]), species.load(), timezone=ZONE,
            start=np.datetime64("2020-11-25"), end=np.datetime64("2020-12-20"),
        )  # fmt: skip
