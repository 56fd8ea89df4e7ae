"""The calibration line of a gauge, and reading it backwards."""

import math

import numpy as np
import pytest
import statsmodels.api as sm
from scipy.special import stdtrit

from fleetbelt.errors import FitError
from fleetbelt.models.calibration_line import (
    QUADRATIC,
    STRAIGHT,
    THROUGH_ORIGIN,
    dead_weight_n,
    fit_line,
    inverse_predict,
    predict,
)
from fleetbelt.units import NEWTONS_PER


def readings(rng, *, sd=1.0, n=12, slope=0.9):
    x = np.repeat(np.linspace(200, 900, n // 2), 2)
    return x, 5 + slope * x + rng.normal(0, sd, n)


@pytest.mark.parametrize("powers", [STRAIGHT, QUADRATIC, THROUGH_ORIGIN])
def test_the_fit_is_that_of_another_least_squares(powers):
    rng = np.random.default_rng(1)
    x, y = readings(rng, sd=4.0)
    other = sm.OLS(y, x[:, None] ** np.array(powers)).fit()

    line = fit_line(x, y, powers=powers)
    at, u = predict(line, [300.0, 750.0])
    ahead = other.get_prediction(np.array([[300.0], [750.0]]) ** np.array(powers))

    assert line.coefficients == pytest.approx(other.params, rel=1e-6)
    assert line.standard_errors == pytest.approx(other.bse, rel=1e-6)
    assert line.sd**2 == pytest.approx(other.scale, rel=1e-9)
    assert line.df == other.df_resid
    assert at == pytest.approx(ahead.predicted_mean, rel=1e-9)
    assert u == pytest.approx(ahead.se_mean, rel=1e-6)


def test_the_limits_of_a_straight_line_are_fiellers():
    """The closed form about the mean, against the roots of the polynomial."""
    x, y = readings(np.random.default_rng(2), sd=20.0)
    line = fit_line(x, y)
    a, b = line.coefficients
    y0, m, n = 500.0, 3, len(x)
    t, sxx = stdtrit(line.df, 0.975), ((x - x.mean()) ** 2).sum()
    x0 = (y0 - a) / b
    g = t**2 * line.sd**2 / (b**2 * sxx)
    centre = x.mean() + (x0 - x.mean()) / (1 - g)
    half = t * line.sd / b / (1 - g)
    half *= np.sqrt((1 / m + 1 / n) * (1 - g) + (x0 - x.mean()) ** 2 / sxx)

    found = inverse_predict(line, y0, n_readings=m)

    assert found.x == pytest.approx(x0, rel=1e-12)
    assert found.x_lo == pytest.approx(centre - half, rel=1e-9)
    assert found.x_hi == pytest.approx(centre + half, rel=1e-9)


def test_reading_backwards_undoes_reading_forwards():
    x, y = readings(np.random.default_rng(3))
    for powers in (STRAIGHT, QUADRATIC, THROUGH_ORIGIN):
        line = fit_line(x, y, powers=powers)
        for load in (250.0, 500.0, 850.0):
            at, _ = predict(line, load)

            assert inverse_predict(line, float(at)).x == pytest.approx(load, rel=1e-9)


@pytest.mark.parametrize(("sd", "n"), [(1.0, 6), (60.0, 12)])
def test_the_limits_hold_the_truth_19_times_in_20(sd, n):
    rng = np.random.default_rng(4)
    held = []
    for _ in range(2000):
        x, y = readings(rng, sd=sd, n=n)
        new = 5 + 0.9 * 600 + rng.normal(0, sd)
        found = inverse_predict(fit_line(x, y), new)
        held.append(found.x_lo < 600 < found.x_hi)

    assert np.mean(held) == pytest.approx(0.95, abs=4 * np.sqrt(0.95 * 0.05 / 2000))


def test_the_unit_is_of_no_matter():
    x, y = readings(np.random.default_rng(5))
    lbf = NEWTONS_PER["lbf"]

    in_n = inverse_predict(fit_line(x, y, powers=QUADRATIC), 500.0)
    in_lbf = inverse_predict(fit_line(x / lbf, y / lbf, powers=QUADRATIC), 500.0 / lbf)

    for name in ("x", "x_lo", "x_hi", "u"):
        assert getattr(in_lbf, name) * lbf == pytest.approx(
            getattr(in_n, name), rel=1e-6
        )


def test_readings_exactly_on_a_line_have_limits_without_width():
    line = fit_line([100, 200, 100, 200], [90, 180, 90, 180])

    found = inverse_predict(line, 120.0)

    assert [found.x_lo, found.x, found.x_hi] == pytest.approx([400 / 3] * 3, rel=1e-9)


def test_a_bend_is_seen_against_the_repeats():
    rng = np.random.default_rng(6)
    x = np.repeat(np.linspace(100, 900, 9), 3)
    y = x - 1e-4 * x**2 + rng.normal(0, 0.5, x.size)

    assert fit_line(x, y).p_lack_of_fit < 1e-6
    assert fit_line(x, y, powers=QUADRATIC).p_lack_of_fit > 0.01
    assert math.isnan(fit_line(x[::3], y[::3]).p_lack_of_fit)


def test_a_line_lost_in_its_scatter_is_not_invertible():
    """Fieller's g is 1 or more: the limits have no end."""
    x, y = readings(np.random.default_rng(7), sd=2000.0, slope=0.01)

    with pytest.raises(FitError, match="not invertible at 100"):
        inverse_predict(fit_line(x, y), 100.0)


def test_a_curve_that_never_gets_there_is_not_invertible():
    x = np.linspace(1, 9, 9)
    line = fit_line(x, -((x - 5) ** 2) + 0.01 * np.cos(9 * x), powers=QUADRATIC)

    for y in (2.0, 0.0):  # above the top; at the top, where there are two
        with pytest.raises(FitError, match="not invertible"):
            inverse_predict(line, y)


@pytest.mark.parametrize(
    ("x", "y"),
    [
        ([100.0, 100.0, 100.0], [90.0, 91.0, 92.0]),
        ([100.0, 200.0], [90.0, 180.0]),
        ([100.0, 200.0, 300.0], [90.0, math.nan, 270.0]),
    ],
)
def test_too_few_loads_or_readings_are_refused(x, y):
    with pytest.raises(FitError, match="do not fix 2 coefficients"):
        fit_line(x, y)


def test_a_stamped_mass_pulls_less_where_gravity_is_less():
    """Value of the project's checks: 185 lb at g = 9.79 m/s² pulls 184.686 lbf."""
    mass_kg = 185 * 0.45359237

    assert dead_weight_n(mass_kg) / NEWTONS_PER["lbf"] == pytest.approx(185, rel=1e-12)
    assert dead_weight_n(mass_kg, gravity_m_s2=9.79) / NEWTONS_PER[
        "lbf"
    ] == pytest.approx(184.686, abs=0.5e-3)
