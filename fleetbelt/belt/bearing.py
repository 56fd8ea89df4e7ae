"""What the belt's tension does to the bearing behind a pulley.

A bearing's load also holds the rotor's weight and dynamic forces; a life from tension
alone shows how sensitive the life is, not how long it lasts.
"""

from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from fleetbelt.belt.domain import FloatArray, not_negative, positive
from fleetbelt.belt.geometry import Layout
from fleetbelt.belt.slip import SpanTensions

BALL: Final = 3.0
"""Life exponent of ball bearings, ISO 281."""

ROLLER: Final = 10.0 / 3.0
"""Life exponent of roller bearings, ISO 281."""

_LEAST, _SCALE, _SHAPE = 0.02, 4.439, 1.483  # Weibull life in L10; Shigley, ch. 11


def hub_load_n(
    *,
    before_n: ArrayLike,
    after_n: ArrayLike,
    wrap_rad: ArrayLike,
    centrifugal_n: ArrayLike = 0.0,
) -> FloatArray:
    """Return the force with which the belt pulls on a pulley's shaft.

    Parameters
    ----------
    before_n, after_n : array_like of float, shape (n,)
        Tension of the spans that meet and leave the pulley, N; equal at rest.
    wrap_rad : array_like of float, shape (n,)
        Angle over which the pulley is touched, rad.
    centrifugal_n : array_like of float, shape (n,)
        ``m v**2``, N, in both tensions, that does not press on the pulley.

    Returns
    -------
    ndarray of float, shape (n,)
        ``sqrt(T1**2 + T2**2 - 2 T1 T2 cos(wrap))``, N; at rest ``2 T sin(wrap / 2)``.

    Raises
    ------
    InputError
        A tension net of ``m v**2`` is negative, or the wrap not above zero.
    """
    fc = not_negative("centrifugal_n", centrifugal_n)
    t1 = not_negative("before_n less m v**2", np.asarray(before_n) - fc)
    t2 = not_negative("after_n less m v**2", np.asarray(after_n) - fc)
    half_sine = np.sin(positive("wrap_rad", wrap_rad) / 2.0)
    load: FloatArray = np.hypot(t1 - t2, 2.0 * np.sqrt(t1 * t2) * half_sine)
    return load


def hub_loads_n(layout: Layout, tensions: SpanTensions) -> FloatArray:
    """Estimate the hub load of every pulley of a running drive.

    Parameters
    ----------
    layout : Layout
        The drive.
    tensions : SpanTensions
        Its tensions, from `fleetbelt.belt.slip.span_tensions`.

    Returns
    -------
    ndarray of float, shape (..., n_pulleys)
        Force on each shaft, N; a slack span pulls with nothing.
    """
    net = np.maximum(tensions.tension_n - tensions.centrifugal_n, 0.0)
    before = np.roll(net, 1, axis=-1)
    return hub_load_n(before_n=before, after_n=net, wrap_rad=layout.wrap_rad)


def basic_life_mrev(
    *, rating_n: ArrayLike, load_n: ArrayLike, exponent: float = BALL
) -> FloatArray:
    """Return the life that nine bearings in ten reach.

    Parameters
    ----------
    rating_n : array_like of float, shape (n,)
        Basic dynamic load rating C, N.
    load_n : array_like of float, shape (n,)
        Equivalent dynamic load P, N.
    exponent : float
        `BALL` or `ROLLER`.

    Returns
    -------
    ndarray of float, shape (n,)
        ``L10 = (C / P)**p``, millions of turns [1]_.

    Raises
    ------
    InputError
        A load is zero or negative.

    References
    ----------
    .. [1] ISO 281:2007, section 7.
    """
    return (positive("rating_n", rating_n) / positive("load_n", load_n)) ** exponent


