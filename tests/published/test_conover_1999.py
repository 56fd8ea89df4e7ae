"""Conover, W. J., *Practical Nonparametric Statistics*, 3rd ed. (1999), p. 91.

Ten car fan belts, thousands of miles: five broke, five were still running when the test
ended. Seen through the documentation of scipy.stats.ecdf, which prints the curve.
"""

import pytest

from fleetbelt.models.life_curve import kaplan_meier
from fleetbelt.models.lives import Lives

BROKE = [77_000, 47_000, 81_000, 56_000, 80_000]
RUNNING = [62_000, 60_000, 43_000, 71_000, 37_000]


def test_kaplan_meier_matches_the_ten_fan_belts_of_conover():
    curve = kaplan_meier(Lives.right_censored(BROKE + RUNNING, [1] * 5 + [0] * 5))

    assert list(curve.miles) == [47_000, 56_000, 77_000, 80_000, 81_000]
    assert curve.survival == pytest.approx([0.875, 0.75, 0.5, 0.25, 0.0])
    assert list(curve.at_risk) == [8, 7, 3, 2, 1]
