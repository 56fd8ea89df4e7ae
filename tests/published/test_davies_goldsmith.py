"""Davies and Goldsmith (1972), *Statistical Methods in Research and Production*.

Yield of dyestuff, 6 batches of 5; the second set from Box and Tiao (1973), made so that
no variance between batches can be seen. Data from memory; they reproduce the printed
means and deviations.
"""

import math

import numpy as np
import pytest

from fleetbelt.models.gauge_study import variance_components

BATCH = np.repeat(np.arange(6), 5)


def test_dyestuff_varies_between_batches():
    y = """1545 1440 1440 1520 1580  1540 1555 1490 1560 1495
           1595 1550 1605 1510 1560  1445 1440 1595 1465 1545
           1595 1630 1515 1635 1625  1520 1455 1450 1480 1445"""
    values = np.array(y.split(), dtype=float)

    found = variance_components(values, part=BATCH)

    assert values.mean() == pytest.approx(1527.5)
    assert math.sqrt(found.part) == pytest.approx(42.00, abs=0.5e-2)
    assert math.sqrt(found.repeatability) == pytest.approx(49.51, abs=0.5e-2)
    assert found.repeatability == pytest.approx(2451.25, rel=1e-9)
    assert 5 * found.part + found.repeatability == pytest.approx(11271.5, rel=1e-9)


def test_in_the_second_set_no_variance_between_batches_can_be_seen():
    y = """7.298 3.846 2.434 9.566 7.990  5.220 6.556 0.608 11.788 -0.892
           0.110 10.386 13.434 5.510 8.166  2.212 4.852 7.092 9.288 4.980
           0.282 9.014 4.458 9.446 7.198  1.722 4.782 8.106 0.758 3.758"""
    values = np.array(y.split(), dtype=float)

    found = variance_components(values, part=BATCH)

    assert values.mean() == pytest.approx(5.6656, abs=0.5e-4)
    assert values.std(ddof=1) == pytest.approx(3.7157, abs=0.5e-4)
    assert found.part < 0
