"""ISO 281:2007, rolling bearings, dynamic load ratings and rating life, section 7.

The formula is the standard's, value from memory; the numbers are derived from it.
"""

import numpy as np
import pytest

from fleetbelt.belt import ROLLER, basic_life_mrev, life_h, life_ratio


def test_a_bearing_at_a_tenth_of_its_rating_lasts_a_thousand_million_turns():
    """BRG-6, derived: 3000 rpm."""
    life_mrev = basic_life_mrev(rating_n=10_000.0, load_n=1000.0)

    assert life_mrev == pytest.approx(1000.0, rel=1e-12)
    assert life_h(life_mrev, speed_rpm=3000.0) == pytest.approx(5555.6, abs=0.05)


def test_more_tension_costs_a_ball_bearing_its_cube():
    """BRG-7, derived."""
    ratio = life_ratio([0.8, 0.9, 1.1, 1.2, 1.3, 1.5, 2.0])

    np.testing.assert_allclose(
        ratio,
        [1.9531, 1.3717, 0.7513, 0.5787, 0.4552, 0.2963, 0.1250],
        atol=5e-5,
        rtol=0,
    )


def test_more_tension_costs_a_roller_bearing_more():
    """BRG-8, derived."""
    ratio = life_ratio([1.2, 2.0], exponent=ROLLER)

    np.testing.assert_allclose(ratio, [0.5446, 0.0992], atol=5e-5, rtol=0)


def test_a_used_belt_at_the_new_range_leaves_little_over_a_quarter_of_the_life():
    """BRG-9, derived: 175 against 115 lbf."""
    assert life_ratio(175 / 115) == pytest.approx(0.28378, abs=5e-6)
