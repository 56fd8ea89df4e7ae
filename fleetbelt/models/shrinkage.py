"""Observed to expected counts of many units: shrunk ratios and funnel limits."""

from dataclasses import dataclass
from functools import partial

import numpy as np
import numpy.typing as npt
from scipy.optimize import brentq
from scipy.special import gammaincinv, gammaln, pdtr, pdtrik, xlogy

from fleetbelt.models.arrays import FloatArray
from fleetbelt.models.count_likelihood import Counts
from fleetbelt.models.estimates import two_sided_z
from fleetbelt.models.newton import maximise

_LOG_VARIANCES = (-16.0, 7.0)  # where the variance of the true ratios is looked for


@dataclass(frozen=True, slots=True, kw_only=True)
class ShrunkRatios:
    """Ratios of observed to expected, drawn towards their mean by their own noise.

    Attributes
    ----------
    mean : float or None
        Of the units' true ratios; None where nothing is expected.
    variance : float
        Of the units' true ratios, relative to ``mean`` squared; 0: none detectable.
    ratio, lo, hi : ndarray of float, shape (n_units,)
        Posterior mean and interval of each unit's ratio.
    reason : str or None
        Why the ratios are all alike, or are not there.
    """

    mean: float | None
    variance: float
    ratio: FloatArray
    lo: FloatArray
    hi: FloatArray
    reason: str | None = None


def shrink_ratios(
    observed: npt.ArrayLike, expected: npt.ArrayLike, *, confidence: float = 0.95
) -> ShrunkRatios:
    """Shrink units' observed-to-expected ratios by the gamma-Poisson model.

    Parameters
    ----------
    observed, expected : array_like, shape (n_units,)
        Whole events of each unit, and those expected of it (0 or more).
    confidence : float, default 0.95
        Of the units' intervals.

    Returns
    -------
    ShrunkRatios
        Where nothing was expected or observed of any unit, empty arrays and a reason.

    Raises
    ------
    InputError
        If counts are negative or missing.

    Notes
    -----
    Unit i has Poisson(θᵢ Eᵢ) events, θᵢ gamma with mean m and variance v m². m and v
    maximise the negative binomial likelihood; given O, θ is gamma with shape 1/v + O
    and rate 1/(v m) + E, so its mean is a weighted one of O/E and m [1]_. The intervals
    take m and v as known, and cover a little less than said with fewer than about 20
    units. Where no spread is detectable (v = 0) every ratio is ΣO/ΣE, and the intervals
    are those of the largest v that the data allow (95 %, one-sided).

    References
    ----------
    .. [1] Clayton, D. and Kaldor, J. (1987), *Biometrics* 43, 671-681.
    """
    o, e = (np.asarray(x, dtype=float) for x in (observed, expected))
    counts = Counts.of(o, e, cell=np.zeros(o.size))
    if not e.sum() or not o.sum():
        none = np.empty(0)
        reason = "No event was observed, or expected, of any unit."
        mean = 0.0 if e.sum() else None
        return ShrunkRatios(
            mean=mean, variance=0.0, ratio=none, lo=none, hi=none, reason=reason
        )
    m, v = _mean_and_variance(counts)
    spread = v or _largest_variance(counts, m)
    shape, rate = 1 / spread + o, 1 / (spread * m) + e
    tail = (1 - confidence) / 2
    count, which = np.unique(o, return_inverse=True)  # few, and all that shape is of
    lo, hi = (
        gammaincinv(1 / spread + count, p)[which] / rate for p in (tail, 1 - tail)
    )
    if v:
        return ShrunkRatios(mean=m, variance=v, ratio=shape / rate, lo=lo, hi=hi)
    return ShrunkRatios(
        mean=m,
        variance=0.0,
        ratio=np.full(o.size, m),
        lo=np.minimum(lo, m),
        hi=np.maximum(hi, m),
        reason="No spread between units is detectable beyond chance.",
    )


def _mean_and_variance(counts: Counts) -> tuple[float, float]:
    """Fit m and v by likelihood; v is 0 where the counts spread no more than chance."""
    o, e = counts.events, counts.exposure
    m = float(o.sum() / e.sum())
    excess = float(((o - m * e) ** 2 - o).sum())
    if excess <= 0:
        return m, 0.0
    start = np.log([excess / float((m * e) @ (m * e)), m])
    found = maximise(partial(counts.negative_binomial, np.ones((1, 1))), start)
    if not found.is_found:  # v slides to 0
        return m, 0.0
    return float(np.exp(found.theta[1])), float(np.exp(found.theta[0]))


