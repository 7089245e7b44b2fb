"""The grid of the column, and that it is fine enough."""

import numpy as np
import pytest

from riskcast.habitat import conduct, litter_column, steady_profile, surface_in_balance


@pytest.mark.parametrize(
    ("nest", "litter"), [(0.03, 0.06), (0.0, 0.0), (0.1, 0.06), (0.033, 0.071), (0.05, 0.05)]
)
def test_nodes_at_nest_and_litter_base(hazel_dormouse, nest, litter):
    column = litter_column(nest, litter, hazel_dormouse)
    assert column.depth[column.node(nest)] == pytest.approx(nest, abs=1e-12)
    assert column.depth[column.node(litter)] == pytest.approx(litter, abs=1e-12)
    assert column.depth[0] == 0.0
    assert column.depth[-1] == pytest.approx(hazel_dormouse.nest.column_depth)
    assert (np.diff(column.depth) > 0).all()
    assert 20 <= column.depth.size <= 60
    above = column.depth[1:] <= litter + 1e-9
    assert np.unique(column.conductivity[above]).size <= 1
    assert (column.conductivity[~above] == hazel_dormouse.nest.soil_conductivity).all()


def test_the_usual_column_has_about_38_nodes(hazel_dormouse):
    assert litter_column(0.03, 0.06, hazel_dormouse).depth.size == pytest.approx(38, abs=2)


def test_a_depth_without_a_node(hazel_dormouse):
    with pytest.raises(ValueError, match=r"no node at 0\.0301 m"):
        litter_column(0.03, 0.06, hazel_dormouse).node(0.0301)


@pytest.mark.parametrize(("nest", "litter"), [(-0.01, 0.06), (0.03, 2.3), (2.5, 0.06)])
def test_depths_that_make_no_column(hazel_dormouse, nest, litter):
    with pytest.raises(ValueError, match=r"between 0 and 2\.3 m"):
        litter_column(nest, litter, hazel_dormouse)


def test_half_hour_steps_change_little(hazel_dormouse, year_of_air):
    """The error of hourly steps is far below that of the model (± 1 °C)."""
    column = litter_column(0.03, 0.06, hazel_dormouse)
    node = column.node(0.03)
    air = year_of_air[: 24 * 60, np.newaxis]
    found = []
    for split in (1, 8):
        hour = np.arange((air.size - 1) * split + 1) / split
        finer = np.interp(hour, np.arange(air.size), air[:, 0])[:, np.newaxis]
        resistance, base = np.full_like(finer, 0.1), np.full_like(finer, 10.0)
        start = surface_in_balance(
            column, steady_profile(column, air[0], 0.1, 10.0), finer[0], resistance[0]
        )
        kept, _ = conduct(
            column, finer, resistance, base, start, output=node, step_s=3600.0 / split
        )
        found.append(kept[::split, 0])
    assert np.abs(found[0] - found[1]).max() < 0.1


def test_the_profile_returned_carries_on(hazel_dormouse, year_of_air):
    column = litter_column(0.03, 0.06, hazel_dormouse)
    air = np.stack([year_of_air[:500], year_of_air[100:600]], axis=1)
    resistance, base = np.full_like(air, 0.1), np.full_like(air, 10.0)
    start = steady_profile(column, air[0], resistance[0], base[0])
    whole, _ = conduct(column, air, resistance, base, start, output=6)
    first, profile = conduct(column, air[:200], resistance[:200], base[:200], start, output=6)
    rest, _ = conduct(
        column, air[199:], resistance[199:], base[199:], np.vstack([profile, base[199]]), output=6
    )
    assert np.concatenate([first, rest[1:]]) == pytest.approx(whole, abs=1e-10)
