"""Draws: quantiles as stated, streams keyed by name, balance of the sequence."""

from __future__ import annotations

import numpy as np
import pytest

from riskcast.species import draw_parameters, uniforms


def test_low_and_high_are_the_10_and_90_percent_quantiles(hazel_dormouse):
    drawn = hazel_dormouse.draw(1024, 0)
    for name, p in hazel_dormouse.parameters.items():
        if p.distribution == "fixed":
            continue
        group, key = name.split(".")
        low, middle, high = np.quantile(getattr(getattr(drawn, group), key), [0.1, 0.5, 0.9])
        reach = p.high - p.low
        inside_low = p.low if p.min is None else max(p.low, p.min)
        inside_high = p.high if p.max is None else min(p.high, p.max)
        assert low == pytest.approx(inside_low, abs=0.02 * reach), name
        assert middle == pytest.approx(p.value, abs=0.02 * reach), name
        assert high == pytest.approx(inside_high, abs=0.02 * reach), name


def test_adding_a_parameter_moves_no_other(hazel_dormouse):
    everything = dict(hazel_dormouse.parameters)
    fewer = {k: v for k, v in everything.items() if k != "torpor.q10"}
    one, two = (draw_parameters(p, {}, 64, 5) for p in (everything, fewer))
    for name, values in two.items():
        np.testing.assert_array_equal(values, one[name])


def test_margins_are_evenly_covered_and_parameters_are_not_tied():
    a, b = uniforms("a", 256, 0), uniforms("b", 256, 0)
    assert len(np.unique((a * 256).astype(int))) == 256
    assert abs(np.corrcoef(a, b)[0, 1]) < 0.2
    assert not np.array_equal(a, uniforms("a", 256, 1))


def test_draws_have_to_be_a_power_of_two():
    with pytest.raises(ValueError, match="power of two"):
        uniforms("a", 100, 0)


def test_correlated_groups_meet_their_matrix(hazel_dormouse):
    names = ["torpor.q10", "torpor.cold_slope"]
    group = {"names": names, "matrix": [[1.0, -0.8], [-0.8, 1.0]]}
    drawn = draw_parameters(hazel_dormouse.parameters, {"g": group}, 4096, 0)
    found = np.corrcoef(drawn[names[0]], drawn[names[1]])[0, 1]
    assert found == pytest.approx(-0.8, abs=0.05)
