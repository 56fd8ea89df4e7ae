"""The mixed model of settings: its equations, its spreads by restricted likelihood."""

from dataclasses import dataclass, replace
from math import log, sqrt
from typing import Final, Self

import numpy as np
from scipy.linalg import cho_solve, cholesky
from scipy.linalg.lapack import dtrtri
from scipy.optimize import brentq, minimize
from scipy.sparse import csr_array, hstack

from fleetbelt.models.arrays import FloatArray, IntArray
from fleetbelt.models.estimates import two_sided_z
from fleetbelt.models.technician_cells import Cells

NONE_DETECTABLE: Final = 1e-4  # deviance that a spread must gain over zero
# Part of a correction's variance that all the gauge's spans share: those between
# calibrated spans lean on the same knots (measured 0.4).
COMMON: Final = 0.5
_KAPPA_VARIANCES: Final = (1e-4, 1.0)  # where that of kappa is looked for
_FARTHEST: Final = 1e4  # times the variance of the technicians' means
_LEAST: Final = 1e-9  # of that variance, where that of habits is looked for
_PRECISE: Final = {"ftol": 1e-14, "gtol": 1e-4}  # far below what the data tell


@dataclass(frozen=True, slots=True, kw_only=True)
class Beforehand:
    """What is held of the share kappa of a gauge's error that is let through.

    Attributes
    ----------
    mean, mean_sd : float
        Of the technicians' mean kappa: that of a number anywhere from 0 to 1.
    spread : float
        Sd of kappa between technicians: that of a toss between 0 and 1.
    weight : float
        Technicians that the spread is worth (common practice, no source).
    """

    mean: float = 0.5
    mean_sd: float = sqrt(1 / 12)
    spread: float = 0.5
    weight: float = 2.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Equations:
    """Least-squares sums of all cells, each span's error of calibration integrated out.

    Columns: ``n_fixed`` of mu and all models but one, the gauges' common errors, mean
    kappa, habits b, kappas.

    Attributes
    ----------
    information : ndarray of float, shape (n_columns, n_columns)
        ``W' V**-1 W``.
    score : ndarray of float, shape (n_columns,)
        ``W' V**-1 d``.
    square : float
        ``d' V**-1 d``.
    n_fixed, n_gauges, n_technicians : int
        Sizes of the blocks.
    beforehand : Beforehand
        Prior of kappa.
    has_habits : bool
        Whether the habits have columns; else all have that of mu.
    """

    information: FloatArray
    score: FloatArray
    square: float
    n_fixed: int
    n_gauges: int
    n_technicians: int
    beforehand: Beforehand
    has_habits: bool = True

    @classmethod
    def of(cls, cells: Cells, let_through: FloatArray, beforehand: Beforehand) -> Self:
        """Add up the cells.

        A cell's mean has variance s_t**2 / n; the error of calibration of its gauge at
        its span enters times q, ``let_through`` of the technician. Per gauge and span,
        with u**2 what is not common to the gauge, ``V**-1 = R**-1 - R**-1 q q' R**-1
        u**2 / (1 + u**2 q' R**-1 q)`` (Sherman and Morrison).
        """
        rho = cells.rho[cells.ratio]
        one = np.ones_like(rho)
        fixed = csr_array(np.column_stack([one, _model_contrasts(cells)]))
        slopes = _indicator(cells.technician, cells.n_technicians, -rho)
        habits = _indicator(cells.technician, cells.n_technicians, one)
        q = let_through[cells.technician]
        gauge = cells.gauge[cells.ratio]
        common = _indicator(
            gauge, gauge.max() + 1, sqrt(COMMON) * q * cells.u[cells.ratio]
        )
        mean_slope = csr_array(-rho[:, None])
        w = hstack([fixed, common, mean_slope, habits, slopes]).tocsr()
        d = cells.d + beforehand.mean * rho
        weight = cells.n / cells.variance[cells.technician]
        shared = _indicator(cells.ratio, cells.rho.size, weight * q).T.tocsr()
        u2 = (1 - COMMON) * cells.u**2
        h = u2 / (1 + u2 * np.bincount(cells.ratio, weight * q**2, u2.size))
        weighted = w.multiply(weight[:, None]).tocsr()
        sums, sum_d = (shared @ w).toarray(), shared @ d
        return cls(
            information=(w.T @ weighted).toarray() - sums.T @ (h[:, None] * sums),
            score=weighted.T @ d - sums.T @ (h * sum_d),
            square=float(weight @ d**2 - h @ sum_d**2),
            n_fixed=fixed.shape[1],
            n_gauges=common.shape[1],
            n_technicians=cells.n_technicians,
            beforehand=beforehand,
        )

    @property
    def mean_kappa(self) -> int:
        """Column of the mean kappa."""
        return self.n_fixed + self.n_gauges

    def scale(self, habit_var: float, kappa_var: float) -> FloatArray:
        """Sd of each column's coefficient; 1 for the fixed ones."""
        t = self.n_technicians
        return np.concatenate(
            [
                np.ones(self.n_fixed + self.n_gauges),
                [self.beforehand.mean_sd],
                np.full(t * self.has_habits, sqrt(habit_var)),
                np.full(t, sqrt(kappa_var)),
            ]
        )

    def factor(self, scale: FloatArray) -> FloatArray:
        """Lower Cholesky factor of the mixed-model equations in scaled coefficients."""
        equations = self.information * np.outer(scale, scale)
        diagonal = np.arange(self.n_fixed, scale.size)
        equations[diagonal, diagonal] += 1.0
        return np.asarray(
            cholesky(equations, lower=True, overwrite_a=True, check_finite=False)
        )

    def without_habits(self) -> Self:
        """Return the equations of technicians who all have one habit."""
        habits = self.mean_kappa + 1 + np.arange(self.n_technicians)
        return replace(
            self,
            information=np.delete(np.delete(self.information, habits, 0), habits, 1),
            score=np.delete(self.score, habits),
            has_habits=False,
        )

    def deviance(self, variances: FloatArray) -> tuple[float, FloatArray]:
        """Return -2 times the restricted log-likelihood, and its gradient.

        With S the scale, ``C = S A S + D`` (D: 1 for random columns),
        ``-2 l = log det C + d'V**-1 d - c'S C**-1 S c``; by a variance of columns Z it
        changes by ``tr Z'PZ - |Z'P d|**2``, P the covariance's inverse less what the
        fixed part fits [1]_. Of random columns, ``S Z'PZ S = 1 - C**-1`` and
        ``S Z'P d = C**-1 S c``. A variance of 0 has no gradient here: it is given as 0.

        References
        ----------
        .. [1] Searle, Casella and McCulloch (1992), *Variance Components*, 6.6.
        """
        scale = self.scale(*variances)
        lower = self.factor(scale)
        inverse, _ = dtrtri(lower, lower=1)
        fitted = inverse @ (scale * self.score)
        value = 2 * np.log(lower.diagonal()).sum() + self.square - fitted @ fitted
        slope = 1 - (inverse**2).sum(axis=0) - (inverse.T @ fitted) ** 2
        first = self.mean_kappa + 1
        by = slope[first:].reshape(-1, self.n_technicians).sum(axis=1)
        kappa_var, prior = float(variances[1]), self.beforehand
        odds = prior.spread**2 / kappa_var
        value += prior.weight * (log(kappa_var) + odds)
        by_kappa = (by[-1] + prior.weight * (1 - odds)) / kappa_var
        by_habit = by[0] / variances[0] if self.has_habits and variances[0] else 0.0
        return float(value), np.array([by_habit, by_kappa])


