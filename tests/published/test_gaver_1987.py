"""Gaver, D. P. and O'Muircheartaigh, I. G. (1987), *Technometrics* 29, 1-15.

Failures of ten pumps and thousands of hours they ran. The fitted gamma distribution of
their rates has shape 0.82 and rate 1.26 (value from memory).
"""

# a result that is None fails its test without a check of its own
# mypy: disable-error-code="operator"

import pytest

from fleetbelt.models.shrinkage import shrink_ratios

FAILURES = [5, 1, 5, 14, 3, 19, 1, 1, 4, 22]
THOUSAND_HOURS = [94.320, 15.720, 62.880, 125.760, 5.240]
THOUSAND_HOURS += [31.440, 1.048, 1.048, 2.096, 10.480]


def test_the_gamma_distribution_of_the_pumps_rates():
    found = shrink_ratios(FAILURES, THOUSAND_HOURS)

    shape = 1 / found.variance
    assert shape == pytest.approx(0.82, abs=0.005)
    assert shape / found.mean == pytest.approx(1.26, abs=0.005)


def test_each_pump_is_drawn_to_the_mean_by_its_own_weight():
    found = shrink_ratios(FAILURES, THOUSAND_HOURS)

    shape = 1 / found.variance
    for failures, hours, ratio in zip(
        FAILURES, THOUSAND_HOURS, found.ratio, strict=True
    ):
        weight = hours / (hours + shape / found.mean)
        assert ratio == pytest.approx(
            weight * failures / hours + (1 - weight) * found.mean, rel=1e-12
        )
