"""Intervals of a share, for one group or for many at once."""

import numpy as np
import numpy.typing as npt
from scipy.special import ndtri

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


def newcombe(
    first: tuple[int, int], second: tuple[int, int], *, confidence: float = 0.95
) -> tuple[float, float]:
    """Return Newcombe's interval of the difference of two shares, first less second.

    Parameters
    ----------
    first, second : (int, int)
        Successes and units looked at of each group.
    confidence : float, default 0.95
        Chance that the interval holds the true difference, about.

    Returns
    -------
    tuple of two float
        Lower and upper limit, -1 to 1.

    Raises
    ------
    InputError
        If a count is not a number, negative, or larger than its ``n``.

    Notes
    -----
    Method 10 of [1]_: with Wilson limits l and u of each share p, the difference d lies
    between ``d - sqrt((p1 - l1)**2 + (u2 - p2)**2)`` and
    ``d + sqrt((u1 - p1)**2 + (p2 - l2)**2)``; from -1 to 1 where a group is empty.

    References
    ----------
    .. [1] Newcombe, R. G. (1998), *Statistics in Medicine* 17, 873-890.
    """
    (x1, n1), (x2, n2) = first, second
    (l1, l2), (u1, u2) = (
        limit.tolist() for limit in wilson([x1, x2], [n1, n2], confidence=confidence)
    )
    if not n1 or not n2:
        return -1.0, 1.0
    p1, p2 = x1 / n1, x2 / n2
    down = ((p1 - l1) ** 2 + (u2 - p2) ** 2) ** 0.5
    up = ((u1 - p1) ** 2 + (p2 - l2) ** 2) ** 0.5
    return p1 - p2 - down, p1 - p2 + up


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
