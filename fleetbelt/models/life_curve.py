"""Survival of belts without a formula: Kaplan-Meier curve and log-rank test.

A belt is at risk in (entry, end]: one whose observation ends at a mile is still at risk
at that mile, so a failure and a censoring at one mile count both.
"""

from dataclasses import dataclass

import numpy as np
from scipy.special import chdtrc

from fleetbelt.errors import InputError
from fleetbelt.models.arrays import FloatArray, sum_by
from fleetbelt.models.estimates import two_sided_z
from fleetbelt.models.lives import End, Lives


@dataclass(frozen=True, slots=True, kw_only=True)
class LifeCurve:
    """Share of belts still running, a step a row.

    Attributes
    ----------
    method : str
        ``kaplan_meier`` or ``piecewise_hazard``.
    n, failures, running : int
        Belts, those known to have failed, those still running.
    miles : ndarray of float, shape (n_steps,)
        Miles since fitting of each step; the last is the largest observed.
    at_risk : ndarray of float, shape (n_steps,)
        Belts at risk at that mile.
    survival, survival_lo, survival_hi : ndarray of float, shape (n_steps,)
        Share running beyond it, and its pointwise limits, 0 to 1.
    standard_error : ndarray of float, shape (n_steps,)
        Of ``survival``; 0 where none is left.
    reason : str or None
        Why there are no steps, or why to doubt them; None where all is well.
    """

    method: str
    n: int
    failures: int
    running: int
    miles: FloatArray
    at_risk: FloatArray
    survival: FloatArray
    survival_lo: FloatArray
    survival_hi: FloatArray
    standard_error: FloatArray
    reason: str | None = None


def kaplan_meier(lives: Lives, *, confidence: float = 0.95) -> LifeCurve:
    """Estimate survival where every life is exact or right-censored.

    Parameters
    ----------
    lives : Lives
        Belts of one group; a running belt is censored at its last odometer.
    confidence : float, default 0.95
        Of the limits at each mile.

    Returns
    -------
    LifeCurve
        Every failure mile, and the largest observed mile. With no belts, no steps.

    Raises
    ------
    InputError
        If a life is an interval; see `hazard_curve`.

    Notes
    -----
    Variance by Greenwood's formula, limits normal on log(-log S) [1]_. Once no belt is
    left (S = 0) the lower limit is 0 and the upper stays where it last was. Where none
    has failed the lower limit is the exact one of no failure among those at risk.

    References
    ----------
    .. [1] Kalbfleisch, J. D. and Prentice, R. L. (2002), *The Statistical Analysis of
       Failure Time Data*, 2nd ed., section 1.4.
    """
    _refuse_intervals(lives, "A Kaplan-Meier curve")
    miles, died = _died_by_mile(lives)
    longest = lives.upper_mi.max(initial=0.0)
    at_risk = at_risk_at(lives, miles)
    left = at_risk - died
    survival = np.asarray(np.cumprod(left / at_risk), dtype=float)
    has_left = left > 0
    terms = np.divide(died, at_risk * left, out=np.zeros(died.size), where=has_left)
    log_se = np.sqrt(np.cumsum(terms))  # of log S
    lo, hi = log_log_limits(survival, log_se, z=two_sided_z(confidence))
    steps = np.column_stack([miles, at_risk, survival, lo, hi, log_se * survival])
    if lives.n and (not miles.size or longest > miles[-1]):
        last = np.array([longest, at_risk_at(lives, np.array([longest]))[0]])
        least = ((1 - confidence) / 2) ** (1 / max(last[1], 1.0))  # none failed
        still = steps[-1, 2:] if miles.size else np.array([1.0, least, 1.0, 0.0])
        steps = np.vstack([steps, np.concatenate([last, still])])
    return curve_of(lives, "kaplan_meier", steps, _doubt(lives, miles, survival))


def log_log_limits(
    survival: FloatArray, log_se: FloatArray, *, z: float
) -> tuple[FloatArray, FloatArray]:
    """Return limits of survival that are normal on log(-log S).

    Parameters
    ----------
    survival : ndarray of float, shape (n_steps,)
        S, falling, 0 to 1.
    log_se : ndarray of float, shape (n_steps,)
        Standard error of log S.
    z : float
        Two-sided normal quantile of the confidence.

    Returns
    -------
    tuple of two ndarray of float, shape (n_steps,)
        ``S**exp(±z log_se / |log S|)``; (1, 1) where S is 1; where S is 0 (below 1e-9)
        the lower limit is S and the upper the last before.
    """
    is_inside = (survival > 1e-9) & (survival < 1)
    s = np.where(is_inside, survival, 0.5)
    spread = z * np.where(is_inside, log_se, 0.0) / np.abs(np.log(s))
    power = np.exp(np.minimum(spread, 700.0))
    lo = np.where(is_inside, s**power, survival)
    hi = np.where(is_inside, s ** (1 / power), 1.0)
    none_left = survival <= 1e-9
    if none_left.any() and not none_left.all():
        hi = np.where(none_left, hi[~none_left][-1], hi)
    return lo, hi


