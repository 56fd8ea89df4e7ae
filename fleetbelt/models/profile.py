"""Profile-likelihood limits of one quantity of a two-parameter model."""

from collections.abc import Callable
from functools import cache
from math import sqrt

import numpy as np
from scipy.optimize import brentq

from fleetbelt.models.arrays import FloatArray
from fleetbelt.models.newton import Maximum, Objective, maximise

# ψ and the nuisance τ -> θ, dθ/dτ and d²θ/dτ² with ψ held
Curve = Callable[[float, float], tuple[FloatArray, FloatArray, FloatArray]]

_FARTHEST = 30.0  # on the log scale: a limit beyond e^30 times the estimate is none


def profile_limits(
    objective: Objective,
    curve: Curve,
    found: Maximum,
    *,
    psi_tau: tuple[float, float],
    log_se: float,
    z: float,
) -> tuple[float | None, float | None]:
    """Return the ψ on either side at which the profile falls by z²/2.

    Parameters
    ----------
    objective : callable
        Log-likelihood of θ, with gradient and Hessian.
    curve : callable
        The parameter vectors that share a value of ψ, along the nuisance τ.
    found : Maximum
        Of the objective.
    psi_tau : tuple of float
        ψ and τ at the maximum.
    log_se : float
        Standard error of ψ: how far to step at first.
    z : float
        Two-sided normal quantile of the confidence.

    Returns
    -------
    tuple of two float or None
        Lower and upper limit of ψ; None where the profile never falls so far.

    References
    ----------
    .. [1] Meeker, W. Q. and Escobar, L. A. (1998), *Statistical Methods for Reliability
       Data*, section 8.2.
    """
    psi_hat, tau = psi_tau

    @cache
    def beyond(psi: float) -> float:  # nearly a straight line
        nonlocal tau
        if psi == psi_hat:
            return -z
        along = _along(objective, curve, psi)
        best = maximise(along, np.array([tau]), is_last_tried=False)
        tau = float(best.theta[0])
        return sqrt(max(2 * (found.value - best.value), 0.0)) - z

    def limit(step: float) -> float | None:
        nonlocal tau
        tau, inner, outer = psi_tau[1], psi_hat, psi_hat + step
        while beyond(outer) < 0:
            inner, outer = outer, outer + (outer - psi_hat)
            if abs(outer - psi_hat) > _FARTHEST:
                return None
        return float(brentq(beyond, inner, outer, xtol=1e-9))

    return limit(-z * log_se), limit(z * log_se)


def _along(objective: Objective, curve: Curve, psi: float) -> Objective:
    """Restrict a log-likelihood to the curve on which ψ is held."""

    def restricted(tau: FloatArray) -> tuple[float, FloatArray, FloatArray]:
        theta, tangent, bend = curve(psi, float(tau[0]))
        value, gradient, hessian = objective(theta)
        second = tangent @ hessian @ tangent + gradient @ bend
        return value, np.array([gradient @ tangent]), np.array([[second]])

    return restricted
