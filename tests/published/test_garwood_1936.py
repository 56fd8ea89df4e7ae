"""Garwood, F. (1936), *Biometrika* 28, 437-442: limits of a Poisson mean.

95 % column as in the standard published table (values from memory); the other columns
recomputed.
"""

import numpy as np
import pytest

from fleetbelt.models.rates import garwood

TABLE = """
0   0.0000   3.6889   0.0000   2.9957   0.0000   5.2983
1   0.0253   5.5716   0.0513   4.7439   0.0050   7.4301
2   0.2422   7.2247   0.3554   6.2958   0.1035   9.2738
3   0.6187   8.7673   0.8177   7.7537   0.3379  10.9775
4   1.0899  10.2416   1.3663   9.1535   0.6722  12.5941
5   1.6235  11.6683   1.9701  10.5130   1.0779  14.1498
6   2.2019  13.0595   2.6130  11.8424   1.5369  15.6597
8   3.4538  15.7632   3.9808  14.4346   2.5711  18.5782
10  4.7954  18.3904   5.4254  16.9622   3.7169  21.3978
12  6.2006  20.9616   6.9242  19.4426   4.9431  24.1449
15  8.3954  24.7402   9.2463  23.0971   6.8934  28.1641
20 12.2165  30.8884  13.2547  29.0620  10.3533  34.6680
25 16.1787  36.9049  17.3821  34.9161  13.9954  41.0004
30 20.2409  42.8269  21.5940  40.6905  17.7672  47.2093
50 37.1110  65.9188  38.9647  63.2871  33.6638  71.2661
100 81.3640 121.6268 84.1393 118.0793 76.1205 128.7606
"""
ROWS = np.array([line.split() for line in TABLE.split("\n") if line], dtype=float)


@pytest.mark.parametrize(("confidence", "column"), [(0.95, 1), (0.90, 3), (0.99, 5)])
def test_the_limits_are_those_of_the_table(confidence, column):
    lower, upper = garwood(ROWS[:, 0], confidence=confidence)

    assert lower == pytest.approx(ROWS[:, column], abs=0.51e-4)
    assert upper == pytest.approx(ROWS[:, column + 1], abs=0.51e-4)
