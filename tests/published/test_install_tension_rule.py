"""The rule of thumb of 10 lbf of install tension per horsepower.

SAE J1596 (cancelled 2019) through a public summary, and US federal specification
A-A-52155B, fan belts, Table II. Both opened. A rule, not a specification of a drive.
"""

import numpy as np
import pytest

from fleetbelt.units import MM_PER_INCH, NEWTONS_PER

LBF = NEWTONS_PER["lbf"]
HP_KW = 550 * 12 * MM_PER_INCH / 1e3 * LBF / 1e3


def test_ten_pounds_per_horsepower_is_sixty_newtons_per_kilowatt():
    """DEF-11, opened: the standard states both; they agree to 0.6 per cent."""
    assert pytest.approx(59.652, abs=5e-4) == 10 * LBF / HP_KW
    assert pytest.approx(60.0, rel=6e-3) == 10 * LBF / HP_KW


def test_the_federal_dead_weights_follow_the_same_rule():
    """DEF-12, opened: 13.0 hp and 130 lb, 14.0 and 140, 15.0 and 150."""
    power_kw = np.array([13.0, 14.0, 15.0]) * HP_KW
    weight_n = np.array([130.0, 140.0, 150.0]) * LBF

    assert weight_n / power_kw == pytest.approx([10 * LBF / HP_KW] * 3, rel=1e-15)
    assert weight_n == pytest.approx(60.0 * power_kw, rel=6e-3)
