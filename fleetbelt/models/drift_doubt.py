"""What few belts do not know of the spreads: which other spreads are likely too."""

from dataclasses import astuple
from typing import Final

import numpy as np
from scipy.special import ndtr, ndtri

from fleetbelt.models.arrays import FloatArray
from fleetbelt.models.drift_filter import Spreads
from fleetbelt.models.drift_likelihood import SpreadLikelihood

FEW_BELTS: Final = 300  # with more the spreads are as good as known
N_TRIED: Final = 256
N_LIKELY: Final = 24
_FALL: Final = 2.0  # of the deviance, over one width
_FIRST_STEP, _FARTHEST = 0.05, 100.0  # of a spread, when its width is looked for


def likely_spreads(
    likelihood: SpreadLikelihood, best: Spreads
) -> list[tuple[float, Spreads]]:
    """Draw spreads from what the readings leave open.

    Parameters
    ----------
    likelihood : SpreadLikelihood
        Of the readings of all belts.
    best : Spreads
        Those that are likeliest.

    Returns
    -------
    list of (float, Spreads)
        Spreads, and the shares that they have of the posterior.

    Notes
    -----
    Posterior with the restricted likelihood, flat in the log of the reading's sd beside
    its prior and in the other spreads themselves [1]_: sampling by importance about
    the best, at the points of an additive recurrence [2]_, resampled evenly.

    References
    ----------
    .. [1] Gelman, A. (2006), *Bayesian Anal.* 1, 515-534: flat on a standard deviation.
    .. [2] Niederreiter, H. (1992), *Random Number Generation and Quasi-Monte Carlo
       Methods*, ch. 3.
    """
    middle = np.array(astuple(best))
    is_open = np.isfinite(likelihood.start())
    scale = np.where(is_open, np.exp(likelihood.start()), 0.0)
    width = _widths(likelihood, middle, np.maximum(middle, 0.3 * scale))
    below = ndtr(-middle[1:] / width[1:])  # what a normal would have under zero
    at = ndtri(
        np.column_stack([_even(slice(0, 1)), below + (1 - below) * _even(slice(1, 4))])
    )
    tried = np.where(is_open, middle + width * at, 0.0)
    tried[:, 0] = middle[0] * np.exp(width[0] * at[:, 0])
    with np.errstate(divide="ignore"):
        deviance = np.array(likelihood.deviances(list(np.log(tried))))
    log_share = -0.5 * deviance + 0.5 * (at[:, is_open] ** 2).sum(axis=1)
    share = np.exp(log_share - log_share.max())
    evenly = (np.arange(N_LIKELY) + 0.5) / N_LIKELY
    drawn = np.searchsorted(np.cumsum(share) / share.sum(), evenly)
    places, n = np.unique(drawn, return_counts=True)
    return [
        (count / N_LIKELY, _spreads(tried[place]))
        for place, count in zip(places, n.tolist(), strict=True)
    ]


def _spreads(values: FloatArray) -> Spreads:
    reading, interval, run_in, slope = values.tolist()
    return Spreads(reading=reading, interval=interval, run_in=run_in, slope=slope)


def _even(places: slice) -> FloatArray:
    """Spread points evenly over the unit cube of the four spreads; some coordinates."""
    step = 1.1673039782614187 ** -np.arange(1.0, 5.0)  # x**5 = x + 1
    return ((np.arange(1, N_TRIED + 1)[:, None] * step + 0.5) % 1.0)[:, places]


def _widths(
    likelihood: SpreadLikelihood, middle: FloatArray, scale: FloatArray
) -> FloatArray:
    """How far each spread may rise alone until it is clearly less likely; r by its log.

    In standard deviations it is a half more: they make room for each other.
    """

    def deviance(spreads: FloatArray) -> float:
        with np.errstate(divide="ignore"):
            return likelihood.deviance(np.log(spreads))

    least, widths = deviance(middle), []
    for place, unit in enumerate(scale):
        if not unit:  # the readings say nothing of it
            widths.append(1.0)
            continue
        step, fall = _FIRST_STEP, 0.0
        while fall < _FALL and step < _FARTHEST:
            step *= 2
            up = middle.copy()
            up[place] = (
                middle[0] * np.exp(step) if place == 0 else up[place] + step * unit
            )
            fall = deviance(up) - least
        widths.append(
            1.5 * step / max(fall, 1.0) ** 0.5 * (1.0 if place == 0 else unit)
        )
    return np.array(widths)
