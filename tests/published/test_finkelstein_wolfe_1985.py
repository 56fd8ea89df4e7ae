"""Finkelstein, D. M. and Wolfe, R. A. (1985), *Biometrics* 41, 933-945.

Breast cosmesis, the radiotherapy arm: months between visits within which it worsened,
46 patients; no right end: not yet at the last visit. Masses as published, from memory;
the listing is a public one.
"""

# a result that is None fails its test without a check of its own
# mypy: disable-error-code="union-attr"

import numpy as np
import pytest

from fleetbelt.models.life import fit_weibull
from fleetbelt.models.lives import End, Lives
from fleetbelt.models.turnbull import turnbull

MONTHS = """
45- 25-37 37- 6-10 46- 0-5 0-7 26-40 18- 46- 46- 24- 46- 27-34 36- 7-16 36-44 5-11 17-
46- 19-35 7-14 36-48 17-25 37-44 37- 24- 0-8 40- 32- 4-11 17-25 33- 15- 46- 19-26 11-15
11-18 37- 22- 38- 34- 46- 5-12 36- 46-
"""
MASSES = [  # in (left, right]
    (4, 5, 0.0463),
    (6, 7, 0.0334),
    (7, 8, 0.0887),
    (11, 12, 0.0708),
    (24, 25, 0.0926),
    (33, 34, 0.0818),
    (38, 40, 0.1209),
    (46, 48, 0.4656),
]


@pytest.fixture(scope="module")
def lives():
    left, right = zip(*(text.split("-") for text in MONTHS.split()), strict=True)
    end = [End.INTERVAL if text else End.CENSORED for text in right]
    return Lives.of(end, [float(x) for x in left], [float(x or 0) for x in right])


def test_turnbull_masses_lie_where_they_were_published(lives):
    found = turnbull(lives)

    masses = np.column_stack([found.left_mi, found.right_mi, found.mass])
    assert masses == pytest.approx(np.array(MASSES), abs=0.6e-4)
    assert found.log_likelihood == pytest.approx(-58.0600220, abs=1e-6)


def test_closed_intervals_would_put_the_mass_elsewhere(lives):
    """The survival at 5 months is 0.95366, not 0.9507 (closed intervals)."""
    found = turnbull(lives)

    assert 1 - found.mass[0] == pytest.approx(0.95366, abs=1e-5)


def test_the_weibull_of_interval_censored_lives(lives):
    """Recomputed by R's survreg and by lifelines."""
    fit = fit_weibull(lives)

    assert fit.shape.value == pytest.approx(1.1216129, rel=1e-6)
    assert fit.scale_mi.value == pytest.approx(57.513096, rel=1e-6)
    assert fit.log_likelihood == pytest.approx(-64.731471, abs=1e-6)
