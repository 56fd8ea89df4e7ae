"""Efron, B. and Morris, C. (1977), *Scientific American* 236(5), 119-127.

Eighteen batting averages of the first 45 at bats in 1970, and of the rest of the
season. The published shrinkage assumes normal averages (factor 0.212); ours counts
hits as Poisson, whose variance exceeds the binomial, so it sees no spread at all and
gives everyone the mean. Either way the error falls by two thirds. Values from memory.
"""

import numpy as np
import pytest

from fleetbelt.models.shrinkage import shrink_ratios

HITS = np.array([18, 17, 16, 15, 14, 14, 13, 12, 11, 11, 10, 10, 10, 10, 10, 9, 8, 7])
SEASON = np.array([346, 298, 276, 222, 273, 270, 263, 210, 269, 230, 264, 256, 303])
SEASON = np.append(SEASON, [264, 226, 285, 316, 200]) / 1000


def test_the_listing_gives_the_published_mean_and_shrinkage_factor():
    average = HITS / 45

    spread = ((average - average.mean()) ** 2).sum()
    factor = 1 - 15 * average.mean() * (1 - average.mean()) / 45 / spread
    assert average.mean() == pytest.approx(0.265, abs=0.5e-3)
    assert factor == pytest.approx(0.212, abs=0.5e-3)
    assert ((average - SEASON) ** 2).sum() == pytest.approx(0.075317, abs=0.5e-6)


def test_shrinking_cuts_the_squared_error_to_a_third():
    found = shrink_ratios(HITS, np.full(18, 45.0))

    raw = ((HITS / 45 - SEASON) ** 2).sum()
    shrunk = ((found.ratio - SEASON) ** 2).sum()
    assert found.variance == 0
    assert found.mean == pytest.approx(0.265, abs=0.5e-3)
    assert shrunk < 0.35 * raw
