"""Whether a technician's settings hold better or worse than was to be expected."""

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt
from numpy.polynomial.hermite_e import hermegauss
from scipy.special import betainc, gammainc, gammaincc

from fleetbelt.errors import InputError
from fleetbelt.models.arrays import BoolArray, FloatArray

LEAST_EXPECTED: Final = 5.0  # complaints; of fewer, too little is known
LEAST_SETTINGS: Final = 20  # fewer are too few to judge by
_NODES, _WEIGHTS = hermegauss(15)
FALSE_DISCOVERIES: Final = 0.05  # most of those marked that may be so by chance


@dataclass(frozen=True, slots=True, kw_only=True)
class Standings:
    """Where each technician stands against expectation.

    Attributes
    ----------
    p_value : ndarray of float, shape (n_technicians,)
        Chance of a difference as large either way, were there none; NaN: too few.
    standing : ndarray of str, shape (n_technicians,)
        better, as_expected, worse or too_few; of counts fewer, as_expected, more or
        too_few.
    """

    p_value: FloatArray
    standing: npt.NDArray[np.str_]


def standings(
    held: npt.ArrayLike,
    n: npt.ArrayLike,
    expected: npt.ArrayLike,
    variance: npt.ArrayLike,
    *,
    doubt: npt.ArrayLike = 0.0,
) -> Standings:
    """Mark the technicians whose settings hold unlike what was expected of them.

    Parameters
    ----------
    held, n : array_like, shape (n_technicians,)
        Settings that held, of how many.
    expected, variance : array_like, shape (n_technicians,)
        Sums over the settings of the chance p of holding, and of ``p (1 - p)``.
    doubt : array_like, shape (n_technicians,)
        Standard uncertainty of ``expected`` that all settings of a technician share,
        such as the error of a gauge's correction.

    Returns
    -------
    Standings
        With Benjamini and Hochberg's control [1]_ of the share of false marks over all
        who have `LEAST_SETTINGS` or more: with equal technicians, a fleet has any mark
        at all once in 20 at most.

    Raises
    ------
    InputError
        If counts or chances are impossible.

    Notes
    -----
    Two-sided p-value: twice the smaller tail. Each tail is that of the binomial with
    the mean and variance of the count (of those that held below, of those that did not
    above): exact where all chances are alike; where they differ it was never seen too
    small, and up to 1.6 times too large for chances such as those of Beta(8, 2). The
    normal tail would be up to 3 times too small for a good technician's few failures.
    Where ``expected`` is in doubt, tails are averaged over it (normal, cut to what is
    possible; Gauss-Hermite, 15 points), its variance following its mean.

    References
    ----------
    .. [1] Benjamini, Y. and Hochberg, Y. (1995), *JRSS B* 57, 289-300.
    """
    x, n_, mean, var = _checked(held, n, expected, variance)
    tails = _tails(x, n_, mean, var, np.asarray(doubt, dtype=float))
    is_judged = n_ >= LEAST_SETTINGS
    p_value = np.where(is_judged, np.minimum(1.0, 2 * tails.min(axis=0)), np.nan)
    is_marked = np.zeros(n_.size, dtype=np.bool_)
    is_marked[is_judged] = discoveries(p_value[is_judged])
    words = np.select(
        [~is_judged, is_marked & (x < mean), is_marked],
        ["too_few", "worse", "better"],
        "as_expected",
    )
    return Standings(p_value=p_value, standing=words)


def count_standings(
    observed: npt.ArrayLike, expected: npt.ArrayLike, *, variance_ratio: float = 1.0
) -> Standings:
    """Mark the technicians of whose work more or less is heard than was expected.

    Parameters
    ----------
    observed, expected : array_like, shape (n_technicians,)
        Complaints, and those expected.
    variance_ratio : float, default 1
        Variance of the counts over that of Poisson's, where complaints cluster.

    Returns
    -------
    Standings
        more, as_expected, fewer, or too_few where under `LEAST_EXPECTED` are expected;
        with the control of `standings`.

    Raises
    ------
    InputError
        If a count is negative or missing.

    Notes
    -----
    Two-sided p-value: twice the smaller Poisson tail of x / phi about E / phi, by the
    incomplete gamma function.
    """
    x, mean = (np.asarray(a, dtype=float) for a in (observed, expected))
    if not np.all((x >= 0) & (mean >= 0) & (variance_ratio >= 1)):
        raise InputError(
            what="Complaints, or those expected, are negative or missing.",
            where="fleetbelt.models.technician_standing",
            fix="pass counts of 0 or more, and a variance ratio of 1 or more.",
        )
    k, m = x / variance_ratio, np.maximum(mean, 1e-300) / variance_ratio
    at_least = np.where(k > 0, gammainc(np.maximum(k, 1e-300), m), 1.0)
    tails = np.minimum(gammaincc(k + 1, m), at_least)
    is_judged = mean >= LEAST_EXPECTED
    p_value = np.where(is_judged, np.minimum(1.0, 2 * tails), np.nan)
    is_marked = np.zeros(mean.size, dtype=np.bool_)
    is_marked[is_judged] = discoveries(p_value[is_judged])
    words = np.select(
        [~is_judged, is_marked & (x < mean), is_marked],
        ["too_few", "fewer", "more"],
        "as_expected",
    )
    return Standings(p_value=p_value, standing=words)


