"""Rates of events per mile: exact intervals, ratios, and what clustering does to them.

Complaints cluster: a belt heard once is heard again. `ClusterSums` holds what a
database can add up per group; `dispersion_test` says whether the counts vary more than
Poisson counts would, and by how much to widen the intervals of `event_rate` and
`rate_ratio`.
"""

from dataclasses import dataclass
from typing import Self

import numpy as np
import numpy.typing as npt
from scipy.special import betaincinv, gammainc, gammaincinv

from fleetbelt.errors import InputError
from fleetbelt.models.arrays import FloatArray


def garwood(
    events: npt.ArrayLike, *, confidence: float = 0.95, widening: npt.ArrayLike = 1.0
) -> tuple[FloatArray, FloatArray]:
    """Return the exact interval of a Poisson mean.

    Parameters
    ----------
    events : array_like, shape (n_groups,)
        Events counted.
    confidence : float, default 0.95
        Least chance that the interval holds the true mean.
    widening : array_like, default 1
        Variance over mean of the counts, φ; above 1 the interval is that of events/φ
        counts times φ.

    Returns
    -------
    tuple of two ndarray of float, shape (n_groups,)
        Lower and upper limit of the mean, in events; divide by the exposure.

    Raises
    ------
    InputError
        If a count is negative or missing.

    Notes
    -----
    With p the chance left in each tail, ``χ²(p; 2x)/2`` and ``χ²(1-p; 2x+2)/2`` [1]_.
    With φ it is the gamma interval of [2]_ for counts of that variance.

    References
    ----------
    .. [1] Garwood, F. (1936), *Biometrika* 28, 437-442.
    .. [2] Fay, M. P. and Feuer, E. J. (1997), *Statistics in Medicine* 16, 791-801.
    """
    phi = np.asarray(widening, dtype=float)
    x = np.asarray(events, dtype=float) / phi
    if not np.all(x >= 0):
        raise InputError(
            what="A rate has a negative or missing count.",
            where="fleetbelt.models.rates",
            fix="pass counts of 0 or more.",
        )
    tail = (1 - confidence) / 2
    lower = np.where(x > 0, gammaincinv(np.maximum(x, 1e-300), tail), 0.0)
    return phi * lower, phi * gammaincinv(x + 1, 1 - tail)


