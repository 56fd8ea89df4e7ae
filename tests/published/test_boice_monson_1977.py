"""Boice, J. D. and Monson, R. R. (1977), *J. Natl. Cancer Inst.* 59, 823-832.

Breast cancer: 41 in 28,010 woman-years with fluoroscopy, 15 in 19,017 without. The
ratio 1.86 as in Rothman's textbooks (value from memory); the exact limits recomputed.
"""

# a result that is None fails its test without a check of its own
# mypy: disable-error-code="operator"

import pytest

from fleetbelt.models.rates import rate_ratio


def test_the_rate_ratio_and_its_exact_limits():
    ratio = rate_ratio((41, 15), (28_010, 19_017))

    assert ratio.value == pytest.approx(1.86, abs=0.005)
    assert (ratio.lo, ratio.hi) == pytest.approx((1.005684, 3.609300), abs=1e-6)


def test_the_exact_limits_are_a_little_wider_than_those_of_the_normal_log_ratio():
    """90 %: 1.13 to 3.05 by the logarithm, as the textbooks print."""
    ratio = rate_ratio((41, 15), (28_010, 19_017), confidence=0.90)

    assert 1.08 < ratio.lo < 1.13
    assert 3.05 < ratio.hi < 3.30