@dataclass(frozen=True, slots=True, kw_only=True)
class Spreads:
    """Variances between technicians, log tension squared and of a share.

    Attributes
    ----------
    habit_var : float
        Of the habits; 0: none detectable.
    habit_var_hi : float
        The largest that the data allow (95 %, one-sided) where none is detectable,
        else ``habit_var``.
    kappa_var : float
        Of the share of the gauge's error let through.
    """

    habit_var: float
    habit_var_hi: float
    kappa_var: float


def fit_spreads(
    equations: Equations, *, start: float, kappa_start: float | None = None
) -> Spreads:
    """Return the variances that maximise the restricted likelihood.

    Parameters
    ----------
    equations : Equations
        Of all cells.
    start : float
        Where to look for the variance of the habits first, above 0.
    kappa_start : float, optional
        Where to look for that of kappa first; default: where it is held beforehand.

    Returns
    -------
    Spreads
        With one technician, no spread of habits.
    """
    is_several = equations.n_technicians > 1
    first = np.array([1.0, kappa_start or equations.beforehand.spread**2])
    none, _, kappa_var_none = _best(equations.without_habits(), start, first)
    if is_several:
        value, habit_var, kappa_var = _best(equations, start, first)
        if value < none - NONE_DETECTABLE:
            return Spreads(
                habit_var=habit_var, habit_var_hi=habit_var, kappa_var=kappa_var
            )
    most = _largest(equations, kappa_var_none, start) if is_several else 0.0
    return Spreads(habit_var=0.0, habit_var_hi=most, kappa_var=kappa_var_none)


