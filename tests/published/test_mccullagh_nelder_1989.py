"""McCullagh, P. and Nelder, J. A. (1989), *Generalized Linear Models*, section 6.3.2.

Wave damage to cargo ships: 34 combinations of type, year of construction and period of
operation that saw service, months of service and incidents (`MASS::ships` in R).
Coefficients and standard errors as printed, from memory; more digits recomputed.
"""

import numpy as np
import pytest

from fleetbelt.models.count_likelihood import Counts
from fleetbelt.models.count_regression import fit_counts

SHIPS = """
A6060 127 0, A6075 63 0, A6560 1095 3, A6575 1095 4, A7060 1512 6, A7075 3353 18,
A7575 2244 11, B6060 44882 39, B6075 17176 29, B6560 28609 58, B6575 20370 53,
B7060 7064 12, B7075 13099 44, B7575 7117 18, C6060 1179 1, C6075 552 1, C6560 781 0,
C6575 676 1, C7060 783 6, C7075 1948 2, C7575 274 1, D6060 251 0, D6075 105 0,
D6560 288 0, D6575 192 0, D7060 349 2, D7075 1208 11, D7575 2051 4, E6060 45 0,
E6560 789 7, E6575 437 7, E7060 1157 5, E7075 2161 12, E7575 542 1
"""
ROWS = [row.split() for row in SHIPS.split(",")]  # type, built, operated; months; hits
MONTHS = np.array([float(months) for _, months, _ in ROWS])
INCIDENTS = np.array([float(incidents) for *_, incidents in ROWS])
DESIGN = np.array(
    [
        [1.0]
        + [float(key[0] == kind) for kind in "BCDE"]
        + [float(key[1:3] == built) for built in ("65", "70", "75")]
        + [float(key[3:] == "75")]
        for key, *_ in ROWS
    ]
)
NAMES = ["intercept", *"BCDE", "65-69", "70-74", "75-79", "period 75-79"]
PRINTED = [-6.41, -0.54, -0.69, -0.08, 0.33, 0.70, 0.82, 0.45, 0.38]
QUASI_ERRORS = [0.28, 0.23, 0.43, 0.38, 0.31, 0.19, 0.22, 0.30, 0.15]


@pytest.fixture(scope="module")
def fit():
    return fit_counts(Counts.of(INCIDENTS, MONTHS), DESIGN, NAMES)


def test_the_listing_has_the_published_totals():
    assert (len(ROWS), INCIDENTS.sum(), MONTHS.sum()) == (34, 356, 163_574)


def test_the_coefficients_are_those_printed(fit):
    errors = np.array([c.standard_error for c in fit.coefficients])
    quasi = errors * np.sqrt(fit.pearson / fit.df)

    values = [c.value for c in fit.coefficients]
    assert values == pytest.approx(PRINTED, abs=0.0055)
    assert quasi == pytest.approx(QUASI_ERRORS, abs=0.0055)


def test_the_fit_is_as_good_as_printed(fit):
    assert fit.deviance == pytest.approx(38.695052, abs=1e-6)
    assert fit.pearson == pytest.approx(42.275253, abs=1e-6)
    assert fit.df == 25
    assert fit.log_likelihood == pytest.approx(-68.280771, abs=1e-6)


def test_alpha_goes_to_zero_and_poisson_stays(fit):
    assert fit.family == "poisson"
    assert fit.alpha is None
    assert "taken as Poisson" in fit.reason


def test_months_of_service_set_free_have_the_printed_exponent():
    design = np.column_stack([DESIGN, np.log(MONTHS)])
    counts = Counts.of(INCIDENTS, np.ones(len(ROWS)))

    fit = fit_counts(counts, design, [*NAMES, "log months"])

    assert fit.coefficients[-1].value == pytest.approx(0.902708, abs=1e-6)
    assert fit.coefficients[-1].standard_error == pytest.approx(0.101803, abs=1e-6)
