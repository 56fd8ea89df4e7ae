"""Putting uncertainties together."""

import math

import numpy as np
import pytest
from scipy.stats import t as student

from fleetbelt.models.uncertainty import (
    combined_u,
    coverage_factor,
    effective_df,
    pooled_sd,
    resolution_u,
)


def test_independent_inputs_join_as_the_sides_of_a_right_angle():
    assert combined_u([3.0, 4.0]) == pytest.approx(5.0)
    assert combined_u([3.0, 4.0], [2.0, -1.0]) == pytest.approx(math.sqrt(52))


def test_equal_parts_add_their_degrees_of_freedom():
    assert effective_df([2.0, 2.0, 2.0], [7, 7, 7]) == pytest.approx(21)


def test_known_parts_alone_have_degrees_of_freedom_without_end():
    assert effective_df([1.0, 2.0], [math.inf, math.inf]) == math.inf
    assert coverage_factor(math.inf) == pytest.approx(1.959964, abs=0.5e-6)


@pytest.mark.parametrize("df", [1, 4.99, 16.7, 200])
def test_the_coverage_factor_is_students_of_the_whole_number_below(df):
    assert coverage_factor(df, confidence=0.99) == pytest.approx(
        student.ppf(0.995, int(df)), rel=1e-9
    )


def test_rounding_to_a_step_scatters_as_the_resolution_says():
    rng = np.random.default_rng(1)
    true = rng.uniform(0, 1000, 200_000)

    rounded = np.round(true / 2.5) * 2.5

    assert resolution_u(2.5) == pytest.approx(np.std(rounded - true), rel=0.01)


def test_pooled_groups_weigh_by_their_degrees_of_freedom():
    rng = np.random.default_rng(2)
    groups = [rng.normal(0, 1, n) for n in (3, 8, 20)]
    squares = sum(((g - g.mean()) ** 2).sum() for g in groups)

    found = pooled_sd([g.std(ddof=1) for g in groups], [len(g) - 1 for g in groups])

    assert found == pytest.approx(math.sqrt(squares / (31 - 3)), rel=1e-12)
