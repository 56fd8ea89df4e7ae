"""NIST Statistical Reference Datasets, certified values (itl.nist.gov/div898/strd).

Works of the US government. Tolerances: nine certified digits where the data allow them;
where the stored doubles do not (a spread of 0.1 about a million), what they allow.
"""

import math

import numpy as np
import pytest
from scipy.special import fdtrc

from fleetbelt.models.calibration_line import (
    QUADRATIC,
    THROUGH_ORIGIN,
    fit_line,
    inverse_predict,
)
from fleetbelt.models.gauge_study import variance_components

NORRIS = """0.1 0.2  338.8 337.4  118.1 118.2  888.0 884.6  9.2 10.1  228.1 226.5
    668.5 666.3  998.5 996.3  449.1 448.6  778.9 777.0  559.2 558.2  0.3 0.4  0.1 0.6
    778.1 775.5  668.8 666.9  339.3 338.0  448.9 447.5  10.8 11.6  557.7 556.0
    228.3 228.1  998.0 995.8  888.8 887.6  119.6 120.2  0.3 0.3  0.6 0.3  557.6 556.8
    339.3 339.1  888.0 887.2  998.5 999.0  778.9 779.0  10.2 11.1  117.6 118.3
    228.9 229.2  668.4 669.1  449.2 448.9  0.2 0.5"""
PONTIUS = """.11019 .21956 .32949 .43899 .54803 .65694 .76562 .87487 .98292 1.09146
    1.20001 1.30822 1.41599 1.52399 1.63194 1.73947 1.84646 1.95392 2.06128 2.16844
    .11052 .22018 .32939 .43886 .54798 .65739 .76596 .87474 .98300 1.09150
    1.20004 1.30818 1.41613 1.52408 1.63159 1.73965 1.84696 1.95445 2.06177 2.16829"""
SIRSTV = """196.3052 196.1240 196.1890 196.2569 196.3403
    196.3042 196.3825 196.1669 196.3257 196.0422
    196.1303 196.2005 196.2889 196.0343 196.1811
    196.2795 196.1748 196.1494 196.1485 195.9885
    196.2119 196.1051 196.1850 196.0052 196.2090"""


def numbers(text):
    return np.array(text.split(), dtype=float)


def pontius():
    return np.tile(np.arange(1, 21) * 150_000.0, 2), numbers(PONTIUS)


def test_norris_a_straight_line_has_its_certified_values():
    y, x = numbers(NORRIS).reshape(-1, 2).T

    line = fit_line(x, y)
    f = (line.coefficients[1] / line.standard_errors[1]) ** 2

    assert line.coefficients == pytest.approx(
        [-0.262323073774029, 1.00211681802045], rel=1e-9
    )
    assert line.standard_errors == pytest.approx(
        [0.232818234301152, 0.429796848199937e-3], rel=1e-9
    )
    assert line.sd == pytest.approx(0.884796396144373, rel=1e-9)
    assert line.df == 34
    assert f == pytest.approx(5436385.54079785, rel=1e-9)


@pytest.mark.parametrize(
    ("n_readings", "limits"),
    [(1, (98.21007304, 101.89051068)), (3, (98.93673731, 101.16384641))],
)
def test_norris_read_backwards_has_fiellers_limits(n_readings, limits):
    """Computed, not certified."""
    y, x = numbers(NORRIS).reshape(-1, 2).T

    found = inverse_predict(fit_line(x, y), 100.0, n_readings=n_readings)

    assert found.x == pytest.approx(100.0505342998, abs=1e-9)
    assert (found.x_lo, found.x_hi) == pytest.approx(limits, abs=1e-7)


def test_pontius_a_load_cells_curve_has_its_certified_values():
    """Loads to 3e6: a fit in raw x and x**2 keeps only six digits."""
    line = fit_line(*pontius(), powers=QUADRATIC)

    assert line.coefficients == pytest.approx(
        [0.673565789473684e-3, 0.732059160401003e-6, -0.316081871345029e-14],
        rel=1e-9,
        abs=0,
    )
    assert line.standard_errors == pytest.approx(
        [0.107938612033077e-3, 0.157817399981659e-9, 0.486652849992036e-16],
        rel=1e-9,
        abs=0,
    )
    assert line.sd == pytest.approx(0.205177424076185e-3, rel=1e-9)
    assert line.sd**2 * line.df == pytest.approx(0.155761768796992e-5, rel=1e-9)


