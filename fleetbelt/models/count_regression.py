"""Regression of counts on what a belt had: rate ratios, and what is avoidable."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import partial

import numpy as np

from fleetbelt.models.arrays import FloatArray
from fleetbelt.models.count_likelihood import Counts
from fleetbelt.models.design import UNSETTLED, Coefficient, Predictor, estimable
from fleetbelt.models.estimates import Estimate, LikelihoodRatio, two_sided_z
from fleetbelt.models.newton import Maximum, maximise

_CLUSTERED = "The counts cluster by belt; the intervals allow for it."
_POISSON = "The counts do not cluster detectably; they are taken as Poisson."
_WIDEST = 20.0  # half a log interval wider says nothing
_LEAST_LOG_ALPHA = -14.0  # an alpha below 1e-6 is none


@dataclass(frozen=True, slots=True, kw_only=True)
class CountRegression:
    """Poisson or negative binomial regression of counts with an exposure.

    Attributes
    ----------
    n, events : float
        Rows (belts) and events.
    family : str or None
        ``poisson`` or ``negative_binomial``; None where nothing was fitted.
    coefficients : tuple of Coefficient
        One per column of the design; ``ratio`` is a rate ratio.
    alpha : Estimate or None
        Variance = mean + alpha · mean²; None for Poisson.
    log_likelihood : float or None
        At the estimate.
    clustering : LikelihoodRatio or None
        Of negative binomial against Poisson; its p-value is halved, for alpha = 0 is on
        the edge of what alpha may be.
    deviance, pearson : float or None
        Of the fitted family, over the rows as given.
    df : float
        Rows less coefficients.
    predictor : Predictor or None
        For ratios between any two rows of the design.
    reason : str or None
        What the counts say of the family, or why nothing was fitted.
    """

    n: float
    events: float
    family: str | None = None
    coefficients: tuple[Coefficient, ...] = ()
    alpha: Estimate | None = None
    log_likelihood: float | None = None
    clustering: LikelihoodRatio | None = None
    deviance: float | None = None
    pearson: float | None = None
    df: float = 0.0
    predictor: Predictor | None = None
    reason: str | None = None


def fit_counts(
    counts: Counts,
    design: FloatArray,
    names: Sequence[str],
    *,
    level: float = 0.05,
    confidence: float = 0.95,
) -> CountRegression:
    """Fit rate ratios by maximum likelihood, allowing for clustering where there is.

    Parameters
    ----------
    counts : Counts
        Events and exposure of the rows, of which ``cell`` names the row of the design.
    design : ndarray of float, shape (n_cells, n_columns)
        Covariates of a cell, the first column all ones.
    names : sequence of str, shape (n_columns,)
        Of the columns.
    level : float, default 0.05
        The negative binomial is taken where the test rejects Poisson at this level.
    confidence : float, default 0.95
        Of all limits.

    Returns
    -------
    CountRegression
        Columns that cannot be fitted (a band without miles, or without events) carry a
        reason instead of a value.

    Notes
    -----
    ``log(mean) = log(exposure) + design @ β``. For Poisson only the cells' totals
    matter; clustering is seen in rows that are one belt each.

    References
    ----------
    .. [1] McCullagh, P. and Nelder, J. A. (1989), *Generalized Linear Models*, 2nd ed.,
       chapter 6.
    .. [2] Lawless, J. F. (1987), *Canadian Journal of Statistics* 15, 209-225.
    """
    n, total = float(counts.weight.sum()), float(counts.weight @ counts.events)
    if not total:
        reason = "No event was counted, so there are no rates to compare."
        return CountRegression(n=n, events=0.0, reason=reason)
    can = estimable(design, *counts.by_cell(design.shape[0]))
    x, rows = design[:, can.columns], counts.where(can.cells[counts.cell])
    poisson = _poisson(rows, x)
    if not poisson.is_found:
        return CountRegression(n=n, events=total, reason=UNSETTLED)
    clustered = _clustered(rows, x, poisson.theta)
    test = _clustering(clustered, poisson)
    is_clustered = clustered is not None and test.p_value < level
    found = clustered if clustered is not None and is_clustered else poisson
    predictor = Predictor.of(found, names, can, confidence=confidence)
    result = _result(found, predictor, rows, x, is_clustered=is_clustered)
    return replace(result, n=n, clustering=test)


def _result(
    found: Maximum,
    predictor: Predictor,
    rows: Counts,
    x: FloatArray,
    *,
    is_clustered: bool,
) -> CountRegression:
    alpha = found.exp_of_first(predictor.confidence) if is_clustered else None
    deviance, pearson = rows.misfit(x @ predictor.beta, alpha.value if alpha else 0.0)
    n = float(rows.weight.sum())
    return CountRegression(
        n=n,
        events=float(rows.weight @ rows.events),
        family="negative_binomial" if is_clustered else "poisson",
        coefficients=predictor.coefficients(),
        alpha=alpha,
        log_likelihood=found.value,
        deviance=deviance,
        pearson=pearson,
        df=n - predictor.beta.size,
        predictor=predictor,
        reason=_CLUSTERED if is_clustered else _POISSON,
    )


def _poisson(rows: Counts, x: FloatArray) -> Maximum:
    start = np.zeros(x.shape[1])
    start[0] = np.log((rows.weight @ rows.events) / (rows.weight @ rows.exposure))
    return maximise(partial(rows.poisson, x), start)


def _clustered(rows: Counts, x: FloatArray, beta: FloatArray) -> Maximum | None:
    """Fit the negative binomial; None where alpha goes to 0."""
    mu = rows.exposure * np.exp(x @ beta)[rows.cell]
    excess = rows.weight @ ((rows.events - mu) ** 2 - rows.events)
    if excess <= 0:
        return None
    start = np.append(np.log(excess / (rows.weight @ mu**2)), beta)
    found = maximise(partial(rows.negative_binomial, x), start)
    return found if found.is_found and found.theta[0] > _LEAST_LOG_ALPHA else None


def _clustering(clustered: Maximum | None, poisson: Maximum) -> LikelihoodRatio:
    value = poisson.value if clustered is None else clustered.value
    test = LikelihoodRatio.of(value, poisson.value, df=1)
    return replace(test, p_value=test.p_value / 2)


def attributable_fraction(
    fit: CountRegression,
    exposure: FloatArray,
    design: FloatArray,
    design_if: FloatArray,
) -> Estimate | None:
    """Return the share of events that would not have occurred under another design.

    Parameters
    ----------
    fit : CountRegression
        Of `fit_counts`.
    exposure : ndarray of float, shape (n_cells,)
        Of each cell.
    design, design_if : ndarray of float, shape (n_cells, n_columns)
        The cells' covariates as they were, and as they might have been (every install
        in range, say).

    Returns
    -------
    Estimate or None
        ``1 - Σ(mean if) / Σ(mean)``, limits by the delta method on the logarithm of
        that ratio of sums [1]_; None where nothing was fitted, or the interval has no
        bound to speak of. It describes an
        association in the records, which need not be cause.

    References
    ----------
    .. [1] Greenland, S. and Drescher, K. (1993), *Biometrics* 49, 865-872.
    """
    if fit.predictor is None:
        return None
    predictor, columns = fit.predictor, fit.predictor.fitted.columns
    mean, mean_if = (
        exposure * np.exp(predictor.linear(x)) for x in (design, design_if)
    )
    ratio = float(mean_if.sum() / mean.sum())
    slope = (mean_if @ design_if[:, columns]) / mean_if.sum()
    slope -= (mean @ design[:, columns]) / mean.sum()
    half = two_sided_z(predictor.confidence) * float(
        np.sqrt(slope @ predictor.covariance @ slope)
    )
    if half > _WIDEST:
        return None
    return Estimate(
        value=1 - ratio,
        lo=1 - ratio * float(np.exp(half)),
        hi=1 - ratio * float(np.exp(-half)),
    )
