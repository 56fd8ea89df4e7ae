"""Mean cumulative number of events by miles since fitting, with its robust variance.

A belt is at risk in (entry, end], from the start in [0, end]: it is still at risk at
the mile at which its observation ends, so an event there counts.
"""

from dataclasses import dataclass
from typing import Self

import numpy as np
import numpy.typing as npt
from scipy.special import gammaincinv, ndtr

from fleetbelt.errors import InputError
from fleetbelt.models.arrays import BoolArray, FloatArray, IntArray, sum_by
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


@dataclass(frozen=True, slots=True, kw_only=True)
class Watched:
    """When belts were under observation, sorted once for all kinds of their events.

    Attributes
    ----------
    end_mi : ndarray of float, shape (n_belts,)
        Miles since fitting at which each ended, rising.
    late_entry_mi, late_end_mi : ndarray of float, shape (n_late,)
        Of the belts that came under observation late, by entry.
    """

    end_mi: FloatArray
    late_entry_mi: FloatArray
    late_end_mi: FloatArray

    @classmethod
    def of(cls, end_mi: npt.ArrayLike, entry_mi: npt.ArrayLike = 0.0) -> Self:
        """Take in belts.

        Parameters
        ----------
        end_mi : array_like of float, shape (n_belts,)
            Miles since fitting to which each belt was under observation.
        entry_mi : array_like of float, shape (n_belts,) or a number
            Miles since fitting at which each belt came under observation; default 0.

        Returns
        -------
        Watched
            Sorted.

        Raises
        ------
        InputError
            If a mile is missing or negative, or an entry lies after its end.
        """
        end = np.asarray(end_mi, dtype=float)
        entry = np.broadcast_to(np.asarray(entry_mi, dtype=float), end.shape)
        _check((entry >= 0) & (entry <= end))
        late = np.flatnonzero(entry > 0)
        late = late[np.lexsort((end[late], entry[late]))]
        return cls(
            end_mi=np.sort(end),
            late_entry_mi=entry[late],
            late_end_mi=end[late],
        )

    def ended(self, miles: npt.ArrayLike) -> FloatArray:
        """Count the belts that ended before each mile, shape (n_miles,)."""
        return np.searchsorted(self.end_mi, miles).astype(float)

    def not_yet(self, miles: FloatArray) -> FloatArray:
        """Count the belts that came under observation at each mile or later."""
        begun = np.searchsorted(self.late_entry_mi, miles)
        return (self.late_entry_mi.size - begun).astype(float)