def test_pontius_a_straight_line_is_not_enough():
    """NIST/SEMATECH e-Handbook 4.6.1; the F ratios of lack of fit recomputed."""
    x, y = pontius()

    straight, bent = fit_line(x, y), fit_line(x, y, powers=QUADRATIC)

    assert straight.coefficients == pytest.approx([6.150e-3, 7.221e-7], rel=1e-4)
    assert straight.standard_errors == pytest.approx([7.132e-4, 3.969e-10], rel=1e-4)
    assert straight.sd == pytest.approx(2.1712726e-3, rel=1e-7)
    assert straight.p_lack_of_fit == pytest.approx(fdtrc(18, 20, 214.75), rel=1e-3)
    assert bent.p_lack_of_fit == pytest.approx(fdtrc(17, 20, 0.8107), abs=1e-4)


def test_pontius_a_reading_of_1_2_was_a_load_of_1650047():
    """Derived, not certified."""
    found = inverse_predict(fit_line(*pontius(), powers=QUADRATIC), 1.2)

    assert found.x == pytest.approx(1_650_047.3, rel=1e-6)


@pytest.mark.parametrize(
    ("x", "y", "slope", "standard_error", "sd"),
    [
        (
            np.arange(60, 71),
            np.arange(130, 141),
            2.07438016528926,
            0.165289256198347e-1,
            3.56753034006338,
        ),
        (
            np.array([4, 5, 6]),
            np.array([3, 4, 4]),
            0.727272727272727,
            0.420827318078432e-1,
            0.369274472937998,
        ),
    ],
    ids=["NoInt1", "NoInt2"],
)
def test_noint_a_line_through_the_origin_has_its_certified_values(
    x, y, slope, standard_error, sd
):
    line = fit_line(x, y, powers=THROUGH_ORIGIN)

    assert line.coefficients == pytest.approx([slope], rel=1e-9)
    assert line.standard_errors == pytest.approx([standard_error], rel=1e-9)
    assert line.sd == pytest.approx(sd, rel=1e-9)


def test_sirstv_five_instruments_have_their_certified_squares():
    found = variance_components(numbers(SIRSTV), part=np.repeat(np.arange(5), 5))
    within, between = found.repeatability, 5 * found.part + found.repeatability

    assert 4 * between == pytest.approx(5.11462616e-2, rel=1e-9)
    assert 20 * within == pytest.approx(2.16636560e-1, rel=1e-9)
    assert between / within == pytest.approx(1.18046237440255, rel=1e-9)
    assert math.sqrt(within) == pytest.approx(1.04076068334656e-1, rel=1e-9)
    assert 4 * between / (4 * between + 20 * within) == pytest.approx(
        1.90999039051129e-1, rel=1e-9
    )


def test_sirstv_shows_no_difference_between_the_instruments():
    """Derived by the formulas of ISO 5725-2, not certified."""
    found = variance_components(numbers(SIRSTV), part=np.repeat(np.arange(5), 5))
    f = (5 * found.part + found.repeatability) / found.repeatability

    assert fdtrc(4, 20, f) == pytest.approx(0.34945, abs=0.5e-5)
    assert math.sqrt(found.part) == pytest.approx(0.019772, abs=0.5e-6)
    assert math.sqrt(found.part + found.repeatability) == pytest.approx(
        0.105938, abs=0.5e-6
    )


@pytest.mark.parametrize(
    ("offset", "rel"), [(1, 1e-9), (1e6, 1e-7), (1e12, 1e-2)], ids=["01", "04", "07"]
)
def test_smls_nine_treatments_have_a_variance_ratio_of_21(offset, rel):
    centres = np.array([4, 3, 5, 3, 5, 3, 5, 3, 5])
    steps = np.append(0, np.tile([-1, 1], 10))
    y = offset + (centres[:, None] + steps) / 10

    found = variance_components(y.ravel(), part=np.repeat(np.arange(9), 21))
    f = (21 * found.part + found.repeatability) / found.repeatability

    assert f == pytest.approx(21.0, rel=rel)


@pytest.mark.parametrize(
    ("centre", "rel"), [(1_000_000.2, 1e-8), (10_000_000.2, 1e-7)], ids=["3", "4"]
)
def test_numacc_a_spread_of_a_tenth_about_a_million_is_not_lost(centre, rel):
    y = np.append(centre, np.tile([centre - 0.1, centre + 0.1], 500))

    found = variance_components(y, part=np.zeros(1001))

    assert math.sqrt(found.repeatability) == pytest.approx(0.1, rel=rel)
