"""Weibull life of belts: fit, intervals, and what a belt of some age may expect."""

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
from scipy.special import gamma, gammainc, gammaincc

from fleetbelt.models.arrays import FloatArray
from fleetbelt.models.estimates import Estimate, two_sided_z
from fleetbelt.models.lives import Lives
from fleetbelt.models.newton import Maximum, Objective
from fleetbelt.models.profile import Curve, profile_limits
from fleetbelt.models.weibull_likelihood import (
    Terms,
    weibull_maximum,
    weibull_objective,
)

FEWEST_FAILURES = 3  # below this no Weibull is fitted
PROFILE_BELOW_FAILURES = 30  # below this the profile limits are worked out too
_UNSETTLED = (
    "do not settle a shape: the likelihood has no maximum, as when all of them failed "
    "at one mileage."
)
_LIKELY = 1e-6  # chances below it are differences of which no digits are left
_LARGEST_LOG_SHAPE = 4.0  # a shape beyond 55 or below 1/55 says that none was found


@dataclass(frozen=True, slots=True, kw_only=True)
class WeibullFit:
    """A two-parameter Weibull life of a group of belts.

    Attributes
    ----------
    n, failures : int
        Belts in the group, and those known to have failed.
    shape : Estimate or None
        Dimensionless; above 1 the hazard rises with miles (wear-out).
    scale_mi : Estimate or None
        Characteristic life, mi: 63.2 % of belts have failed by here.
    b10_mi, median_mi : Estimate or None
        Miles by which 10 % and 50 % of belts have failed.
    log_covariance : tuple of float or None
        Variance of log shape, its covariance with log scale, variance of log scale.
    log_likelihood : float or None
        At the estimate, in miles.
    reason : str or None
        Why there is no fit; None where there is one.
    """

    n: int
    failures: int
    shape: Estimate | None = None
    scale_mi: Estimate | None = None
    b10_mi: Estimate | None = None
    median_mi: Estimate | None = None
    log_covariance: tuple[float, float, float] | None = None
    log_likelihood: float | None = None
    reason: str | None = None


def fit_weibull(
    lives: Lives,
    *,
    broken_share: float | None = None,
    confidence: float = 0.95,
    profile_below: int = PROFILE_BELOW_FAILURES,
) -> WeibullFit:
    """Fit a Weibull life by maximum likelihood.

    Parameters
    ----------
    lives : Lives
        The belts of one group; ``cell`` is not looked at.
    broken_share : float, optional
        Share of failures that break on the road, 0 to 1; default: that of ``lives``
        (give a small group that of the whole fleet).
    confidence : float, default 0.95
        Of all limits: by the delta method on the logarithm [1]_.
    profile_below : int, default 30
        With fewer failures, work out limits by the profile likelihood too [1]_.

    Returns
    -------
    WeibullFit
        With estimates, or with the reason why there are none.

    References
    ----------
    .. [1] Meeker, W. Q. and Escobar, L. A. (1998), *Statistical Methods for Reliability
       Data*, sections 8.2 and 8.3.
    """
    n, failures = lives.n, lives.failures
    if failures < FEWEST_FAILURES:
        return WeibullFit(n=n, failures=failures, reason=_too_few(n, failures))
    p = lives.broken_share if broken_share is None else broken_share
    design = np.ones((int(lives.cell.max()) + 1, 1))
    terms = Terms.of(lives, p)
    found = weibull_maximum(terms, design)
    if not found.is_found or abs(found.theta[0]) > _LARGEST_LOG_SHAPE:
        reason = f"{failures} failures of {n} belts {_UNSETTLED}"
        return WeibullFit(n=n, failures=failures, reason=reason)
    shape, scale_mi, b10_mi, median_mi = _estimates(
        found,
        weibull_objective(terms, design),
        z=two_sided_z(confidence),
        has_profile=failures < profile_below,
    )
    (var_a, cov), (_, var_mu) = found.covariance().tolist()
    return WeibullFit(
        n=n,
        failures=failures,
        shape=shape,
        scale_mi=scale_mi,
        b10_mi=b10_mi,
        median_mi=median_mi,
        log_covariance=(var_a, cov, var_mu),
        log_likelihood=found.value,
    )


