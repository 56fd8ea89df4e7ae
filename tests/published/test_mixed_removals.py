"""Twenty units, some removed on the way: an example of a public reliability wiki.

Failures at 9 (three), 11, 13, 17, 21, 28 and 30; the curve as printed there. Opened.
"""

import pytest

from fleetbelt.models.life_curve import kaplan_meier
from fleetbelt.models.lives import Lives

FAILED = [9, 9, 9, 11, 13, 17, 21, 28, 30]
REMOVED = [9, 12, 13, 15, 22, 24, 26, 32, 35, 39, 41]


def test_the_curve_steps_down_at_failures_over_those_still_there():
    """A unit removed at the hour of a failure was still at risk."""
    lives = Lives.right_censored(FAILED + REMOVED, [1] * 9 + [0] * 11)

    curve = kaplan_meier(lives)

    assert list(curve.miles[:7]) == [9, 11, 13, 17, 21, 28, 30]
    assert curve.survival[:7] == pytest.approx(
        [0.850, 0.797, 0.740, 0.673, 0.605, 0.505, 0.404], abs=0.6e-3
    )
