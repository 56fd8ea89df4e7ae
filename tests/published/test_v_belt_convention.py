"""The V-belt design convention, as public belt-formula pages state it."""

import numpy as np
import pytest

from fleetbelt.belt import CONVENTION_FRICTION, grip_ratio, wedge_friction


def test_a_v_belt_is_taken_to_hold_five_to_one_over_half_a_turn():
    """SLP-2, opened: use 0.5123."""
    assert grip_ratio(CONVENTION_FRICTION, np.pi) == pytest.approx(5.0, rel=1e-4)


def test_the_convention_is_a_low_friction_in_a_groove():
    """Derived: 0.175 in a groove of 40 degrees, deliberately conservative."""
    assert wedge_friction(0.175, groove_deg=40.0) == pytest.approx(
        CONVENTION_FRICTION, abs=1e-3
    )
