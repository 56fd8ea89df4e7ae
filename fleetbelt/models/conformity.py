"""How sure it is that a belt's tension lies under, in or over its published range."""

from dataclasses import dataclass
from typing import Final, Self

import numpy as np
import numpy.typing as npt
from scipy.special import ndtr

from fleetbelt.errors import FitError
from fleetbelt.models.arrays import BoolArray, FloatArray, IntArray

MIN_PRIOR_READINGS: Final = 30  # smaller groups are judged by the reading alone
MAX_PRIOR_READINGS: Final = 5_000  # of a larger group an even sample sets the prior
N_COMPONENTS: Final = 15
N_STEPS: Final = 100
BLOCK: Final = 10_000  # readings worked on at a time
NO_SPREAD: Final = 1e-6  # narrowest component, in log tension


@dataclass(frozen=True, slots=True, kw_only=True)
class Conformity:
    """Chances that the true value lies under, in and over a range.

    Attributes
    ----------
    p_under, p_in, p_over : ndarray of float, shape (n_readings,)
        Chances, summing to 1; all three NaN where a range or reading is missing.
    """

    p_under: FloatArray
    p_in: FloatArray
    p_over: FloatArray


def conformity(
    log_tension: npt.ArrayLike,
    u: npt.ArrayLike,
    log_min: npt.ArrayLike,
    log_max: npt.ArrayLike,
) -> Conformity:
    """Return the chances of under, in and over, judged by each reading alone.

    Parameters
    ----------
    log_tension : array_like, shape (n_readings,)
        Natural log of the tension read, N.
    u : array_like, shape (n_readings,)
        Its standard uncertainty, above 0.
    log_min, log_max : array_like, shape (n_readings,)
        Natural logs of the range's limits, N; NaN where no range is published.

    Returns
    -------
    Conformity
        ``P(under) = Phi((min - y) / u)`` and ``P(over) = Phi((y - max) / u)`` [1]_.

    Raises
    ------
    FitError
        If an uncertainty is 0 or less.

    Notes
    -----
    Any one scale will do for all four. Near a limit the chances of a reading alone are
    too near one half by 0.03 to 0.08: see `conformity_with_prior`.

    References
    ----------
    .. [1] JCGM 106:2012, 7.4.
    """
    y, u_, low, high = _checked(log_tension, u, log_min, log_max)
    return _chances(ndtr((low - y) / u_), ndtr((y - high) / u_))


