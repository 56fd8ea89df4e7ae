"""Log-likelihood of Weibull lives, its gradient and its Hessian, in closed form.

With shape k (that of its stratum), scale η, z = k (log t - log η) and cumulative hazard
H(t) = e^z, a row adds [1]_

    exact     log k + z - log t - H(lower)
    censored  -H(lower)
    interval  -H(lower) + log(1 - e^-D)             D = H(upper) - H(lower)
    running   -H(lower) + log((1 - p) + p e^-D)

and, where it entered late, +H(entry). `p` is the share of failures that break on the
road: a crack since the last visit would be unseen, a break would not. All but the
exact rows' first terms is a sum of H over points (lower ends, upper ends, entries) and
of functions of D, so one pass over the points gives every derivative. Miles enter
through their logarithm only, so that no power of an odometer can overflow.

References
----------
.. [1] Meeker, W. Q. and Escobar, L. A. (1998), *Statistical Methods for Reliability
   Data*, sections 2.4, 8.2 and 11.6 (all but the running term, which is ours).
"""

from dataclasses import dataclass
from functools import partial

import numpy as np

from fleetbelt.models.arrays import FloatArray, IntArray, sum_by
from fleetbelt.models.lives import End, Lives
from fleetbelt.models.newton import Maximum, Objective, maximise

_LOG_OF_ZERO = -700.0  # stands for log(0 miles), where H is 0 for any sane shape
_Z_LIMITS = (-700.0, 50.0)  # H stays a number on the wildest trial step
_LEAST_D = 1e-100


def weibull_objective(
    lives: Lives,
    design: FloatArray,
    *,
    broken_share: float,
    strata: FloatArray | None = None,
) -> Objective:
    """Make the log-likelihood of θ = (a, β): log shapes a, log scale = design @ β.

    Parameters
    ----------
    lives : Lives
        Belt lives; ``cell`` is the row of the design that a life belongs to.
    design : ndarray of float, shape (n_cells, n_coefficients)
        What the log scale (log miles) of a cell depends on.
    broken_share : float
        p, 0 to 1.
    strata : ndarray of float, shape (n_cells, n_shapes), optional
        Ones where a cell has a shape: log shape = strata @ a; default: one for all.

    Returns
    -------
    callable
        Gives value, gradient and Hessian at θ, shape (n_shapes + n_coefficients,).
    """
    shapes = np.ones((design.shape[0], 1)) if strata is None else strata
    return partial(_evaluate, _prepare(lives, broken_share), shapes, design)


def weibull_maximum(
    lives: Lives,
    design: FloatArray,
    *,
    broken_share: float,
    strata: FloatArray | None = None,
    start: FloatArray | None = None,
) -> Maximum:
    """Find the largest likelihood; the design's first column must be all ones.

    Parameters
    ----------
    lives : Lives
        Belt lives, with at least one failure.
    design : ndarray of float, shape (n_cells, n_coefficients)
        See `weibull_objective`.
    broken_share : float
        p, 0 to 1.
    strata : ndarray of float, shape (n_cells, n_shapes), optional
        See `weibull_objective`.
    start : ndarray of float, shape (n_shapes + n_coefficients,), optional
        Where to begin; default: see the notes.

    Returns
    -------
    Maximum
        Of θ = (a, β).

    Notes
    -----
    Starts from shape 2 and the scale that fits the dated failures then: in the mean of
    t^2, with intervals taken at their middle.
    """
    objective = weibull_objective(
        lives, design, broken_share=broken_share, strata=strata
    )
    n_shapes = 1 if strata is None else strata.shape[1]
    if start is None:
        start = np.zeros(n_shapes + design.shape[1])
        start[:n_shapes], start[n_shapes] = np.log(2.0), _log_scale(lives)
    return maximise(objective, start)


def _log_scale(lives: Lives) -> float:
    """Return that of shape 2."""
    unit = lives.upper_mi.max()
    t = np.where(
        lives.end == End.INTERVAL, (lives.lower_mi + lives.upper_mi) / 2, lives.lower_mi
    )
    exposure = lives.weight @ ((t / unit) ** 2 - (lives.entry_mi / unit) ** 2)
    mean_square = max(float(exposure), 1e-12) / lives.failures
    return float(np.log(unit) + 0.5 * np.log(mean_square))