def curve_of(
    lives: Lives, method: str, steps: FloatArray, reason: str | None
) -> LifeCurve:
    """Name the columns of a curve: miles, at risk, S, its limits, its error."""
    miles, at_risk, survival, lo, hi, se = steps.T
    return LifeCurve(
        method=method,
        n=lives.n,
        failures=lives.failures,
        running=lives.running,
        miles=miles,
        at_risk=at_risk,
        survival=survival,
        survival_lo=lo,
        survival_hi=hi,
        standard_error=se,
        reason=reason,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class LogRank:
    """Whether groups differ in life.

    Attributes
    ----------
    observed, expected : ndarray of float, shape (n_groups,)
        Failures, and those expected were all groups alike.
    df : int
        Groups compared less one.
    chi2, p_value : float or None
        The statistic and its upper tail; None where nothing can be compared.
    reason : str or None
        Why nothing can be compared.
    """

    observed: FloatArray
    expected: FloatArray
    df: int = 0
    chi2: float | None = None
    p_value: float | None = None
    reason: str | None = None


def log_rank(lives: Lives) -> LogRank:
    """Test whether the cells of the lives share one survival curve.

    Parameters
    ----------
    lives : Lives
        Exact or right-censored lives; ``cell`` is the group, 0, 1, ….

    Returns
    -------
    LogRank
        Groups with no belt at risk at any failure are left out of the comparison.

    Raises
    ------
    InputError
        If a life is an interval.

    References
    ----------
    .. [1] Kalbfleisch and Prentice (2002), section 1.5.
    """
    _refuse_intervals(lives, "A log-rank test")
    miles, died = _died_by_mile(lives)
    groups = [
        lives.where(lives.cell == g) for g in range(int(lives.cell.max(initial=0)) + 1)
    ]
    of_group = np.array([at_risk_at(group, miles) for group in groups])
    at_risk = of_group.sum(axis=0)
    share = of_group / np.maximum(at_risk, 1e-300)
    observed = np.array([float(group.failures) for group in groups])
    expected = share @ died
    spread = died * (at_risk - died) / np.maximum(at_risk - 1, 1e-300)
    variance = np.diag(share @ spread) - (share * spread) @ share.T
    keep = np.flatnonzero(expected > 0)[:-1]  # the last follows from the others
    gap, block = (observed - expected)[keep], variance[np.ix_(keep, keep)]
    if not keep.size or np.linalg.matrix_rank(block) < keep.size:
        reason = "Fewer than two groups have belts at risk together when belts fail."
        return LogRank(observed=observed, expected=expected, reason=reason)
    chi2 = float(gap @ np.linalg.solve(block, gap))
    return LogRank(
        observed=observed,
        expected=expected,
        df=keep.size,
        chi2=chi2,
        p_value=float(chdtrc(keep.size, chi2)),
    )


def at_risk_at(lives: Lives, miles: FloatArray) -> FloatArray:
    """Count the belts under observation at each mile: entered before, ended no sooner.

    Parameters
    ----------
    lives : Lives
        Of which an end is ``upper_mi``: where the belt was last known to be on.
    miles : ndarray of float, shape (n_miles,)
        Miles since fitting.

    Returns
    -------
    ndarray of float, shape (n_miles,)
        Belts with entry < mile <= end.
    """
    return _weight_below(lives.entry_mi, lives.weight, miles) - _weight_below(
        lives.upper_mi, lives.weight, miles
    )


def _weight_below(at: FloatArray, weight: FloatArray, miles: FloatArray) -> FloatArray:
    order = np.argsort(at, kind="stable")
    total = np.concatenate([[0.0], np.cumsum(weight[order])])
    return np.asarray(total[np.searchsorted(at[order], miles, side="left")])


def _died_by_mile(lives: Lives) -> tuple[FloatArray, FloatArray]:
    is_death = lives.end == End.EXACT
    is_death &= (lives.weight > 0) & (lives.entry_mi < lives.lower_mi)
    miles, which = np.unique(lives.lower_mi[is_death], return_inverse=True)
    return miles, sum_by(which, lives.weight[is_death], miles.size)


def _refuse_intervals(lives: Lives, what: str) -> None:
    if (lives.end == End.INTERVAL).any():
        raise InputError(
            what=f"{what} cannot use a life that is known only within an interval.",
            where="fleetbelt.models.life_curve",
            fix="use hazard_curve or fit_weibull for lives found ended at a visit.",
        )


def _doubt(lives: Lives, miles: FloatArray, survival: FloatArray) -> str | None:
    if not lives.n:
        return "There are no belts."
    if not miles.size:
        return f"No failure is known (belts: {lives.n}), so the curve stays at 1."
    gone = np.flatnonzero(survival <= 0)
    if gone.size and gone[0] < miles.size - 1:
        return (
            f"Every belt at risk at {miles[gone[0]]:,.0f} mi failed there, while belts "
            "that came under observation later ran on: the curve is not to be trusted."
        )
    return None