def conformity_with_prior(
    log_tension: npt.ArrayLike,
    u: npt.ArrayLike,
    log_min: npt.ArrayLike,
    log_max: npt.ArrayLike,
    *,
    group: npt.ArrayLike,
    n: npt.ArrayLike = 1,
) -> Conformity:
    """Return the chances of under, in and over, judged beside the group's readings.

    Parameters
    ----------
    log_tension, u, log_min, log_max : array_like, shape (n_readings,)
        As in `conformity`; NaN where unknown.
    group : array_like of int, shape (n_readings,)
        Readings of one group come from one population: one phase and one range.
    n : array_like of int, shape (n_readings,)
        How many readings a row stands for; equal readings may share one.

    Returns
    -------
    Conformity
        Chances under the posterior; in groups below `MIN_PRIOR_READINGS` those of
        `conformity`.

    Raises
    ------
    FitError
        If an uncertainty is 0 or less.

    Notes
    -----
    Empirical Bayes [1]_: the true log tensions x of a group are a mixture of
    `N_COMPONENTS` normals, evenly spaced over the readings, each as wide as the spacing
    s; its weights w are fitted by EM to ``y ~ sum w_k N(g_k, s**2 + u**2)``, so the
    reading error is taken out (deconvolution). Then x given y is a mixture of
    ``N(g_k + c (y - g_k), c u**2)`` with ``c = s**2 / (s**2 + u**2)``.
    The error is taken as unrelated to x. The tension itself and its interval stay those
    of the reading alone.

    References
    ----------
    .. [1] Efron, B. (2016), *Biometrika* 103, 1-20.
    """
    y, u_, low, high = _checked(log_tension, u, log_min, log_max)
    p_under, p_over = ndtr((low - y) / u_), ndtr((y - high) / u_)
    times = np.broadcast_to(np.asarray(n, dtype=np.int64), y.shape)
    known = np.flatnonzero(~np.isnan(p_under + p_over))
    _, index = np.unique(np.asarray(group)[known], return_inverse=True)
    order = known[np.argsort(index, kind="stable")]
    for rows in np.split(order, np.cumsum(np.bincount(index))[:-1]):
        if times[rows].sum() < MIN_PRIOR_READINGS:
            continue
        prior = _Prior.fit(y[rows], u_[rows], times[rows])
        for block in np.array_split(rows, len(rows) // BLOCK + 1):
            limits = low[block], high[block]
            below, within = prior.p_below(limits, y[block], u_[block])
            p_under[block], p_over[block] = below, 1 - within
    return _chances(p_under, p_over)


def verdict(
    p_under: FloatArray,
    p_over: FloatArray,
    *,
    is_firm_allowed: BoolArray,
    firm: float = 0.8,
    doubtful: float = 0.2,
) -> npt.NDArray[np.object_]:
    """Return the word for each reading.

    Parameters
    ----------
    p_under, p_over : ndarray of float, shape (n_readings,)
        Chances of under and over; NaN where there is no range.
    is_firm_allowed : ndarray of bool, shape (n_readings,)
        False for a reading beyond its gauge's calibrated spans.
    firm, doubtful : float
        Chances from which a side is said firmly, and with doubt.

    Returns
    -------
    ndarray of object, shape (n_readings,)
        ``under``, ``doubtful_low``, ``in``, ``doubtful_high``, ``over`` or ``no_spec``:
        the likelier side if its chance reaches a threshold, else ``in``.
    """
    p = np.maximum(p_under, p_over)
    is_low = p_under >= p_over
    is_firm = (p >= firm) & is_firm_allowed
    is_doubtful = p >= doubtful
    sides = [is_firm & is_low, is_firm, is_doubtful & is_low, is_doubtful]
    place = np.atleast_1d(np.select([np.isnan(p), *sides], [1, 2, 3, 4, 5]))
    words: npt.NDArray[np.object_] = _WORDS[place]
    return words


_WORDS: Final = np.array(
    ["in", "no_spec", "under", "over", "doubtful_low", "doubtful_high"], dtype=object
)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Prior:
    """A mixture of equally wide normals: means, weights, and their one variance."""

    means: FloatArray
    weights: FloatArray
    variance: float

    @classmethod
    def fit(cls, y: FloatArray, u: FloatArray, n: IntArray) -> Self:
        order = np.lexsort((u, y))
        up_to = np.cumsum(n[order])
        total = int(up_to[-1])

        def at(place: npt.NDArray[np.int64]) -> npt.NDArray[np.int64]:
            """Rows at these places of all readings in order, each counted n times."""
            return order[np.searchsorted(up_to, place, side="right")]

        ends = np.array([0.005, 0.995]) * (total - 1)
        before = ends.astype(np.int64)
        first, last = y[at(before)] + (ends - before) * (
            y[at(np.minimum(before + 1, total - 1))] - y[at(before)]
        )
        rows = at(np.arange(0, total, total // MAX_PRIOR_READINGS + 1))
        means = np.linspace(first, last, N_COMPONENTS)
        variance = float(max(means[1] - means[0], NO_SPREAD) ** 2)
        weights = np.full(N_COMPONENTS, 1 / N_COMPONENTS)
        start = cls(means=means, weights=weights, variance=variance)
        likelihood = start.responsibility(y[rows], u[rows])
        for _ in range(N_STEPS):
            weights = weights * ((1 / (likelihood @ weights)) @ likelihood) / len(rows)
        return cls(means=means, weights=weights, variance=variance)

    def responsibility(self, y: FloatArray, u: FloatArray) -> FloatArray:
        """Chance of each component given the reading, shape (n_readings, n)."""
        total = self.variance + u[:, None] ** 2
        log_f = -0.5 * (y[:, None] - self.means) ** 2 / total
        f = self.weights * np.exp(log_f - log_f.max(axis=1, keepdims=True))
        chance: FloatArray = f / f.sum(axis=1, keepdims=True)
        return chance

    def p_below(
        self, limits: tuple[FloatArray, ...], y: FloatArray, u: FloatArray
    ) -> list[FloatArray]:
        """Chances that the true value is below each limit, given the reading."""
        shrink = (self.variance / (self.variance + u**2))[:, None]
        mean = self.means + shrink * (y[:, None] - self.means)
        sd = np.sqrt(shrink) * u[:, None]
        chance = self.responsibility(y, u)
        return [
            np.einsum("ij,ij->i", chance, ndtr((limit[:, None] - mean) / sd))
            for limit in limits
        ]


def _checked(*arrays: npt.ArrayLike) -> list[FloatArray]:
    floats = np.broadcast_arrays(*(np.asarray(a, dtype=float) for a in arrays))
    n_bad = int(np.sum(floats[1] <= 0))
    if n_bad:
        raise FitError(
            what=f"{n_bad} readings have no uncertainty above 0.",
            where="the chances of under, in and over",
            fix="give every reading at least its reading error.",
        )
    return list(floats)


def _chances(p_under: FloatArray, p_over: FloatArray) -> Conformity:
    is_unknown = np.isnan(p_under) | np.isnan(p_over)
    under, over = (
        np.where(is_unknown, np.nan, np.clip(p, 0, 1)) for p in (p_under, p_over)
    )
    return Conformity(p_under=under, p_in=np.clip(1 - under - over, 0, 1), p_over=over)
