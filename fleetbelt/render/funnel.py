"""Funnel limits: how far a share may lie from a target by the draw alone."""

import numpy as np
import numpy.typing as npt
from scipy.special import bdtr

from fleetbelt.models.arrays import FloatArray


def funnel_limit(n: npt.ArrayLike, target: float, probability: float) -> FloatArray:
    """Return the share below which a unit falls with a given probability.

    Parameters
    ----------
    n : array_like of int, shape (n_units,)
        Trials of each unit, 1 or more.
    target : float
        The share that every unit is held to, between 0 and 1.
    probability : float
        0.025 and 0.975 make the limits of a 95 % funnel.

    Returns
    -------
    ndarray of float, shape (n_units,)
        Clipped to 0 to 1.

    Notes
    -----
    With r the binomial quantile, the limit is interpolated between the steps of the
    distribution F [1]_: ``(r - (F(r) - p) / (F(r) - F(r - 1))) / n``.

    References
    ----------
    .. [1] Spiegelhalter, D. J. (2005), *Statistics in Medicine* 24, 1185-1202, app. A.
    """
    trials = np.asarray(n, dtype=int)
    if not 0 < target < 1:
        return np.full(trials.shape, float(target))
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
