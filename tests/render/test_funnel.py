"""Funnel limits against their published definition, and a slow reference."""

import numpy as np
import pytest
from scipy.special import comb

from fleetbelt.render.funnel import funnel_limit

PROBABILITIES = (0.001, 0.025, 0.975, 0.999)


@pytest.mark.parametrize(
    ("n", "limits"),
    [
        (50, (0.0, 0.01386, 0.17972, 0.24013)),
        (100, (0.01418, 0.04038, 0.15772, 0.19836)),
        (200, (0.03785, 0.05769, 0.14097, 0.16857)),
        (500, (0.05999, 0.07345, 0.12601, 0.14269)),
    ],
)
def test_limits_are_those_of_the_interpolated_definition(n, limits):
    """Spiegelhalter (2005), Stat. Med. 24:1185: definition; target 0.1.

    Values computed from the definition, clipped at 0 (-0.01612 for n = 50).
    """
    found = [float(funnel_limit([n], 0.1, p)[0]) for p in PROBABILITIES]

    assert found == pytest.approx(limits, abs=0.5e-5)


def test_limits_agree_with_summing_the_distribution_by_hand():
    rng = np.random.default_rng(8)
    for n, target in zip(
        rng.integers(5, 60, 10), rng.uniform(0.1, 0.9, 10), strict=True
    ):
        masses = [
            comb(n, r) * target**r * (1 - target) ** (n - r) for r in range(n + 1)
        ]
        total, r = masses[0], 0
        while total < 0.975:
            r += 1
            total += masses[r]
        expected = min((r - (total - 0.975) / masses[r]) / n, 1.0)

        assert funnel_limit([n], target, 0.975)[0] == pytest.approx(expected, rel=1e-9)


def test_a_target_of_all_leaves_no_room():
    assert funnel_limit([10, 20], 1.0, 0.025).tolist() == [1.0, 1.0]