@dataclass(frozen=True, slots=True, kw_only=True)
class _Terms:
    """Points (each cell's distinct miles) and pairs of them (interval and running)."""

    log_t: FloatArray  # (n_points,)
    cell: IntArray
    died: FloatArray  # belts that broke there
    fixed: FloatArray  # what H of a point counts, before the pairs' share
    lower: IntArray  # (n_pairs,) points
    upper: IntArray
    pair_cell: IntArray
    weight: FloatArray
    base: FloatArray  # a pair adds log(base + s expm1(-D)), both terms written alike
    s: FloatArray


def _prepare(lives: Lives, broken_share: float) -> _Terms:
    w, n = lives.weight, lives.weight.size
    is_pair, is_late = lives.end >= End.INTERVAL, lives.entry_mi > 0
    is_interval = lives.end[is_pair] == End.INTERVAL
    miles, mile = np.unique(
        np.concatenate(
            [lives.lower_mi, lives.upper_mi[is_pair], lives.entry_mi[is_late]]
        ),
        return_inverse=True,
    )
    cell = np.concatenate([lives.cell, lives.cell[is_pair], lives.cell[is_late]])
    point, at = np.unique(cell * miles.size + mile, return_inverse=True)
    lower, upper, entry = np.split(at, [n, n + is_interval.size])
    log_t = np.log(miles, out=np.full(miles.size, _LOG_OF_ZERO), where=miles > 0)
    is_exact = lives.end == End.EXACT
    entered = sum_by(entry, w[is_late], point.size)
    return _Terms(
        log_t=log_t[point % miles.size],
        cell=point // miles.size,
        died=sum_by(lower[is_exact], w[is_exact], point.size),
        fixed=entered - sum_by(lower, w, point.size),
        lower=lower[is_pair],
        upper=upper,
        pair_cell=lives.cell[is_pair],
        weight=w[is_pair],
        base=np.where(is_interval, 0.0, 1.0),
        s=np.where(is_interval, -1.0, broken_share),
    )


def _evaluate(
    terms: _Terms, strata: FloatArray, design: FloatArray, theta: FloatArray
) -> tuple[float, FloatArray, FloatArray]:
    n_shapes, cell = strata.shape[1], terms.cell
    a, mu = strata @ theta[:n_shapes], design @ theta[n_shapes:]
    k = np.exp(a)
    died, lower, upper = terms.died, terms.lower, terms.upper
    z = np.clip(k[cell] * (terms.log_t - mu[cell]), *_Z_LIMITS)
    hazard = np.exp(z)
    by_a = hazard * z  # dH/da
    d = np.maximum(hazard[upper] - hazard[lower], _LEAST_D)
    d_a = by_a[upper] - by_a[lower]
    fall = np.expm1(-d)
    inside = terms.base + terms.s * fall
    slope = -terms.weight * terms.s * (1 + fall) / inside  # of the pair's term in D
    bend = (terms.s - terms.base) * slope / inside  # and of that
    value = (
        died @ (a[cell] + z - terms.log_t)
        + terms.fixed @ hazard
        + terms.weight @ np.log(inside)
    )

    c = terms.fixed + sum_by(upper, slope, z.size) - sum_by(lower, slope, z.size)
    c *= hazard  # dz/da = z and dz/dμ = -k; the value's slope in z is died + c
    curved = died + c * (z + 1)
    a_1, mu_1, a_a, a_mu, mu_mu = (
        sum_by(cell, x, mu.size)
        for x in (died + (died + c) * z, died + c, curved * z, curved, c)
    )
    a_a, a_mu, mu_mu = (
        of_points + sum_by(terms.pair_cell, bend * x, mu.size)
        for of_points, x in ((a_a, d_a * d_a), (a_mu, d_a * d), (mu_mu, d * d))
    )
    gradient = np.concatenate([strata.T @ a_1, -design.T @ (k * mu_1)])
    a_beta = -strata.T @ ((k * a_mu)[:, None] * design)
    hessian = np.empty((theta.size, theta.size))
    hessian[:n_shapes, :n_shapes] = strata.T @ (a_a[:, None] * strata)
    hessian[:n_shapes, n_shapes:] = a_beta
    hessian[n_shapes:, :n_shapes] = a_beta.T
    hessian[n_shapes:, n_shapes:] = design.T @ ((k**2 * mu_mu)[:, None] * design)
    return float(value), gradient, hessian