def first_kappa(equations: Equations, *, start: float) -> tuple[Spreads, FloatArray]:
    """Predict the shares let through, not asking whether habits differ at all.

    Parameters
    ----------
    equations : Equations
        Of all cells.
    start : float
        Where to look for the variance of the habits first, above 0.

    Returns
    -------
    tuple of Spreads and ndarray of float, shape (n_technicians,)
        The variances found, and kappa of each technician.
    """
    first = np.array([1.0, equations.beforehand.spread**2])
    _, habit_var, kappa_var = _best(equations, start, first)
    scale = equations.scale(habit_var, kappa_var)
    factor = (equations.factor(scale), True)
    theta = scale * cho_solve(factor, scale * equations.score)
    kappa = equations.beforehand.mean + theta[equations.mean_kappa]
    spreads = Spreads(habit_var=habit_var, habit_var_hi=habit_var, kappa_var=kappa_var)
    return spreads, kappa + theta[-equations.n_technicians :]


def _best(
    equations: Equations, start: float, first: FloatArray
) -> tuple[float, float, float]:
    """Return the least deviance, and the variances of habits and of kappa there.

    That of habits is looked for in units of ``start``; so is the first of ``first``.
    """

    def scaled(x: FloatArray) -> tuple[float, FloatArray]:
        value, slope = equations.deviance(x * [start, 1.0])
        return value, slope * [start, 1.0]

    bounds = [(_LEAST, None), _KAPPA_VARIANCES]
    found = minimize(scaled, first, jac=True, bounds=bounds, options=_PRECISE)
    habit_var, kappa_var = found.x * [start, 1.0]
    return float(found.fun), float(habit_var), float(kappa_var)


def _largest(equations: Equations, kappa_var: float, start: float) -> float:
    """Variance of habits at which the deviance has risen too far from that of none."""
    z2 = two_sided_z(0.90) ** 2
    none, _ = equations.deviance(np.array([0.0, kappa_var]))

    def rise(habit_var: float) -> float:
        return equations.deviance(np.array([habit_var, kappa_var]))[0] - none - z2

    end = start
    while rise(end) < 0:
        end *= 4
        if end > _FARTHEST * start:  # the data say nothing of it
            return end
    return float(brentq(rise, 0.0, end, rtol=1e-6))


@dataclass(frozen=True, slots=True, kw_only=True)
class Coefficients:
    """Predictions for each technician, each of shape (n_technicians,).

    Attributes
    ----------
    habit, habit_se : ndarray of float
        mu + b, log, and its standard error of prediction.
    kappa, kappa_se : ndarray of float
        Share of the gauge's error let through.
    mean_habit, mean_habit_se, mean_kappa, mean_kappa_se : float
        Of all technicians.
    """

    habit: FloatArray
    habit_se: FloatArray
    kappa: FloatArray
    kappa_se: FloatArray
    mean_habit: float
    mean_habit_se: float
    mean_kappa: float
    mean_kappa_se: float

    @classmethod
    def of(cls, equations: Equations, habit_var: float, kappa_var: float) -> Self:
        """Solve the equations: ``S C**-1 S c``, with covariance ``S C**-1 S``."""
        scale = equations.scale(habit_var, kappa_var)
        inverse = cho_solve((equations.factor(scale), True), np.diag(scale))
        covariance = scale[:, None] * inverse
        theta = covariance @ equations.score
        mean_kappa, t = equations.mean_kappa, equations.n_technicians
        first = mean_kappa + 1
        habits, kappas = first + np.arange(t), first + t + np.arange(t)
        habit_se, kappa_se = (
            np.sqrt(
                covariance[mean, mean]
                + 2 * covariance[mean, own]
                + covariance[own, own]
            )
            for mean, own in ((0, habits), (mean_kappa, kappas))
        )
        centre = equations.beforehand.mean + theta[mean_kappa]
        return cls(
            habit=theta[0] + theta[habits],
            habit_se=habit_se,
            kappa=centre + theta[kappas],
            kappa_se=kappa_se,
            mean_habit=float(theta[0]),
            mean_habit_se=float(np.sqrt(covariance[0, 0])),
            mean_kappa=float(centre),
            mean_kappa_se=float(np.sqrt(covariance[mean_kappa, mean_kappa])),
        )


def _indicator(code: IntArray, n_codes: int, values: FloatArray) -> csr_array:
    """Sparse columns, one a code, with each cell's value in its own."""
    return csr_array((values, (np.arange(code.size), code)), shape=(code.size, n_codes))


def _model_contrasts(cells: Cells) -> FloatArray:
    """Columns of all models but one, centred so that mu is that of the fleet's mix."""
    n_models = cells.model.max() + 1
    share = np.bincount(cells.model, cells.n) / cells.n.sum()
    return np.asarray((np.eye(n_models)[cells.model] - share)[:, 1:])
