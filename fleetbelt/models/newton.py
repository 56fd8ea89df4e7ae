"""Newton's method for a log-likelihood with an analytic gradient and Hessian."""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy.linalg.lapack import dpotrf, dpotrs

from fleetbelt.models.arrays import FloatArray
from fleetbelt.models.estimates import Estimate, two_sided_z

Objective = Callable[[FloatArray], tuple[float, FloatArray, FloatArray]]

_MAX_STEPS = 100
_MAX_DAMPING = 1e12


@dataclass(frozen=True, slots=True, kw_only=True)
class Maximum:
    """Where a log-likelihood is largest.

    Attributes
    ----------
    theta : ndarray of float, shape (n_parameters,)
        The parameters there.
    value : float
        The log-likelihood there.
    information : ndarray of float, shape (n_parameters, n_parameters)
        Minus the Hessian there.
    is_found : bool
        Whether this is a maximum: the steps ended and the curvature is negative.
    """

    theta: FloatArray
    value: float
    information: FloatArray
    is_found: bool

    def covariance(self) -> FloatArray:
        """Inverse of the information, shape (n_parameters, n_parameters)."""
        scale = 1 / np.sqrt(np.diag(self.information))
        scaled = np.linalg.inv(self.information * np.outer(scale, scale))
        return np.asarray(scaled * np.outer(scale, scale))

    def exp_of_first(self, confidence: float) -> Estimate:
        """Estimate ``exp`` of the first parameter, normal on the log scale."""
        log_se = float(np.sqrt(self.covariance()[0, 0]))
        z = two_sided_z(confidence)
        return Estimate.of_log(float(self.theta[0]), log_se, z=z)


def maximise(
    objective: Objective,
    start: FloatArray,
    *,
    reach: float = 2.0,
    enough: float = 1e-9,
    is_last_tried: bool = True,
) -> Maximum:
    """Climb to the maximum of a log-likelihood by damped Newton steps.

    Parameters
    ----------
    objective : callable
        Gives the log-likelihood, its gradient and its Hessian at a parameter vector.
    start : ndarray of float, shape (n_parameters,)
        Where to begin.
    reach : float, default 2.0
        Longest change of any one parameter in one step.
    enough : float, default 1e-9
        The climb ends after a step that promised less log-likelihood than this (or
        than rounding).
    is_last_tried : bool, default True
        Whether the objective is asked where that step leads. If not, the value there is
        what it promised, and the information that of the point before it.

    Returns
    -------
    Maximum
        The last point reached; ``is_found`` says whether it is a maximum.

    Notes
    -----
    The information is scaled to a unit diagonal and, where it is not positive definite
    or a step does not climb, damped as Levenberg and Marquardt do [1]_.

    References
    ----------
    .. [1] Marquardt, D. W. (1963), *J. SIAM* 11, 431-441.
    """
    theta = np.asarray(start, dtype=float)
    value, gradient, hessian = trial = objective(theta)
    damping, is_last = 0.0, False
    for _ in range(_MAX_STEPS):
        noise = 1e-13 * (1 + abs(value))
        step = _step(gradient, -hessian, damping)
        if step is not None:
            step *= min(1.0, reach / float(np.abs(step).max() + 1e-300))
            promise = float(gradient @ step) / 2
            is_last = promise < enough + noise and damping < 1e-3
            if is_last and not is_last_tried:
                theta, value = theta + step, value + promise
                break
            trial = objective(theta + step)
        if step is None or trial[0] < value - noise:
            damping = max(1e-4, damping * 10)
            if damping > _MAX_DAMPING:
                break
            continue
        theta, (value, gradient, hessian) = theta + step, trial
        damping = damping / 10 if damping > 1e-6 else 0.0
        if is_last:
            break
    is_peak = _step(gradient, -hessian, 0.0) is not None
    return Maximum(
        theta=theta, value=value, information=-hessian, is_found=is_last and is_peak
    )


def _step(
    gradient: FloatArray, information: FloatArray, damping: float
) -> FloatArray | None:
    """Solve for the damped Newton step; None where the information will not do."""
    diagonal = np.abs(np.diag(information))
    if not (np.isfinite(information).all() and (diagonal > 0).all()):
        return None
    scale = 1 / np.sqrt(diagonal)
    scaled = information * np.outer(scale, scale) + damping * np.eye(scale.size)
    factor, is_not_positive = dpotrf(scaled)
    if is_not_positive or np.diag(factor).min() < 1e-7:  # singular but for rounding
        return None
    solution, _ = dpotrs(factor, scale * gradient)
    return np.asarray(scale * solution)