def life_quantile_mi(
    fit: WeibullFit, fraction_failed: float, *, confidence: float = 0.95
) -> Estimate | None:
    """Return the miles by which a fraction of belts has failed, by the delta method.

    Parameters
    ----------
    fit : WeibullFit
        Of `fit_weibull`.
    fraction_failed : float
        Between 0 and 1, exclusive: 0.10 gives B10.
    confidence : float, default 0.95
        Of the limits.

    Returns
    -------
    Estimate or None
        Miles; None where there is no fit.
    """
    if fit.shape is None or fit.scale_mi is None or fit.log_covariance is None:
        return None
    var_a, cov, var_mu = fit.log_covariance
    step = _log_step(fraction_failed, fit.shape.value)
    variance = var_mu - 2 * step * cov + step**2 * var_a
    return Estimate.of_log(
        float(np.log(fit.scale_mi.value)) + step,
        float(np.sqrt(variance)),
        z=two_sided_z(confidence),
    )


def failure_probability(
    age_mi: npt.ArrayLike,
    ahead_mi: npt.ArrayLike,
    *,
    shape: npt.ArrayLike,
    scale_mi: npt.ArrayLike,
) -> FloatArray:
    """Return the chance that a belt of some age fails within the miles ahead.

    Parameters
    ----------
    age_mi, ahead_mi : array_like of float, shape (n_belts,)
        Miles since fitting now (0 or more), and miles to go.
    shape, scale_mi : array_like of float, shape (n_belts,)
        Weibull shape and scale (mi) of each belt's group.

    Returns
    -------
    ndarray of float, shape (n_belts,)
        ``1 - exp((a/η)**k - ((a+m)/η)**k)``, 0 to 1.
    """
    k, a = np.asarray(shape, dtype=float), np.asarray(age_mi, dtype=float)
    later = a + np.asarray(ahead_mi, dtype=float)
    return np.asarray(-np.expm1((a / scale_mi) ** k - (later / scale_mi) ** k))


def mean_residual_mi(
    age_mi: npt.ArrayLike, *, shape: npt.ArrayLike, scale_mi: npt.ArrayLike
) -> FloatArray:
    """Return the mean miles that a belt of some age still runs.

    Parameters
    ----------
    age_mi, shape, scale_mi : array_like of float, shape (n_belts,)
        See `failure_probability`.

    Returns
    -------
    ndarray of float, shape (n_belts,)
        Miles: ``(η/k) e^x Γ(1/k, x)`` with ``x = (a/η)**k`` and Γ(s, x) the upper
        incomplete gamma function; for x above 100 by its asymptotic series [1]_.

    References
    ----------
    .. [1] Abramowitz, M. and Stegun, I. A. (1964), *Handbook of Mathematical
       Functions*, 6.5.32.
    """
    k, eta = np.asarray(shape, dtype=float), np.asarray(scale_mi, dtype=float)
    s = 1 / k
    x = (np.asarray(age_mi, dtype=float) / eta) ** k
    near, far = np.minimum(x, 100.0), np.maximum(x, 100.0)
    by_gamma = np.exp(near) * gammaincc(s, near) * gamma(s)
    series = 1 + (s - 1) / far * (1 + (s - 2) / far * (1 + (s - 3) / far))
    return np.asarray(eta / k * np.where(x <= 100.0, by_gamma, far ** (s - 1) * series))


