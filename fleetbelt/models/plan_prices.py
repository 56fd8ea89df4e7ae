"""What a minute of each week is worth: prices at which no plan can cost less."""

from dataclasses import dataclass
from typing import Final

import numpy as np

from fleetbelt.models.arrays import BoolArray, FloatArray, IntArray

_HEATS: Final = 8.0 ** -np.arange(6)  # of the smoothed bound, one after the other
_STEPS, _HALVINGS = 8, 10  # of Newton at one heat, and of one step
_LONGEST: Final = 8.0  # step in heats: beyond, the curvature says nothing
_NEAR: Final = 1e-3  # share of the minutes wanted in excess at which a heat is done
_BLOCK: Final = 4096  # visits at a time
_UNDECIDED: Final = 1e-6  # a visit with less for its other weeks has no curvature
_SAMPLE, _HOT = 4096, 2  # visits that are enough for the first heats, so many of them


@dataclass(frozen=True, slots=True, kw_only=True)
class _Smoothed:
    """The smoothed bound at some prices, its slope and its curvature (turned up)."""

    value: float
    slope: FloatArray  # shape (n_weeks,)
    curvature: FloatArray  # shape (n_weeks, n_weeks)
    undecided: IntArray  # visits that have something for more than one week
    decided: FloatArray  # minutes that the other visits want, shape (n_weeks,)


def week_prices(
    minutes: FloatArray, cost: FloatArray, room: FloatArray, *, scale: float
) -> FloatArray:
    """Return prices of the weeks' minutes at which the bound of the plan is highest.

    Parameters
    ----------
    minutes : ndarray of float, shape (n_visits,)
        Length of each visit.
    cost : ndarray of float, shape (n_visits, n_weeks + 1)
        Of each visit in each week, and in the last column in none.
    room : ndarray of float, shape (n_weeks,)
        Minutes of each week.
    scale : float
        A cost that matters to a visit, above 0: the first heat.

    Returns
    -------
    ndarray of float, shape (n_weeks + 1,)
        Cost a minute, 0 or more; the last is 0, of no week.

    Notes
    -----
    The bound ``Σ_v min_w (cost + λ minutes) - λ · room`` is concave in the prices λ and
    has edges. The least cost of a visit is smoothed, ``-T log Σ exp(-cost / T)``, and
    climbed by Newton's method while the heat T falls; a week whose price is 0 and that
    has room to spare keeps its price. Of many visits some show where to begin, and what
    is decided at one heat is so at all lower ones.
    """
    heats = (scale * _HEATS).tolist()
    some = slice(None, None, max(minutes.size // _SAMPLE, 1))
    share = minutes[some].sum() / minutes.sum()
    prices = np.zeros(room.size)
    for heat in heats[:_HOT]:
        prices, _ = _climbed(minutes[some], cost[some], share * room, prices, heat)
    for heat in heats[_HOT - 1 :]:
        prices, there = _climbed(minutes, cost, room, prices, heat)
        minutes, cost = minutes[there.undecided], cost[there.undecided]
        room = room - there.decided
        if not minutes.size:
            break
    return np.append(prices, 0.0)


def _climbed(
    minutes: FloatArray,
    cost: FloatArray,
    room: FloatArray,
    prices: FloatArray,
    heat: float,
) -> tuple[FloatArray, _Smoothed]:
    """Climb the smoothed bound of one heat, as far as the minutes wanted show it."""
    here = _smoothed(minutes, cost, room, prices, heat)
    longest = _LONGEST * heat / float(minutes.mean())
    for _ in range(_STEPS):
        is_free = (prices > 0) | (here.slope > 0)
        if np.abs(here.slope[is_free]).sum() <= _NEAR * (room.sum() + 1.0):
            break
        step = _step(here, is_free, longest)
        for _ in range(_HALVINGS):
            at = np.maximum(prices + step, 0.0)
            there = _smoothed(minutes, cost, room, at, heat)
            if there.value > here.value:
                break
            step /= 2
        else:
            break
        prices, here = at, there
    return prices, here


def _step(here: _Smoothed, is_free: BoolArray, longest: float) -> FloatArray:
    """Newton's step of the free prices, no longer than some."""
    step = np.zeros(is_free.size)
    curvature = here.curvature[np.ix_(is_free, is_free)]
    ridge = 1e-9 * np.trace(here.curvature) + 1e-9
    step[is_free] = np.linalg.solve(
        curvature + ridge * np.eye(len(curvature)), here.slope[is_free]
    )
    return step * min(1.0, longest / max(float(np.abs(step).max()), longest))


def _smoothed(
    minutes: FloatArray,
    cost: FloatArray,
    room: FloatArray,
    prices: FloatArray,
    heat: float,
) -> _Smoothed:
    """Work out the smoothed bound, block by block."""
    every = np.append(prices, 0.0)
    value = -float(prices @ room)
    decided, wavering = np.zeros(room.size), np.zeros(room.size)
    curvature = np.zeros((room.size, room.size))
    undecided = []
    for start in range(0, minutes.size, _BLOCK):
        length = minutes[start : start + _BLOCK, None]
        priced = cost[start : start + _BLOCK] + every * length
        least = priced.min(axis=1, keepdims=True)
        share = np.exp((least - priced) / heat)
        total = share.sum(axis=1, keepdims=True)
        value += float((least - heat * np.log(total)).sum())
        wanted = share[:, :-1] * (length / total)
        is_open = total[:, 0] > 1.0 + _UNDECIDED
        undecided.append(start + np.flatnonzero(is_open))
        some = wanted[is_open]
        decided += wanted[~is_open].sum(axis=0)
        wavering += some.sum(axis=0)
        curvature -= some.T @ some
        curvature[np.diag_indices(room.size)] += (length[is_open] * some).sum(axis=0)
    return _Smoothed(
        value=value,
        slope=decided + wavering - room,
        curvature=curvature / heat,
        undecided=np.concatenate(undecided),
        decided=decided,
    )