def life_h(life_mrev: ArrayLike, *, speed_rpm: ArrayLike) -> FloatArray:
    """Return a life in hours at a steady speed.

    Parameters
    ----------
    life_mrev : array_like of float, shape (n,)
        Life, millions of turns.
    speed_rpm : array_like of float, shape (n,)
        Turns per minute.

    Returns
    -------
    ndarray of float, shape (n,)
        Life, hours.

    Raises
    ------
    InputError
        An argument is zero or negative.
    """
    turns_per_h = 60.0 * positive("speed_rpm", speed_rpm)
    return positive("life_mrev", life_mrev) * 1e6 / turns_per_h


def rating_needed_n(
    *,
    load_n: ArrayLike,
    life_mrev: ArrayLike,
    exponent: float = BALL,
    reliability: ArrayLike | None = None,
) -> FloatArray:
    """Return the load rating a bearing needs to reach a life.

    Parameters
    ----------
    load_n : array_like of float, shape (n,)
        Equivalent dynamic load P, N.
    life_mrev : array_like of float, shape (n,)
        Life wanted, millions of turns.
    exponent : float
        `BALL` or `ROLLER`.
    reliability : array_like of float, shape (n,), optional
        Share of bearings that must reach it, 0..1. Left out, the ISO 281 basic life,
        nine in ten, by definition.

    Returns
    -------
    ndarray of float, shape (n,)
        ``P L**(1 / p)``, N; L over `life_multiple` where a reliability is given [1]_.

    Raises
    ------
    InputError
        A load or life is zero or negative.

    References
    ----------
    .. [1] Shigley, *Mechanical Engineering Design*, 8th ed., eq. 11-3 and 11-7.
    """
    life = positive("life_mrev", life_mrev)
    if reliability is not None:
        life = life / life_multiple(reliability)
    return positive("load_n", load_n) * life ** (1.0 / exponent)


def life_multiple(reliability: ArrayLike) -> FloatArray:
    """Return the life that a share of bearings reaches, in basic lives.

    Parameters
    ----------
    reliability : array_like of float, shape (n,)
        Share of bearings still running, 0..1.

    Returns
    -------
    ndarray of float, shape (n,)
        ``0.02 + 4.439 ln(1 / R)**(1 / 1.483)``, dimensionless [1]_.

    References
    ----------
    .. [1] Shigley, *Mechanical Engineering Design*, 8th ed., chapter 11: one maker's
       Weibull parameters. At R = 0.9 they give 0.9935, not exactly 1.
    """
    hazard = -np.log(np.asarray(reliability, dtype=np.float64))
    multiple: FloatArray = _LEAST + _SCALE * hazard ** (1.0 / _SHAPE)
    return multiple


def reliability(life_multiple: ArrayLike) -> FloatArray:
    """Return the share of bearings that reach a life; `life_multiple` undone.

    Parameters
    ----------
    life_multiple : array_like of float, shape (n,)
        Life in basic lives, dimensionless.

    Returns
    -------
    ndarray of float, shape (n,)
        Share still running, 0..1; 1 up to the least life of 0.02.
    """
    beyond = np.asarray(life_multiple, dtype=np.float64) - _LEAST
    share: FloatArray = np.exp(-((np.maximum(beyond, 0.0) / _SCALE) ** _SHAPE))
    return share


def life_ratio(tension_ratio: ArrayLike, *, exponent: float = BALL) -> FloatArray:
    """Return how a bearing's life changes with the belt's tension.

    Parameters
    ----------
    tension_ratio : array_like of float, shape (n,)
        Tension over the tension of reference, dimensionless.
    exponent : float
        `BALL` or `ROLLER`.

    Returns
    -------
    ndarray of float, shape (n,)
        ``(T / T0)**-p``, dimensionless [1]_.

    Raises
    ------
    InputError
        The ratio is zero or negative.

    Notes
    -----
    All of the load is taken to grow with the tension, so the real change is smaller.

    References
    ----------
    .. [1] ISO 281:2007, section 7.
    """
    return positive("tension_ratio", tension_ratio) ** -exponent