def _largest_variance(counts: Counts, m: float) -> float:
    """Return the v at which the likelihood has fallen too far from that of v = 0."""
    one, log_m = np.ones((1, 1)), float(np.log(m))
    poisson, *_ = counts.poisson(one, np.array([log_m]))

    def fall(log_v: float) -> float:
        value, *_ = counts.negative_binomial(one, np.array([log_v, log_m]))
        return value - poisson + two_sided_z(0.90) ** 2 / 2

    start, end = _LOG_VARIANCES
    return float(np.exp(brentq(fall, start, end) if fall(end) < 0 else end))


@dataclass(frozen=True, slots=True, kw_only=True)
class Overdispersion:
    """How much more units' ratios vary than Poisson counts allow.

    Attributes
    ----------
    phi : float or None
        Mean square of the trimmed z-scores; 1 for Poisson counts.
    tau_squared : float
        Variance between units of log ratio that accounts for it; 0 or more.
    n : int
        Units left after trimming.
    """

    phi: float | None
    tau_squared: float
    n: int


def overdispersion(
    observed: npt.ArrayLike, expected: npt.ArrayLike, *, trim: float = 0.10
) -> Overdispersion:
    """Measure the spread of units' ratios around 1, without the most extreme.

    Parameters
    ----------
    observed, expected : array_like, shape (n_units,)
        Events of each unit and those expected of it; units expecting none are left out.
    trim : float, default 0.10
        Share of units dropped at each end (rounded down).

    Returns
    -------
    Overdispersion
        Without φ where no unit is left.

    Notes
    -----
    ``z = √E log(O/E)``, half an event standing in for none; τ² by the moments of
    DerSimonian and Laird, as for funnel plots [1]_.

    References
    ----------
    .. [1] Spiegelhalter, D. J. (2005), *Statistics in Medicine* 24, 1185-1202.
    """
    o, e = (np.asarray(x, dtype=float) for x in (observed, expected))
    o, e = np.maximum(o[e > 0], 0.5), e[e > 0]
    z = np.sqrt(e) * np.log(o / e)
    dropped = int(z.size * trim)
    kept = np.argsort(z, kind="stable")[dropped : z.size - dropped]
    if not kept.size:
        return Overdispersion(phi=None, tau_squared=0.0, n=0)
    w, squares = e[kept], float(z[kept] @ z[kept])
    freedom = w.sum() - w @ w / w.sum()
    excess = squares - (kept.size - 1)
    return Overdispersion(
        phi=squares / kept.size,
        tau_squared=float(max(0.0, excess / freedom)) if freedom > 0 else 0.0,
        n=kept.size,
    )


def funnel_limits(
    expected: npt.ArrayLike, *, confidence: float = 0.95, tau_squared: float = 0.0
) -> tuple[FloatArray, FloatArray]:
    """Return between what limits a unit's ratio falls if its rate is as expected.

    Parameters
    ----------
    expected : array_like, shape (n_units,)
        Events expected, above 0.
    confidence : float, default 0.95
        Share of units between the limits.
    tau_squared : float, default 0
        Variance between units of log ratio to be allowed for (`overdispersion`).

    Returns
    -------
    tuple of two ndarray of float, shape (n_units,)
        Limits of observed over expected, around 1.

    Notes
    -----
    Interpolated exact Poisson limits [1]_: with r the least count whose distribution
    function F reaches p, ``(r - (F(r) - p) / (F(r) - F(r - 1))) / E``, not below 0;
    with τ², ``exp(±z √(1/E + τ²))``. The limits of χ² quantiles that some plots draw,
    ``χ²(p; 2E)/2E`` and ``χ²(1-p; 2E+2)/2E``, hold only 0.63 of the units that expect
    one event, for they call every unit without events low.

    References
    ----------
    .. [1] Spiegelhalter, D. J. (2005), *Statistics in Medicine* 24, 1185-1202.
    """
    e = np.asarray(expected, dtype=float)
    if tau_squared > 0:
        half = two_sided_z(confidence) * np.sqrt(1 / e + tau_squared)
        return np.exp(-half), np.exp(half)
    tail = (1 - confidence) / 2
    return _interpolated_quantile(e, tail) / e, _interpolated_quantile(e, 1 - tail) / e


def _interpolated_quantile(e: FloatArray, p: float) -> FloatArray:
    """Quantile of a Poisson mean, between whole counts; 0 or more."""
    below = np.maximum(np.ceil(pdtrik(p, e)) - 1, 0.0)  # r is this or, rounding, next
    r = np.where(pdtr(below, e) >= p, below, below + 1)
    chance = np.exp(xlogy(r, e) - e - gammaln(r + 1))
    return np.asarray(np.maximum(r - (pdtr(r, e) - p) / chance, 0.0))
