"""Turnbull's estimate: where lives end that are known only within intervals."""

from dataclasses import dataclass

import numpy as np

from fleetbelt.errors import InputError
from fleetbelt.models.arrays import FloatArray, IntArray, sum_by
from fleetbelt.models.lives import End, Lives

_MOST_ROUNDS = 50_000


@dataclass(frozen=True, slots=True, kw_only=True)
class TurnbullMasses:
    """Where the non-parametric maximum likelihood puts the failures.

    Attributes
    ----------
    left_mi, right_mi, mass : ndarray of float, shape (n_masses,)
        ``mass`` (share of belts) fails in (left, right]; of an exact life, left is
        right; inf on the right is 'beyond all that was seen'.
    log_likelihood : float
        At the maximum.
    """

    left_mi: FloatArray
    right_mi: FloatArray
    mass: FloatArray
    log_likelihood: float


def turnbull(lives: Lives, *, tolerance: float = 1e-10) -> TurnbullMasses:
    """Estimate where lives end, some known within half-open intervals (lower, upper].

    Parameters
    ----------
    lives : Lives
        Exact, interval and right-censored lives (a running belt counts as censored when
        last seen), none entered late.
    tolerance : float, default 1e-10
        Iteration ends when no mass moves by more.

    Returns
    -------
    TurnbullMasses
        The innermost intervals that carry mass (of over 1e-6).

    Raises
    ------
    InputError
        If there is no belt, or one entered late.

    Notes
    -----
    Self-consistency (EM): each belt is spread over the innermost intervals it may have
    failed in, in proportion to their masses [1]_. Half-open intervals matter: where one
    inspection's end is the next one's start, closed ones would put mass on that point.

    References
    ----------
    .. [1] Turnbull, B. W. (1976), *JRSS B* 38, 290-295.
    """
    if lives.n == 0 or (lives.entry_mi > 0).any():
        raise InputError(
            what="Turnbull's estimate was given no belt, or one that entered late.",
            where="fleetbelt.models.turnbull",
            fix="use hazard_curve, which allows for late entry.",
        )
    is_exact = lives.end == End.EXACT
    has_end = is_exact | (lives.end == End.INTERVAL)
    upper = np.where(has_end, lives.upper_mi, np.inf)
    miles = np.unique(np.concatenate([lives.lower_mi, upper]))
    # at one mile come the left end of an exact life, then right ends, then open lefts
    left = 3 * np.searchsorted(miles, lives.lower_mi) + np.where(is_exact, 0, 2)
    right = 3 * np.searchsorted(miles, upper) + 1
    ends = np.unique(np.concatenate([left, right]))
    is_left = ends % 3 != 1
    inner = np.flatnonzero(is_left[:-1] & ~is_left[1:])
    # the innermost intervals that a belt may have failed in are first <= j < last
    first = np.searchsorted(ends[inner], left)
    last = np.searchsorted(ends[inner + 1], right, side="right")
    mass, chance = _spread(first, last, lives.weight / lives.weight.sum(), tolerance)
    keep = mass > 1e-6
    return TurnbullMasses(
        left_mi=miles[ends[inner][keep] // 3],
        right_mi=miles[ends[inner + 1][keep] // 3],
        mass=mass[keep],
        log_likelihood=float(lives.weight @ np.log(chance)),
    )


def _spread(
    first: IntArray, last: IntArray, weight: FloatArray, tolerance: float
) -> tuple[FloatArray, FloatArray]:
    """Run the EM; return the masses and each belt's chance of its own interval."""
    n = int(last.max())
    mass, chance = np.full(n, 1 / n), np.ones(first.size)
    for _ in range(_MOST_ROUNDS):
        below = np.concatenate([[0.0], np.cumsum(mass)])
        chance = below[last] - below[first]
        share = weight / chance
        opened = sum_by(first, share, n + 1) - sum_by(last, share, n + 1)
        moved = mass * np.cumsum(opened)[:n]
        if np.abs(moved - mass).max() < tolerance:
            break
        mass = moved
    return mass, chance