def levelled(
    held: npt.ArrayLike,
    n: npt.ArrayLike,
    expected: npt.ArrayLike,
    variance: npt.ArrayLike,
) -> tuple[FloatArray, FloatArray]:
    """Return expectations that sum to what the whole fleet held.

    Parameters
    ----------
    held, n, expected, variance : array_like, shape (n_technicians,)
        As in `standings`.

    Returns
    -------
    tuple of two ndarray of float, shape (n_technicians,)
        Sums of the chances and of p (1 - p) after the log odds of all settings moved by
        one a, to first order: ``expected + a variance``.

    Raises
    ------
    InputError
        If counts or chances are impossible.

    Notes
    -----
    A model that is a little too hopeful of everyone would mark everyone with many
    settings as worse. Held against this, technicians are compared with each other.
    """
    x, n_, mean, var = _checked(held, n, expected, variance)
    total = var.sum()
    shift = (x - mean).sum() / total if total > 0 else 0.0
    moved = np.clip(mean + shift * var, 0.0, n_)
    room = mean * (n_ - mean)
    ratio = np.divide(
        moved * (n_ - moved), room, out=np.ones_like(room), where=room > 0
    )
    return moved, var * ratio


def discoveries(
    p_value: npt.ArrayLike, *, level: float = FALSE_DISCOVERIES
) -> BoolArray:
    """Return which hypotheses fall by Benjamini and Hochberg's step-up rule.

    Parameters
    ----------
    p_value : array_like, shape (n,)
        Of each hypothesis, none missing.
    level : float, default 0.05
        Bound on the expected share of false ones among those that fall.

    Returns
    -------
    ndarray of bool, shape (n,)
        True up to the largest p-value with ``p_(k) <= level k / n`` [1]_.

    References
    ----------
    .. [1] Benjamini, Y. and Hochberg, Y. (1995), *JRSS B* 57, 289-300.
    """
    p = np.asarray(p_value, dtype=float)
    ordered = np.sort(p)
    is_below = ordered <= level * np.arange(1, p.size + 1) / max(p.size, 1)
    return np.asarray(p <= np.max(ordered, where=is_below, initial=-1.0))


def _tails(
    x: FloatArray, n: FloatArray, mean: FloatArray, var: FloatArray, doubt: FloatArray
) -> FloatArray:
    """Tails below and above, averaged over what ``mean`` may be; shape (2, n)."""
    room = mean * (n - mean)
    tails = np.zeros((2, x.size))
    for z, weight in zip(_NODES, _WEIGHTS / _WEIGHTS.sum(), strict=True):
        at = np.clip(mean + z * doubt, 0.0, n)
        ratio = at * (n - at) / np.where(room > 0, room, 1.0)
        spread = np.where(room > 0, var * ratio, var)
        tails += weight * np.stack(
            [_at_most(x, at, spread), _at_most(n - x, n - at, spread)]
        )
    return tails


def _at_most(k: FloatArray, mean: FloatArray, variance: FloatArray) -> FloatArray:
    """Tail of k or fewer, of the binomial of this mean and variance.

    ``p = 1 - variance / mean, n = mean / p; P(X <= k) = I_(1-p)(n - k, k + 1)``.
    """
    is_possible = mean > 0
    q = np.divide(variance, mean, out=np.zeros_like(mean), where=is_possible)
    q = np.minimum(q, 1 - 1e-12)
    left = mean / (1 - q) - k
    tail = betainc(np.maximum(left, 1e-300), k + 1, q)
    return np.where(is_possible & (left > 1e-9), tail, 1.0)


def _checked(
    held: npt.ArrayLike,
    n: npt.ArrayLike,
    expected: npt.ArrayLike,
    variance: npt.ArrayLike,
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    x, n_, mean, var = (
        np.asarray(a, dtype=float) for a in (held, n, expected, variance)
    )
    most = mean * (n_ - mean) / np.maximum(n_, 1.0)  # variance were all chances alike
    slack = 1e-9 * (1 + n_)
    is_count = (x >= 0) & (x <= n_) & (mean >= -slack) & (mean <= n_ + slack)
    if not np.all(is_count & (var >= -slack) & (var <= most + slack)):
        raise InputError(
            what="Settings that held, or the chances that they would, are impossible.",
            where="fleetbelt.models.technician_standing",
            fix="pass 0 <= held <= n, and the sums of chances p and of p (1 - p).",
        )
    return x, n_, np.clip(mean, 0.0, n_), np.maximum(var, 0.0)
