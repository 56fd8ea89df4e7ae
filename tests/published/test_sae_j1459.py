"""SAE J1459 (2022), automotive V-ribbed belts, through a public summary."""

import pytest

from fleetbelt.belt import effective_diameter_mm


def test_effective_diameter_is_that_over_balls_less_0_990():
    """GEO-11, opened: 2.5 mm balls."""
    assert effective_diameter_mm(60.990) == pytest.approx(60.0, rel=1e-12)
