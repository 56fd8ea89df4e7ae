"""The two deflection rules of public belt handbooks: 1/64 in per in, 16 mm per m."""

import pytest

from fleetbelt.belt import INCH_RULE, handbook_force_n
from fleetbelt.units import MM_PER_INCH


def test_the_inch_rule_takes_a_sixteenth_of_the_tension():
    """DEF-1, rule opened: T / 16."""
    force_n = handbook_force_n(
        tension_n=600.0, span_mm=200.0, deflection_mm=200.0 * INCH_RULE
    )

    assert force_n == pytest.approx(37.5, rel=1e-15)


def test_a_hundred_inch_span_is_pushed_one_and_nine_sixteenths():
    """DEF-6, opened: 100 / 64 = 1.5625 in."""
    deflection_mm = INCH_RULE * 100 * MM_PER_INCH

    assert deflection_mm / MM_PER_INCH == pytest.approx(1.5625, rel=1e-15)