def mean_life_between_mi(
    lower_mi: npt.ArrayLike,
    upper_mi: npt.ArrayLike,
    *,
    shape: npt.ArrayLike,
    scale_mi: npt.ArrayLike,
) -> FloatArray:
    """Return the mean life of belts that failed between two sightings.

    Parameters
    ----------
    lower_mi, upper_mi : array_like of float, shape (n_belts,)
        Miles since fitting when last seen sound, and when found to have failed.
    shape, scale_mi : array_like of float, shape (n_belts,)
        Weibull shape and scale (mi) of each belt's group.

    Returns
    -------
    ndarray of float, shape (n_belts,)
        Miles: ``(a S(a) - b S(b) + ∫ₐᵇ S) / (S(a) - S(b))``, the integral by the lower
        incomplete gamma function; the middle of an interval in which next to none fail.
    """
    k, eta = np.asarray(shape, dtype=float), np.asarray(scale_mi, dtype=float)
    a, b = (np.asarray(x, dtype=float) for x in (lower_mi, upper_mi))
    x, y = (a / eta) ** k, (b / eta) ** k
    failed = np.exp(-x) - np.exp(-y)
    run = eta * gamma(1 + 1 / k) * (gammainc(1 / k, y) - gammainc(1 / k, x))
    is_likely = failed > _LIKELY
    mean = a * np.exp(-x) - b * np.exp(-y) + run
    mean = np.where(is_likely, mean / np.where(is_likely, failed, 1), (a + b) / 2)
    return np.asarray(np.clip(mean, a, b))


def median_residual_mi(
    age_mi: npt.ArrayLike, *, shape: npt.ArrayLike, scale_mi: npt.ArrayLike
) -> FloatArray:
    """Return the miles within which a belt of some age fails with chance one half.

    Parameters
    ----------
    age_mi, shape, scale_mi : array_like of float, shape (n_belts,)
        See `failure_probability`.

    Returns
    -------
    ndarray of float, shape (n_belts,)
        Miles: ``η (x + log 2)**(1/k) - a`` with ``x = (a/η)**k``.
    """
    k, eta = np.asarray(shape, dtype=float), np.asarray(scale_mi, dtype=float)
    a = np.asarray(age_mi, dtype=float)
    return np.asarray(eta * ((a / eta) ** k + np.log(2.0)) ** (1 / k) - a)


def _estimates(
    found: Maximum, objective: Objective, *, z: float, has_profile: bool
) -> tuple[Estimate, Estimate, Estimate, Estimate]:
    """Estimate shape, scale, B10 and median; θ = (a, μ) = (log shape, log scale)."""
    a, mu = (float(x) for x in found.theta)
    covariance = found.covariance()

    def estimate(psi: float, tau: float, slope: FloatArray, curve: Curve) -> Estimate:
        se = float(np.sqrt(slope @ covariance @ slope))
        by_delta = Estimate.of_log(psi, se, z=z)
        if not has_profile:
            return by_delta
        lo, hi = profile_limits(
            objective, curve, found, psi_tau=(psi, tau), log_se=se, z=z
        )
        return replace(
            by_delta,
            profile_lo=None if lo is None else float(np.exp(lo)),
            profile_hi=None if hi is None else float(np.exp(hi)),
        )

    def quantile(fraction_failed: float) -> Estimate:
        step = _log_step(fraction_failed, float(np.exp(a)))
        c = step * float(np.exp(a))
        return estimate(mu + step, a, np.array([-step, 1.0]), _at_quantile(c))

    shape = estimate(a, mu, np.array([1.0, 0.0]), _at_shape)
    return shape, quantile(-np.expm1(-1.0)), quantile(0.10), quantile(0.50)


def _at_shape(psi: float, tau: float) -> tuple[FloatArray, FloatArray, FloatArray]:
    """ψ = log shape held, τ = log scale free."""
    return np.array([psi, tau]), np.array([0.0, 1.0]), np.zeros(2)


def _at_quantile(c: float) -> Curve:
    """ψ = log life quantile = μ + c e^-a held, τ = a = log shape free."""

    def curve(psi: float, tau: float) -> tuple[FloatArray, FloatArray, FloatArray]:
        step = c * float(np.exp(-tau))
        return (
            np.array([tau, psi - step]),
            np.array([1.0, step]),
            np.array([0.0, -step]),
        )

    return curve


def _log_step(fraction_failed: float, shape: float) -> float:
    """Log of a life quantile less log scale: ``log(-log(1 - F)) / k``."""
    return float(np.log(-np.log1p(-fraction_failed))) / shape


def _too_few(n: int, failures: int) -> str:
    failed = {0: "none has failed", 1: "1 has failed"}
    counted = failed.get(failures, f"{failures} have failed")
    return (
        f"Of {n} belt{'s' * (n != 1)} {counted}; "
        f"a Weibull life needs at least {FEWEST_FAILURES} failures."
    )
