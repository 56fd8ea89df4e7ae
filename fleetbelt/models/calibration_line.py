"""A gauge's reading as a line in the load, and the load behind a reading."""

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt
from numpy.polynomial import Polynomial
from scipy.special import fdtrc, stdtrit

from fleetbelt.errors import FitError
from fleetbelt.models.arrays import FloatArray
from fleetbelt.units import STANDARD_GRAVITY_M_S2

STRAIGHT: Final = (0, 1)
QUADRATIC: Final = (0, 1, 2)
THROUGH_ORIGIN: Final = (1,)


@dataclass(frozen=True, slots=True, kw_only=True)
class CalibrationLine:
    """A least-squares line or curve, y = sum of coefficient times x**power.

    Attributes
    ----------
    powers : tuple of int
        Power of x of each coefficient.
    coefficients, standard_errors : ndarray of float, shape (n_powers,)
        In units of y per x**power.
    sd : float
        Residual standard deviation, in units of y.
    df : int
        Its degrees of freedom.
    p_lack_of_fit : float
        Chance that repeats at equal x scatter so much less than the points about the
        line, were the line right; NaN without repeats.
    scale : float
        The largest absolute x: the fit is done in x / scale.
    scaled_covariance : ndarray of float, shape (n_powers, n_powers)
        Of the coefficients in x / scale.
    x_middle : float
        Middle of the calibrated x.
    """

    powers: tuple[int, ...]
    coefficients: FloatArray
    standard_errors: FloatArray
    sd: float
    df: int
    p_lack_of_fit: float
    scale: float
    scaled_covariance: FloatArray
    x_middle: float


@dataclass(frozen=True, slots=True, kw_only=True)
class InversePrediction:
    """The x behind a y.

    Attributes
    ----------
    x, x_lo, x_hi : float
        Estimate and limits, in units of x.
    u : float
        Standard uncertainty by propagation, in units of x.
    """

    x: float
    x_lo: float
    x_hi: float
    u: float


def fit_line(
    x: npt.ArrayLike, y: npt.ArrayLike, *, powers: tuple[int, ...] = STRAIGHT
) -> CalibrationLine:
    """Return the least-squares line or curve through calibration readings.

    Parameters
    ----------
    x, y : array_like, shape (n_readings,)
        Known loads and readings, in any units.
    powers : tuple of int, default (0, 1)
        `STRAIGHT`, `QUADRATIC` or `THROUGH_ORIGIN`.

    Returns
    -------
    CalibrationLine
        Coefficients with their covariance, residual sd, and the test of lack of fit:
        ``F = (SS - SS_pure)/(df - df_pure) / (SS_pure/df_pure)``.

    Raises
    ------
    FitError
        If there are too few readings at too few loads.

    Notes
    -----
    Solved by QR in x / max|x|: on raw x near 1e6 a quadratic keeps only six digits.
    """
    x_, y_ = np.asarray(x, dtype=float), np.asarray(y, dtype=float)
    n_loads = len(np.unique(x_))
    if n_loads < len(powers) or len(x_) <= len(powers) or np.isnan(x_ + y_).any():
        raise FitError(
            what=f"{len(x_)} readings at {n_loads} loads do not fix {len(powers)} "
            "coefficients.",
            where="the calibration line",
            fix="read more known loads, the same ones more than once.",
        )
    scale = float(np.abs(x_).max())
    exponents = np.array(powers)
    design = (x_ / scale)[:, None] ** exponents
    q, r = np.linalg.qr(design)
    scaled = np.linalg.solve(r, q.T @ y_)
    ss, df = float(((y_ - design @ scaled) ** 2).sum()), len(x_) - len(powers)
    r_inverse = np.linalg.inv(r)
    covariance = ss / df * r_inverse @ r_inverse.T
    return CalibrationLine(
        powers=powers,
        coefficients=scaled / scale**exponents,
        standard_errors=np.sqrt(covariance.diagonal()) / scale**exponents,
        sd=float(np.sqrt(ss / df)),
        df=df,
        p_lack_of_fit=_p_lack_of_fit(x_, y_, ss, df),
        scale=scale,
        scaled_covariance=covariance,
        x_middle=float(x_.min() + x_.max()) / 2,
    )


def predict(line: CalibrationLine, x: npt.ArrayLike) -> tuple[FloatArray, FloatArray]:
    """Return the line at x.

    Parameters
    ----------
    line : CalibrationLine
        A fitted line.
    x : array_like, shape (n,)
        Where to read it.

    Returns
    -------
    tuple of two ndarray of float, shape (n,)
        The line and its standard uncertainty, in units of y; a reading scatters about
        it by ``line.sd`` besides.
    """
    z = np.asarray(x, dtype=float) / line.scale
    curve, variance = _polynomials(line)
    return curve(z), np.sqrt(variance(z))