@dataclass(frozen=True, slots=True, kw_only=True)
class ClusterSums:
    """Sums over the belts of a group, x their events and e their exposures.

    Attributes
    ----------
    n : float
        Belts.
    events, exposure : float
        Σx and Σe.
    events_squared, events_exposure, exposure_squared : float
        Σx², Σxe and Σe².
    """

    n: float
    events: float
    exposure: float
    events_squared: float
    events_exposure: float
    exposure_squared: float

    @classmethod
    def of(cls, events: npt.ArrayLike, exposure: npt.ArrayLike) -> Self:
        """Add up belts.

        Parameters
        ----------
        events, exposure : array_like, shape (n_belts,)
            Of each belt.

        Returns
        -------
        ClusterSums
            Of the group.
        """
        x, e = (np.asarray(a, dtype=float) for a in (events, exposure))
        return cls(
            n=float(x.size),
            events=float(x.sum()),
            exposure=float(e.sum()),
            events_squared=float(x @ x),
            events_exposure=float(x @ e),
            exposure_squared=float(e @ e),
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class DispersionTest:
    """Whether events cluster by belt.

    Attributes
    ----------
    pairs, expected_pairs : float
        Pairs of events that share a belt, and those expected of Poisson counts.
    p_value : float
        Chance of so many pairs, were the counts Poisson.
    variance_ratio : float
        φ, the belt-robust variance of the rate over the Poisson variance; 1 or more.
    """

    pairs: float
    expected_pairs: float
    p_value: float
    variance_ratio: float

    def widening(self, *, level: float = 0.05) -> float:
        """Return φ where the test rejects Poisson at this level, else 1."""
        return self.variance_ratio if self.p_value < level else 1.0


def dispersion_test(sums: ClusterSums) -> DispersionTest:
    """Test whether events spread over the belts as Poisson counts would.

    Parameters
    ----------
    sums : ClusterSums
        Of one group with one rate.

    Returns
    -------
    DispersionTest
        With p-value 1 where there are fewer than two events.

    Notes
    -----
    With r the rate and μ = r e, the statistic is the number of pairs K = Σx(x-1)/2
    [1]_, and Σxμ - Σμ²/2 - Σμ²/(2Σμ) of them are expected given the exposures; K less
    that is half of Dean and Lawless's score [2]_, Σ(x-μ)² - Σx, for its mean under
    fitting. K is referred to the Poisson distribution of that mean (which has the
    score's variance): unlike the normal it holds its level where events are rare.
    φ is Σ(x-μ)²/Σx · n/(n-1), the linearised variance of a ratio.

    References
    ----------
    .. [1] Potthoff, R. F. and Whittinghill, M. (1966), *Biometrika* 53, 183-190.
    .. [2] Dean, C. and Lawless, J. F. (1989), *JASA* 84, 467-472.
    """
    x = sums.events
    pairs = (sums.events_squared - x) / 2
    if x < 2 or sums.exposure <= 0 or sums.n < 2:
        return DispersionTest(
            pairs=pairs, expected_pairs=0.0, p_value=1.0, variance_ratio=1.0
        )
    r = x / sums.exposure
    x_mu, mu_mu = r * sums.events_exposure, r**2 * sums.exposure_squared
    expected = max(x_mu - mu_mu / 2 - mu_mu / (2 * x), 0.0)
    squares = sums.events_squared - 2 * x_mu + mu_mu
    return DispersionTest(
        pairs=pairs,
        expected_pairs=expected,
        p_value=float(gammainc(pairs, expected)) if pairs > 0 else 1.0,
        variance_ratio=max(1.0, squares / x * sums.n / (sums.n - 1)),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Rate:
    """A rate, or a ratio of rates, with its interval.

    Attributes
    ----------
    value, lo, hi : float or None
        In events per unit of exposure, or dimensionless; None where there is none.
    reason : str or None
        Why one is missing.
    """

    value: float | None = None
    lo: float | None = None
    hi: float | None = None
    reason: str | None = None


def event_rate(
    events: float, exposure: float, *, widening: float = 1.0, confidence: float = 0.95
) -> Rate:
    """Return events over exposure with Garwood's interval.

    Parameters
    ----------
    events, exposure : float
        Of one group.
    widening : float, default 1
        Variance over mean of the counts; see `DispersionTest.widening`.
    confidence : float, default 0.95
        Of the interval.

    Returns
    -------
    Rate
        Without numbers where there is no exposure.
    """
    if exposure <= 0:
        return Rate(reason="No miles were run, so there is no rate.")
    lo, hi = garwood(events, widening=widening, confidence=confidence)
    return Rate(
        value=events / exposure, lo=float(lo) / exposure, hi=float(hi) / exposure
    )


def rate_ratio(
    events: tuple[float, float],
    exposure: tuple[float, float],
    *,
    widening: tuple[float, float] = (1.0, 1.0),
    confidence: float = 0.95,
) -> Rate:
    """Return the ratio of the first rate to the second, with its exact interval.

    Parameters
    ----------
    events, exposure, widening : tuple of two float
        Of the group and of its reference; see `event_rate`.
    confidence : float, default 0.95
        Of the interval.

    Returns
    -------
    Rate
        With no events in the reference, neither ratio nor upper limit.

    Notes
    -----
    Given their sum, the group's events are binomial with p = R e₁/(R e₁ + e₂), so that
    Clopper and Pearson's limits of p give those of R [1]_. Widened counts enter as
    events/φ over exposure/φ.

    References
    ----------
    .. [1] Przyborowski, J. and Wilenski, H. (1940), *Biometrika* 31, 313-323.
    """
    if min(exposure) <= 0:
        return Rate(reason="No miles were run on one side, so there is no ratio.")
    (x1, x2), (e1, e2) = (
        tuple(a / phi for a, phi in zip(pair, widening, strict=True))
        for pair in (events, exposure)
    )
    if x1 + x2 == 0:
        return Rate(reason="There are no events on either side, so there is no ratio.")
    tail, odds = (1 - confidence) / 2, e2 / e1
    p_lo = float(betaincinv(x1, x2 + 1, tail)) if x1 else 0.0
    lo = p_lo / (1 - p_lo) * odds
    if x2 == 0:
        return Rate(lo=lo, reason="The reference has no events, so there is no ratio.")
    p_hi = float(betaincinv(x1 + 1, x2, 1 - tail))
    return Rate(value=x1 / x2 * odds, lo=lo, hi=p_hi / (1 - p_hi) * odds)