@dataclass(frozen=True, slots=True, kw_only=True)
class Events:
    """Events, and the observation of the belts that they happened to.

    Attributes
    ----------
    belt : ndarray of int, shape (n_events,)
        Which belt: any numbers.
    at_mi, entry_mi, end_mi : ndarray of float, shape (n_events,)
        Miles since fitting of the event, and at which its belt's observation began and
        ended.
    """

    belt: IntArray
    at_mi: FloatArray
    entry_mi: FloatArray
    end_mi: FloatArray

    def where(self, keep: BoolArray | IntArray) -> Self:
        """Keep some of them, by a mask or by their places."""
        return type(self)(
            belt=self.belt[keep],
            at_mi=self.at_mi[keep],
            entry_mi=self.entry_mi[keep],
            end_mi=self.end_mi[keep],
        )

    def seen_at(self) -> IntArray:
        """Return the places of those at which their belt was at risk, by miles."""
        _check(self.at_mi >= 0)
        is_seen = (self.at_mi > self.entry_mi) | (self.entry_mi == 0)
        keep = np.flatnonzero(is_seen & (self.at_mi <= self.end_mi))
        return keep[np.argsort(self.at_mi[keep], kind="stable")]


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

    See Also
    --------
    mean_cumulative_of : The same of belts that are sorted already.
    """
    end = np.asarray(end_mi, dtype=float)
    entry = np.broadcast_to(np.asarray(entry_mi, dtype=float), end.shape)
    belt, at = np.asarray(event_belt, dtype=np.int64), np.asarray(event_mi, dtype=float)

    events = Events(belt=belt, at_mi=at, entry_mi=entry[belt], end_mi=end[belt])
    return mean_cumulative_of(
        Watched.of(end, entry),
        events.where(events.seen_at()),
        confidence=confidence,
        most_steps=most_steps,
    )


def mean_cumulative_of(
    belts: Watched,
    seen: Events,
    *,
    confidence: float = 0.95,
    most_steps: int | None = None,
) -> MeanCumulativeCurve:
    """Estimate the mean cumulative function of events that can recur.

    Parameters
    ----------
    belts : Watched
        All belts, with and without events.
    seen : Events
        Of any of them, at risk there (`Events.seen_at`), by miles.
    confidence : float, default 0.95
        Of the limits at each mile.
    most_steps : int, optional
        Thin the steps evenly to no more than this.

    Returns
    -------
    MeanCumulativeCurve
        A step at every event mile, and the largest observed mile. With no belts, none.

    Notes
    -----
    ``M(t) = Σ d(t_k)/n(t_k)`` [1]_, and the variance of [2]_ over belts i and event
    miles t_k ≤ t, ``Σ_i (Σ_k I_i(t_k) [d_i(t_k) - d(t_k)/n(t_k)] / n(t_k))²``: that of
    Poisson counts, ``Σ d/n²``, is too small. Limits are normal on the logarithm; where
    there is no event at all the upper one is Garwood's for none, over the belts at risk
    at the end. The work grows with the events, hardly with the belts.

    References
    ----------
    .. [1] Nelson, W. (1988), *Journal of Quality Technology* 20, 24-35.
    .. [2] Lawless, J. F. and Nadeau, C. (1995), *Technometrics* 37, 158-168.
    """
    n = belts.end_mi.size
    if not n:
        return _curve(0, 0, np.empty((0, 6)), "There are no belts.")
    steps = _steps(belts, seen, z=two_sided_z(confidence))
    if most_steps is not None and len(steps) > most_steps:
        steps = steps[np.linspace(0, len(steps) - 1, most_steps).round().astype(int)]
    return _curve(n, seen.at_mi.size, steps, _doubt(n, seen.at_mi.size))


def _steps(belts: Watched, seen: Events, *, z: float) -> FloatArray:
    """Work out the columns of the curve; events come by miles."""
    is_new = np.diff(seen.at_mi, prepend=-1.0) > 0
    miles, step = seen.at_mi[is_new], np.cumsum(is_new) - 1
    died = sum_by(step, np.ones(step.size), miles.size)
    ended = belts.ended(miles)
    at_risk = belts.end_mi.size - belts.not_yet(miles) - ended
    mean = np.cumsum(died / at_risk)
    variance = _robust_variance(belts, seen, step, (miles, died, at_risk, ended))
    se = np.sqrt(np.maximum(variance, 0.0))
    factor = np.exp(z * se / np.maximum(mean, 1e-300))
    steps = np.column_stack([miles, at_risk, mean, mean / factor, mean * factor, se])
    longest = belts.end_mi[-1]
    if miles.size and longest == miles[-1]:
        return steps
    at_end = float(belts.end_mi.size - belts.ended(longest))
    most = float(gammaincinv(1.0, ndtr(z))) / at_end  # of no event among so many
    last = steps[-1, 2:] if miles.size else np.array([0.0, 0.0, most, 0.0])
    return np.vstack([steps, [longest, at_end, *last]])


def _robust_variance(
    belts: Watched,
    seen: Events,
    step: IntArray,
    curve: tuple[FloatArray, FloatArray, FloatArray, FloatArray],
) -> FloatArray:
    """Sum the belts' squared residuals R = E - B at every step, by running sums.

    E is Σ 1/n over a belt's own events and B is Σ d/n² over all while it is at risk: at
    risk, B = A - A(entry), with A the running Σ d/n²; after its end, A(end) - A(entry).
    ΣR² = ΣE² - 2ΣEB + ΣB², the first two over the belts that have events.
    """
    miles, died, at_risk, ended = curve
    total = np.cumsum(died / at_risk**2)
    before = np.concatenate([[0.0], total])

    def running(at: IntArray, value: FloatArray) -> FloatArray:
        return np.asarray(np.cumsum(sum_by(at, value, before.size))[:-1])

    jump = (1 / at_risk)[step]
    _, belt = np.unique(seen.belt, return_inverse=True)
    by_belt = np.argsort(belt, kind="stable")  # events of a belt stay in order
    one_each = by_belt[np.diff(belt[by_belt], prepend=-1) > 0]  # an event of each belt
    e_end = sum_by(belt, jump, one_each.size)
    within = np.cumsum(jump[by_belt])
    within -= (np.cumsum(e_end) - e_end)[belt[by_belt]]
    e_after = np.empty(belt.size)
    e_after[by_belt] = within
    entry = np.where(seen.entry_mi > 0, seen.entry_mi, -1.0)[one_each]
    a_entry = before[np.searchsorted(miles, entry, side="right")]
    last = np.searchsorted(miles, seen.end_mi[one_each], side="right")
    e_e = running(step, jump * (2 * e_after - jump))
    e_now = running(step, jump) - running(last, e_end)
    e_entry = running(step, jump * a_entry[belt]) - running(last, e_end * a_entry)
    e_b = total * e_now - e_entry + running(last, e_end * (before[last] - a_entry))
    return np.asarray(e_e - 2 * e_b + _squares_at_risk(belts, miles, before, ended))


def _squares_at_risk(
    belts: Watched, miles: FloatArray, before: FloatArray, ended: FloatArray
) -> FloatArray:
    """Sum B² at every step: ΣA² as if all had been there from the start, mended.

    Belts that have ended before a step stay at the A of the step before their end.
    """
    total, n = before[1:], belts.end_mi.size
    squares = (n - ended) * total**2
    squares += np.cumsum(np.diff(ended, prepend=0.0) * before[:-1] ** 2)
    if not belts.late_end_mi.size:
        return squares

    def running(at: IntArray, value: FloatArray) -> FloatArray:
        return np.asarray(np.cumsum(sum_by(at, value, before.size))[:-1])

    first = np.searchsorted(miles, belts.late_entry_mi, side="right")
    last = np.searchsorted(miles, belts.late_end_mi, side="right")
    a_entry, a_end = before[first], before[last]
    here = running(first, a_entry) - running(last, a_entry)
    squares -= total**2 * belts.not_yet(miles) + 2 * total * here
    squares += running(first, a_entry**2) - running(last, a_entry**2)
    squares += running(last, (a_end - a_entry) ** 2 - a_end**2)
    return squares


def _check(is_right: BoolArray) -> None:
    if not np.all(is_right):
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