def inverse_predict(
    line: CalibrationLine, y: float, *, n_readings: float = 1, confidence: float = 0.95
) -> InversePrediction:
    """Return the x behind the mean of new readings, with its limits.

    Parameters
    ----------
    line : CalibrationLine
        A fitted line.
    y : float
        Mean of the new readings.
    n_readings : float, default 1
        How many there are; ``math.inf`` where y is known without error.
    confidence : float, default 0.95
        Chance that the limits hold the truth.

    Returns
    -------
    InversePrediction
        The x where the line is y, and the x at which it is t standard errors off [1]_:
        ``(y - f(x))**2 = t**2 (s**2 / n_readings + var f(x))``.

    Raises
    ------
    FitError
        If the line is not invertible there: no x, several, or limits without end.

    Notes
    -----
    For a straight line these are Fieller's limits, without end where
    ``g = t**2 var(b) / b**2`` is 1 or more.

    References
    ----------
    .. [1] Fieller, E. C. (1954), *JRSS B* 16, 175-185.
    """
    curve, variance = _polynomials(line)
    solutions = _real_roots(curve - y)
    if len(solutions) == 0:
        raise _not_invertible(line, y)
    z = solutions[np.abs(solutions - line.x_middle / line.scale).argmin()]
    offset, squared_u = (p(Polynomial([z, 1.0])) for p in (curve, variance))  # from z
    offset.coef[0] = 0.0
    squared_u = squared_u + line.sd**2 / n_readings
    t = stdtrit(line.df, 0.5 + confidence / 2)
    limits = _real_roots(offset**2 - t**2 * squared_u)
    if limits.size == 0 or limits.min() > 0 or limits.max() < 0:
        raise _not_invertible(line, y)
    lo, hi = limits[limits <= 0].max(), limits[limits >= 0].min()
    others = _real_roots(offset)
    if np.sum((lo <= others) & (others <= hi)) > 1:
        raise _not_invertible(line, y)
    u = np.sqrt(squared_u(0.0)) / abs(offset.deriv()(0.0))
    x, x_lo, x_hi, u_x = (float(v * line.scale) for v in (z, z + lo, z + hi, u))
    return InversePrediction(x=x, x_lo=x_lo, x_hi=x_hi, u=u_x)


def dead_weight_n(
    mass_kg: npt.ArrayLike, *, gravity_m_s2: float = STANDARD_GRAVITY_M_S2
) -> FloatArray:
    """Return the force of a hanging mass.

    Parameters
    ----------
    mass_kg : array_like
        Mass, kg.
    gravity_m_s2 : float, default 9.80665
        Local acceleration of free fall, m/s²; it varies by 0.5 % over the earth.

    Returns
    -------
    ndarray of float
        Force, N, without the 0.015 % that steel loses to the air's buoyancy.
    """
    return np.asarray(mass_kg, dtype=float) * gravity_m_s2


def _polynomials(line: CalibrationLine) -> tuple[Polynomial, Polynomial]:
    """Lay out the curve and its variance as polynomials in x / scale."""
    powers = np.array(line.powers)
    curve, variance = np.zeros(powers.max() + 1), np.zeros(2 * powers.max() + 1)
    curve[powers] = line.coefficients * line.scale**powers
    np.add.at(variance, powers[:, None] + powers, line.scaled_covariance)
    return Polynomial(curve), Polynomial(variance)


def _real_roots(polynomial: Polynomial) -> FloatArray:
    roots = polynomial.trim().roots()
    is_real = np.abs(roots.imag) <= 1e-9 * (1 + np.abs(roots))
    return np.asarray(roots[is_real].real)


def _p_lack_of_fit(x: FloatArray, y: FloatArray, ss: float, df: int) -> float:
    _, level, n = np.unique(x, return_inverse=True, return_counts=True)
    df_pure = len(x) - len(n)
    if df_pure == 0 or df_pure >= df:
        return float("nan")
    mean = np.bincount(level, y) / n
    pure = float(((y - mean[level]) ** 2).sum())
    f = (ss - pure) / (df - df_pure) / (pure / df_pure) if pure > 0 else np.inf
    return float(fdtrc(df - df_pure, df_pure, f))


def _not_invertible(line: CalibrationLine, y: float) -> FitError:
    return FitError(
        what=f"The calibration line is not invertible at {y:g}.",
        where=f"a line of powers {line.powers} with {line.df} degrees of freedom",
        fix="calibrate over a wider range of loads, with more repeats.",
    )
