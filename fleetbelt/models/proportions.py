"""Intervals of a share, for one group or for many at once."""

import numpy as np
import numpy.typing as npt
from scipy.special import betaincinv, ndtri

from fleetbelt.errors import InputError
from fleetbelt.models.arrays import FloatArray


def wilson(
    successes: npt.ArrayLike, n: npt.ArrayLike, *, confidence: float = 0.95
) -> tuple[FloatArray, FloatArray]:
    """Return Wilson's score interval of a share.

    Parameters
    ----------
    successes : array_like, shape (n_groups,)
        Units that have the property.
    n : array_like, shape (n_groups,)
        Units looked at; broadcast against ``successes``.
    confidence : float, default 0.95
        Chance that the interval holds the true share, about.

    Returns
    -------
    tuple of two ndarray of float, shape (n_groups,)
        Lower and upper limit, 0 to 1; (0, 1) where ``n`` is 0.

    Raises
    ------
    InputError
        If a count is not a number, negative, or larger than its ``n``.

    Notes
    -----
    The limits solve ``(x/n - p)**2 = z**2 p (1 - p) / n`` for p [1]_; at no and at all
    successes the near limit is exactly 0 or 1.

    References
    ----------
    .. [1] Wilson, E. B. (1927), *JASA* 22, 209-212.
    """
    x, n_ = _checked(successes, n)
    z2 = ndtri(0.5 + confidence / 2) ** 2
    centre = x + z2 / 2
    half = np.sqrt(z2 * (x * (n_ - x) / np.maximum(n_, 1.0) + z2 / 4))
    lower = np.where(x == 0, 0.0, (centre - half) / (n_ + z2))
    upper = np.where(x == n_, 1.0, (centre + half) / (n_ + z2))
    return lower, upper


def clopper_pearson(
    successes: npt.ArrayLike, n: npt.ArrayLike, *, confidence: float = 0.95
) -> tuple[FloatArray, FloatArray]:
    """Return the exact (conservative) interval of a share.

    Parameters
    ----------
    successes : array_like, shape (n_groups,)
        Units that have the property.
    n : array_like, shape (n_groups,)
        Units looked at; broadcast against ``successes``.
    confidence : float, default 0.95
        Least chance that the interval holds the true share.

    Returns
    -------
    tuple of two ndarray of float, shape (n_groups,)
        Lower and upper limit, 0 to 1; (0, 1) where ``n`` is 0.

    Raises
    ------
    InputError
        If a count is not a number, negative, or larger than its ``n``.

    Notes
    -----
    Quantiles of Beta(x, n - x + 1) and Beta(x + 1, n - x) [1]_.

    References
    ----------
    .. [1] Clopper, C. J. and Pearson, E. S. (1934), *Biometrika* 26, 404-413.
    """
    x, n_ = _checked(successes, n)
    tail = (1 - confidence) / 2
    lower = betaincinv(np.maximum(x, 1.0), n_ - x + 1, tail)
    upper = betaincinv(x + 1, np.maximum(n_ - x, 1.0), 1 - tail)
    return np.where(x == 0, 0.0, lower), np.where(x == n_, 1.0, upper)


def _checked(
    successes: npt.ArrayLike, n: npt.ArrayLike
) -> tuple[FloatArray, FloatArray]:
    x, n_ = np.broadcast_arrays(
        np.asarray(successes, dtype=float), np.asarray(n, dtype=float)
    )
    if not np.all((x >= 0) & (x <= n_)):
        raise InputError(
            what="A share has counts that are negative, missing or exceed their total.",
            where="fleetbelt.models.proportions",
            fix="pass counts with 0 <= successes <= n.",
        )
    return x, n_
