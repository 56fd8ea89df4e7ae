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
from typing import Self

import numpy as np

from fleetbelt.models.arrays import FloatArray, IntArray, Runs, sum_by
from fleetbelt.models.lives import End, Lives
from fleetbelt.models.newton import Maximum, Objective, maximise

_LOG_OF_ZERO = -700.0  # stands for log(0 miles), where H is 0 for any sane shape
_Z_LIMITS = (-700.0, 50.0)  # H stays a number on the wildest trial step
_LEAST_D = 1e-100


@dataclass(frozen=True, slots=True, kw_only=True)
class Terms:
    """What lives add to the likelihood, at points and at pairs of points.

    Attributes
    ----------
    log_t : ndarray of float, shape (n_points,)
        Log of each cell's distinct miles, cell after cell.
    cell, pair_cell : Runs
        The cell of each point and of each pair.
    died : ndarray of float, shape (n_points,)
        Belts that broke there.
    fixed : ndarray of float, shape (n_points,)
        What H of a point counts, before the pairs' share.
    lower, upper : ndarray of int, shape (n_pairs,)
        Points of an interval or running row.
    weight, base, s : ndarray of float, shape (n_pairs,)
        A pair adds ``weight log(base + s expm1(-D))``: both terms written alike.
    log_scale : float
        That of shape 2, to begin with.
    """

    log_t: FloatArray
    cell: Runs
    pair_cell: Runs
    died: FloatArray
    fixed: FloatArray
    lower: IntArray
    upper: IntArray
    weight: FloatArray
    base: FloatArray
    s: FloatArray
    log_scale: float

    @classmethod
    def of(cls, lives: Lives, broken_share: float) -> Self:
        """Work them out.

        Parameters
        ----------
        lives : Lives
            Belt lives; ``cell`` is the row of the design
            that a life belongs to.
        broken_share : float
            p, 0 to 1.

        Returns
        -------
        Terms
            For `weibull_objective` with any design.
        """
        rows = lives.where(np.argsort(lives.cell, kind="stable"))
        w, n = rows.weight, rows.weight.size
        is_pair, is_late = rows.end >= End.INTERVAL, rows.entry_mi > 0
        lower_mi = rows.lower_mi
        if broken_share == 1.0:  # no failure would be unseen: it ran to its last mile
            is_running = rows.end == End.RUNNING
            is_pair = is_pair & ~is_running
            lower_mi = np.where(is_running, rows.upper_mi, lower_mi)
        is_interval = rows.end[is_pair] == End.INTERVAL
        miles, mile = np.unique(
            np.concatenate([lower_mi, rows.upper_mi[is_pair], rows.entry_mi[is_late]]),
            return_inverse=True,
        )
        cell = np.concatenate([rows.cell, rows.cell[is_pair], rows.cell[is_late]])
        point, at = np.unique(cell * miles.size + mile, return_inverse=True)
        lower, upper, entry = np.split(at, [n, n + is_interval.size])
        log_t = np.log(miles, out=np.full(miles.size, _LOG_OF_ZERO), where=miles > 0)
        is_exact = rows.end == End.EXACT
        entered = sum_by(entry, w[is_late], point.size)
        return cls(
            log_t=log_t[point % miles.size],
            cell=Runs.of(point // miles.size),
            pair_cell=Runs.of(rows.cell[is_pair]),
            died=sum_by(lower[is_exact], w[is_exact], point.size),
            fixed=entered - sum_by(lower, w, point.size),
            lower=lower[is_pair],
            upper=upper,
            weight=w[is_pair],
            base=np.where(is_interval, 0.0, 1.0),
            s=np.where(is_interval, -1.0, broken_share),
            log_scale=_log_scale(lives),
        )


def _log_scale(lives: Lives) -> float:
    """Return the scale that fits the dated failures with shape 2: in the mean of t^2.

    Intervals are taken at their middle.
    """
    unit = lives.upper_mi.max(initial=1.0)
    t = np.where(
        lives.end == End.INTERVAL, (lives.lower_mi + lives.upper_mi) / 2, lives.lower_mi
    )
    exposure = lives.weight @ ((t / unit) ** 2 - (lives.entry_mi / unit) ** 2)
    mean_square = max(float(exposure), 1e-12) / max(lives.failures, 1)
    return float(np.log(unit) + 0.5 * np.log(mean_square))


def weibull_objective(
    terms: Terms, design: FloatArray, *, strata: FloatArray | None = None
) -> Objective:
    """Make the log-likelihood of θ = (a, β): log shapes a, log scale = design @ β.

    Parameters
    ----------
    terms : Terms
        Of the lives.
    design : ndarray of float, shape (n_cells, n_coefficients)
        What the log scale (log miles) of a cell depends on.
    strata : ndarray of float, shape (n_cells, n_shapes), optional
        Ones where a cell has a shape: log shape = strata @ a; default: one for all.

    Returns
    -------
    callable
        Gives value, gradient and Hessian at θ, shape (n_shapes + n_coefficients,).
    """
    shapes = np.ones((design.shape[0], 1)) if strata is None else strata
    return partial(_evaluate, terms, shapes, design)


def weibull_maximum(
    terms: Terms,
    design: FloatArray,
    *,
    strata: FloatArray | None = None,
    start: FloatArray | None = None,
) -> Maximum:
    """Find the largest likelihood; the design's first column must be all ones.

    Parameters
    ----------
    terms : Terms
        Of the lives.
    design : ndarray of float, shape (n_cells, n_coefficients)
        See `weibull_objective`.
    strata : ndarray of float, shape (n_cells, n_shapes), optional
        See `weibull_objective`.
    start : ndarray of float, shape (n_shapes + n_coefficients,), optional
        Where to begin; default: shape 2, and the scale that fits the failures then.

    Returns
    -------
    Maximum
        Of θ = (a, β).
    """
    objective = weibull_objective(terms, design, strata=strata)
    n_shapes = 1 if strata is None else strata.shape[1]
    if start is None:
        start = np.zeros(n_shapes + design.shape[1])
        start[:n_shapes], start[n_shapes] = np.log(2.0), terms.log_scale
    return maximise(objective, start)


def _evaluate(
    terms: Terms, strata: FloatArray, design: FloatArray, theta: FloatArray
) -> tuple[float, FloatArray, FloatArray]:
    n_shapes, cell = strata.shape[1], terms.cell.number
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
        terms.cell.sums(x, mu.size)
        for x in (died + (died + c) * z, died + c, curved * z, curved, c)
    )
    a_a, a_mu, mu_mu = (
        of_points + terms.pair_cell.sums(bend * x, mu.size)
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
