"""Mean cumulative number of events by miles since fitting, with its robust variance.

A belt is at risk in (entry, end], from the start in [0, end]: it is still at risk at
the mile at which its observation ends, so an event there counts.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.special import gammaincinv, ndtr

from fleetbelt.errors import InputError
from fleetbelt.models.arrays import FloatArray, IntArray, sum_by
from fleetbelt.models.estimates import two_sided_z


@dataclass(frozen=True, slots=True, kw_only=True)
class MeanCumulativeCurve:
    """Events that a belt has had on average, a step a row.

    Attributes
    ----------
    n, events : int
        Belts, and events while they were at risk.
    miles : ndarray of float, shape (n_steps,)
        Miles since fitting of each step; the last is the largest observed.
    at_risk : ndarray of float, shape (n_steps,)
        Belts at risk at that mile.
    mean : ndarray of float, shape (n_steps,)
        Mean events per belt up to and at that mile.
    mean_lo, mean_hi : ndarray of float, shape (n_steps,), or None
        Its pointwise limits; None of a single belt.
    standard_error : ndarray of float, shape (n_steps,)
        Of ``mean``, allowing for events that cluster by belt.
    reason : str or None
        Why there are no steps or no intervals; None where all is well.
    """

    n: int
    events: int
    miles: FloatArray
    at_risk: FloatArray
    mean: FloatArray
    mean_lo: FloatArray | None
    mean_hi: FloatArray | None
    standard_error: FloatArray
    reason: str | None = None


def mean_cumulative(
    end_mi: npt.ArrayLike,
    event_belt: npt.ArrayLike,
    event_mi: npt.ArrayLike,
    *,
    entry_mi: npt.ArrayLike = 0.0,
    confidence: float = 0.95,
    most_steps: int | None = None,
) -> MeanCumulativeCurve:
    """Estimate the mean cumulative function of events that can recur.

    Parameters
    ----------
    end_mi : array_like of float, shape (n_belts,)
        Miles since fitting to which each belt was under observation.
    event_belt : array_like of int, shape (n_events,)
        Index of the belt that each event happened to.
    event_mi : array_like of float, shape (n_events,)
        Miles since fitting of each event; where not at risk, it is left out.
    entry_mi : array_like of float, shape (n_belts,) or a number
        Miles since fitting at which each belt came under observation; default 0.
    confidence : float, default 0.95
        Of the limits at each mile.
    most_steps : int, optional
        Thin the steps evenly to no more than this.

    Returns
    -------
    MeanCumulativeCurve
        A step at every event mile, and the largest observed mile. With no belts, none.

    Raises
    ------
    InputError
        If a mile is missing or negative, or an entry lies after its end.

    Notes
    -----
    ``M(t) = Σ d(t_k)/n(t_k)`` [1]_, and the variance of [2]_ over belts i and event
    miles t_k ≤ t, ``Σ_i (Σ_k I_i(t_k) [d_i(t_k) - d(t_k)/n(t_k)] / n(t_k))²``: that of
    Poisson counts, ``Σ d/n²``, is too small. Limits are normal on the logarithm; where
    there is no event at all the upper one is Garwood's for none, over the belts at risk
    at the end.

    References
    ----------
    .. [1] Nelson, W. (1988), *Journal of Quality Technology* 20, 24-35.
    .. [2] Lawless, J. F. and Nadeau, C. (1995), *Technometrics* 37, 158-168.
    """
    end = np.asarray(end_mi, dtype=float)
    entry = np.broadcast_to(np.asarray(entry_mi, dtype=float), end.shape)
    belt, at = np.asarray(event_belt, dtype=np.int64), np.asarray(event_mi, dtype=float)
    _check(entry, end, at)
    if not end.size:
        return _curve(0, 0, np.empty((0, 6)), "There are no belts.")
    entry = np.where(entry > 0, entry, -1.0)  # from the start: at risk at mile 0 too
    seen = (at > entry[belt]) & (at <= end[belt])
    belt, at = belt[seen], at[seen]
    steps = _steps(entry, end, belt, at, z=two_sided_z(confidence))
    if most_steps is not None and len(steps) > most_steps:
        steps = steps[np.linspace(0, len(steps) - 1, most_steps).round().astype(int)]
    return _curve(end.size, at.size, steps, _doubt(end.size, at.size))


def _steps(
    entry: FloatArray, end: FloatArray, belt: IntArray, at: FloatArray, *, z: float
) -> FloatArray:
    """Work out the columns of the curve."""
    order = np.argsort(at, kind="stable")
    belt, at = belt[order], at[order]
    miles, step = np.unique(at, return_inverse=True)
    died = sum_by(step, np.ones(at.size), miles.size)
    at_risk = _below(entry, miles) - _below(end, miles)
    mean = np.cumsum(died / at_risk)
    variance = _robust_variance(entry, end, belt, step, (miles, died, at_risk))
    se = np.sqrt(np.maximum(variance, 0.0))
    factor = np.exp(z * se / np.maximum(mean, 1e-300))
    steps = np.column_stack([miles, at_risk, mean, mean / factor, mean * factor, se])
    longest = float(end.max())
    if miles.size and longest == miles[-1]:
        return steps
    at_end = float(np.sum(end >= longest))
    most = float(gammaincinv(1.0, ndtr(z))) / at_end  # of no event among so many
    last = steps[-1, 2:] if miles.size else np.array([0.0, 0.0, most, 0.0])
    return np.vstack([steps, [longest, at_end, *last]])


def _robust_variance(
    entry: FloatArray,
    end: FloatArray,
    belt: IntArray,
    step: IntArray,
    curve: tuple[FloatArray, FloatArray, FloatArray],
) -> FloatArray:
    """Sum the belts' squared residuals R = E - B at every step, by running sums.

    E is Σ 1/n over a belt's own events and B is Σ d/n² over all while it is at risk: at
    risk, B = A - A(entry), with A the running Σ d/n²; after its end, A(end) - A(entry).
    ΣR² = ΣE² - 2ΣEB + ΣB², and each sum changes only at events, entries and ends.
    """
    miles, died, at_risk = curve
    total = np.cumsum(died / at_risk**2)
    before = np.concatenate([[0.0], total])
    first = np.searchsorted(miles, entry, side="right")  # first step at risk
    last = np.searchsorted(miles, end, side="right")  # first step after the end
    a_entry, a_end = before[first], before[last]
    n = miles.size + 1

    def running(at: IntArray, value: FloatArray) -> FloatArray:
        return np.asarray(np.cumsum(sum_by(at, value, n))[:-1])

    one = np.ones(end.size)
    count = running(first, one) - running(last, one)
    linear = running(first, a_entry) - running(last, a_entry)
    square = running(first, a_entry**2) - running(last, a_entry**2)
    b_b = count * total**2 - 2 * total * linear + square
    b_b += running(last, (a_end - a_entry) ** 2)

    jump = (1 / at_risk)[step]
    e_end = sum_by(belt, jump, end.size)
    by_belt = np.argsort(belt, kind="stable")  # events of a belt stay in order
    within = np.cumsum(jump[by_belt])
    within -= (np.cumsum(e_end) - e_end)[belt[by_belt]]
    e_after = np.empty(belt.size)
    e_after[by_belt] = within
    e_e = running(step, jump * (2 * e_after - jump))
    e_now = running(step, jump) - running(last, e_end)
    e_entry = running(step, jump * a_entry[belt]) - running(last, e_end * a_entry)
    e_b = total * e_now - e_entry + running(last, e_end * (a_end - a_entry))
    return np.asarray(e_e - 2 * e_b + b_b)


def _below(at: FloatArray, miles: FloatArray) -> FloatArray:
    """Count the values below each mile."""
    return np.searchsorted(np.sort(at), miles, side="left").astype(float)


def _check(entry: FloatArray, end: FloatArray, at: FloatArray) -> None:
    if not (np.all((entry >= 0) & (entry <= end)) and np.all(at >= 0)):
        raise InputError(
            what="A belt's entry, end or event has a missing, negative or wrong mile.",
            where="fleetbelt.models.recurrent",
            fix="pass miles since fitting with 0 <= entry <= end.",
        )


def _doubt(n: int, events: int) -> str | None:
    if not events:
        return f"No event happened (belts: {n}), so the curve stays at 0."
    if n == 1:
        return "One belt alone says nothing about how belts differ: no interval."
    return None


def _curve(
    n: int, events: int, steps: FloatArray, reason: str | None
) -> MeanCumulativeCurve:
    miles, at_risk, mean, lo, hi, se = steps.T
    return MeanCumulativeCurve(
        n=n,
        events=events,
        miles=miles,
        at_risk=at_risk,
        mean=mean,
        mean_lo=None if n == 1 else lo,
        mean_hi=None if n == 1 else hi,
        standard_error=se,
        reason=reason,
    )
