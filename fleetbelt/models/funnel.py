"""Funnels of shares: how far one may lie from a target by the draw, and by habit.

The convention is Spiegelhalter's [1]_: interpolated exact binomial limits; where the
units differ by more than the draw, an additive variance between units widens them.

References
----------
.. [1] Spiegelhalter, D. J. (2005), *Statistics in Medicine* 24, 1185-1202.
"""

from typing import Final

import numpy as np
import numpy.typing as npt
from scipy.special import bdtr, chdtrc, ndtri

from fleetbelt.models.arrays import FloatArray

TRIM: Final = 0.10  # share of units drawn in at each end
LEVEL: Final = 0.05  # chance that units alike seem to differ


def funnel_limit(
    n: npt.ArrayLike, target: float, probability: float, *, between_sd: float = 0.0
) -> FloatArray:
    """Return the share below which a unit falls with a given probability.

    Parameters
    ----------
    n : array_like of int, shape (n_units,)
        Trials of each unit, 1 or more.
    target : float
        The share that every unit is held to, between 0 and 1.
    probability : float
        0.025 and 0.975 make the limits of a 95 % funnel.
    between_sd : float, default 0
        Standard deviation between units to be allowed for (`between_units`).

    Returns
    -------
    ndarray of float, shape (n_units,)
        Clipped to 0 to 1.

    Notes
    -----
    With r the binomial quantile, the limit is interpolated between the steps of the
    distribution F [1]_: ``(r - (F(r) - p) / (F(r) - F(r - 1))) / n``; with a variance
    between units it is normal, ``target + z sqrt(target (1 - target) / n + sd**2)``.

    References
    ----------
    .. [1] Spiegelhalter, D. J. (2005), *Statistics in Medicine* 24, 1185-1202, app. A.
    """
    trials = np.asarray(n, dtype=int)
    if not 0 < target < 1:
        return np.full(trials.shape, float(target))
    if between_sd > 0:
        half = np.sqrt(target * (1 - target) / trials + between_sd**2)
        return np.asarray(np.clip(target + ndtri(probability) * half, 0.0, 1.0))
    steps = np.arange(int(trials.max(initial=1)) + 1)
    cumulative = bdtr(steps[None, :], trials[:, None], target)
    cumulative = np.where(steps[None, :] >= trials[:, None], 1.0, cumulative)
    r = (cumulative >= probability).argmax(axis=1)
    row = np.arange(trials.size)
    at = cumulative[row, r]
    before = np.where(r > 0, cumulative[row, np.maximum(r - 1, 0)], 0.0)
    limit = (r - (at - probability) / (at - before)) / trials
    clipped: FloatArray = np.clip(limit, 0.0, 1.0)
    return clipped


def between_units(successes: npt.ArrayLike, n: npt.ArrayLike, target: float) -> float:
    """Return the sd of the units' true shares beyond the draw, 0 where none shows.

    Parameters
    ----------
    successes, n : array_like, shape (n_units,)
        Counts of each unit, n 1 or more.
    target : float
        The share that every unit is held to.

    Returns
    -------
    float
        tau.

    Notes
    -----
    ``z = (y - target) / s, s**2 = target (1 - target) / n``; the `TRIM` most extreme at
    each end are drawn in to the next (Winsorised), so that who differs does not hide
    himself. ``phi = mean(z**2)``; where I phi is beyond the chi-squared of I degrees at
    `LEVEL`, ``tau**2 = (I phi - (I - 1)) / (sum w - sum w**2 / sum w)``, w = 1 / s**2
    [1]_.

    References
    ----------
    .. [1] Spiegelhalter, D. J. (2005), *Statistics in Medicine* 24, 1185-1202, app. A.
    """
    x, trials = np.asarray(successes, dtype=float), np.asarray(n, dtype=float)
    if x.size < 2 or not 0 < target < 1:
        return 0.0
    weight = trials / (target * (1 - target))
    z = np.sort((x / trials - target) * np.sqrt(weight))
    cut = int(z.size * TRIM)
    z = np.clip(z, z[cut], z[z.size - 1 - cut])
    squares = float(z @ z)
    if chdtrc(z.size, squares) > LEVEL:
        return 0.0
    freedom = weight.sum() - weight @ weight / weight.sum()
    return float(np.sqrt(max(0.0, squares - (z.size - 1)) / freedom))
