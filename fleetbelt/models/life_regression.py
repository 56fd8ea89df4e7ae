"""Weibull regression of belt life: how much longer or shorter a group's belts last."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from fleetbelt.models.arrays import FloatArray, sum_by
from fleetbelt.models.design import UNSETTLED, Coefficient, Predictor, estimable
from fleetbelt.models.estimates import Estimate, LikelihoodRatio
from fleetbelt.models.life import FEWEST_FAILURES
from fleetbelt.models.lives import End, Lives
from fleetbelt.models.weibull_likelihood import Terms, weibull_maximum


@dataclass(frozen=True, slots=True, kw_only=True)
class LifeRegression:
    """Weibull lives whose log scale is linear in the design, with a shape a stratum.

    Attributes
    ----------
    n, failures : int
        Belts, and those known to have failed.
    coefficients : tuple of Coefficient
        One per column of the design; ``ratio`` is a time ratio: 0.62 means that belts
        last 0.62 times as long. Empty where nothing was fitted.
    shape : Estimate or None
        Of every group; None where there are strata.
    log_shapes : tuple of float
        Of the strata, each with a shape of its own.
    log_likelihood : float or None
        At the estimate, lives in miles.
    predictor : Predictor or None
        For ratios between any two rows of the design.
    reason : str or None
        Why nothing was fitted.
    """

    n: int
    failures: int
    coefficients: tuple[Coefficient, ...] = ()
    shape: Estimate | None = None
    log_shapes: tuple[float, ...] = ()
    log_likelihood: float | None = None
    predictor: Predictor | None = None
    reason: str | None = None

    @property
    def n_shapes(self) -> int:
        """Strata, each with a shape of its own."""
        return len(self.log_shapes)


def fit_life_regression(  # noqa: PLR0913 -- what is known, and where to begin
    lives: Lives,
    design: FloatArray,
    names: Sequence[str],
    *,
    strata: FloatArray | None = None,
    broken_share: float | None = None,
    confidence: float = 0.95,
    near: LifeRegression | None = None,
    terms: Terms | None = None,
) -> LifeRegression:
    """Fit an accelerated-life Weibull regression by maximum likelihood.

    Parameters
    ----------
    lives : Lives
        Belts; ``cell`` is the row of the design that each belongs to.
    design : ndarray of float, shape (n_cells, n_columns)
        Covariates of a cell, the first column all ones.
    names : sequence of str, shape (n_columns,)
        Of the columns.
    strata : ndarray of float, shape (n_cells, n_strata), optional
        One 1 a cell: in the column of the stratum whose shape it has; default: one
        shape for all.
    broken_share : float, optional
        Share of failures that break on the road; default: that of ``lives``.
    confidence : float, default 0.95
        Of all limits.
    near : LifeRegression, optional
        Of nearly the same columns, known by their names: where to begin.
    terms : Terms, optional
        Of all the lives, where several designs are fitted to them.

    Returns
    -------
    LifeRegression
        Columns that cannot be fitted (a band without belts, or without failures) carry
        a reason instead of a value; their belts do not weigh on the others.

    Notes
    -----
    ``log T = design @ β + e/k``, e standard smallest extreme value [1]_, k the shape of
    the stratum.

    References
    ----------
    .. [1] Kalbfleisch, J. D. and Prentice, R. L. (2002), *The Statistical Analysis of
       Failure Time Data*, 2nd ed., section 3.6.
    """
    n, failures, n_cells = lives.n, lives.failures, design.shape[0]
    if failures < FEWEST_FAILURES:
        reason = f"Failures are too few to compare groups: {failures}."
        return LifeRegression(n=n, failures=failures, reason=reason)
    p = lives.broken_share if broken_share is None else broken_share
    is_failure = (lives.end == End.EXACT) | (lives.end == End.INTERVAL)
    amount = sum_by(lives.cell, lives.weight, n_cells)
    events = sum_by(lives.cell, lives.weight * is_failure, n_cells)
    can = estimable(design, amount, events)
    if terms is None or not can.cells.all():
        terms = Terms.of(lives.where(can.cells[lives.cell]), p)
    shapes = np.ones((n_cells, 1)) if strata is None else strata
    shapes = shapes[:, shapes[can.cells].any(axis=0)]
    found = weibull_maximum(
        terms,
        design[:, can.columns],
        strata=shapes,
        start=_start(near, shapes.shape[1], [names[j] for j in can.columns]),
    )
    if not found.is_found:
        return LifeRegression(n=n, failures=failures, reason=UNSETTLED)
    predictor = Predictor.of(found, names, can, confidence=confidence)
    return LifeRegression(
        n=n,
        failures=failures,
        coefficients=predictor.coefficients(),
        shape=found.exp_of_first(confidence) if shapes.shape[1] == 1 else None,
        log_shapes=tuple(found.theta[: shapes.shape[1]].tolist()),
        log_likelihood=found.value,
        predictor=predictor,
    )


def _start(
    near: LifeRegression | None, n_shapes: int, names: Sequence[str]
) -> FloatArray | None:
    """Begin where a like regression ended; columns that it has not at 0."""
    if near is None or near.predictor is None:
        return None
    shapes = np.array(near.log_shapes)
    if shapes.size != n_shapes:
        shapes = np.full(n_shapes, shapes.mean())
    known = {c.name: c.value for c in near.coefficients}
    return np.append(shapes, [known.get(name) or 0.0 for name in names])


def compare(larger: LifeRegression, smaller: LifeRegression) -> LikelihoodRatio | None:
    """Test by likelihood ratio whether the larger of two nested regressions is better.

    Parameters
    ----------
    larger, smaller : LifeRegression
        Fitted to the same lives; columns and strata of the smaller are among those of
        the larger.

    Returns
    -------
    LikelihoodRatio or None
        None where one was not fitted.
    """
    if larger.predictor is None or smaller.predictor is None:
        return None
    if larger.log_likelihood is None or smaller.log_likelihood is None:
        return None
    df = larger.predictor.n_parameters - smaller.predictor.n_parameters
    df += larger.n_shapes - smaller.n_shapes
    return LikelihoodRatio.of(larger.log_likelihood, smaller.log_likelihood, df=df)
