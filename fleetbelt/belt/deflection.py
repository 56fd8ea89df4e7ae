"""The force that pushes a span aside, and the tension behind that force."""

from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from fleetbelt.belt.domain import FloatArray, not_negative, positive
from fleetbelt.units import STANDARD_GRAVITY_M_S2

INCH_RULE: Final = 1.0 / 64.0
"""Deflection per length of span of the inch rule: 1/64 in per in."""

METRIC_RULE: Final = 16.0 / 1000.0
"""Deflection per length of span of the metric rule: 16 mm per m, 2.4 % more."""


def deflection_force_n(
    *,
    tension_n: ArrayLike,
    span_mm: ArrayLike,
    deflection_mm: ArrayLike,
    stretch_n_per_mm: ArrayLike = 0.0,
) -> FloatArray:
    """Return the force at mid-span that holds a deflection, by exact geometry.

    Parameters
    ----------
    tension_n : array_like of float, shape (n,)
        Static tension before the span is pushed, N.
    span_mm : array_like of float, shape (n,)
        Free length between the tangent points, mm.
    deflection_mm : array_like of float, shape (n,)
        Movement of the middle of the span, mm.
    stretch_n_per_mm : array_like of float, shape (n,)
        Tension gained per mm of added path, N/mm: EA over the length that stretches,
        the whole belt if it feeds round the pulleys, else the span alone. 0 leaves
        stretch out.

    Returns
    -------
    ndarray of float, shape (n,)
        ``F = 2 T' sin(a)`` with ``tan(a) = 2 d / L`` and
        ``T' = T + k (sqrt(L**2 + 4 d**2) - L)``, N [1]_.

    Raises
    ------
    InputError
        The tension, span or deflection is not above zero, or the stretch negative.

    References
    ----------
    .. [1] Statics of a string pulled aside; the stretch term is Hooke's law.
    """
    span = positive("span_mm", span_mm)
    d = positive("deflection_mm", deflection_mm)
    pulled_n = positive("tension_n", tension_n) + _gain_n(span, d, stretch_n_per_mm)
    return _two_sines(span, d) * pulled_n


def tension_from_deflection_n(
    *,
    force_n: ArrayLike,
    span_mm: ArrayLike,
    deflection_mm: ArrayLike,
    stretch_n_per_mm: ArrayLike = 0.0,
) -> FloatArray:
    """Return the static tension behind a deflection force; `deflection_force_n` undone.

    Parameters
    ----------
    force_n : array_like of float, shape (n,)
        Force at mid-span, N.
    span_mm : array_like of float, shape (n,)
        Free length between the tangent points, mm.
    deflection_mm : array_like of float, shape (n,)
        Movement of the middle of the span, mm.
    stretch_n_per_mm : array_like of float, shape (n,)
        Tension gained per mm of added path, N/mm; see `deflection_force_n`.

    Returns
    -------
    ndarray of float, shape (n,)
        Static tension, N; negative where the force is less than stretch alone gives.

    Raises
    ------
    InputError
        The force, span or deflection is not above zero, or the stretch negative.
    """
    span = positive("span_mm", span_mm)
    d = positive("deflection_mm", deflection_mm)
    pulled_n = positive("force_n", force_n) / _two_sines(span, d)
    return pulled_n - _gain_n(span, d, stretch_n_per_mm)


def handbook_force_n(
    *,
    tension_n: ArrayLike,
    span_mm: ArrayLike,
    deflection_mm: ArrayLike,
    stretch_n_per_mm: ArrayLike = 0.0,
) -> FloatArray:
    """Return the deflection force for a small deflection, the handbook's form.

    Parameters
    ----------
    tension_n : array_like of float, shape (n,)
        Static tension before the span is pushed, N.
    span_mm : array_like of float, shape (n,)
        Free length between the tangent points, mm.
    deflection_mm : array_like of float, shape (n,)
        Movement of the middle of the span, mm.
    stretch_n_per_mm : array_like of float, shape (n,)
        Tension gained per mm of added path, N/mm; see `deflection_force_n`.

    Returns
    -------
    ndarray of float, shape (n,)
        ``F = (4 d / L) (T + k 2 d**2 / L)``, N. With the inch rule ``d = L / 64`` this
        is ``F = (T + (L / L_b) Y) / 16`` with the belt constant ``Y = EA / 2048`` [1]_.

    Raises
    ------
    InputError
        The tension, span or deflection is not above zero, or the stretch negative.

    References
    ----------
    .. [1] The form of MPTA/RMA IP-20, value from memory; the constants derived.
    """
    span = positive("span_mm", span_mm)
    d = positive("deflection_mm", deflection_mm)
    k = not_negative("stretch_n_per_mm", stretch_n_per_mm)
    pulled_n = positive("tension_n", tension_n) + k * 2.0 * d**2 / span
    return 4.0 * d / span * pulled_n


def belt_constant_n(axial_n: ArrayLike) -> FloatArray:
    """Return the belt constant Y of the handbook's deflection force.

    Parameters
    ----------
    axial_n : array_like of float, shape (n,)
        Axial stiffness EA of the whole belt's width, N.

    Returns
    -------
    ndarray of float, shape (n,)
        ``Y = EA / 2048``, N: the stretch of the inch rule, ``2 (1 / 64)**2`` of EA.
    """
    return not_negative("axial_n", axial_n) * 2.0 * INCH_RULE**2


def sag_mm(
    *, tension_n: ArrayLike, span_mm: ArrayLike, mass_g_per_m: ArrayLike
) -> FloatArray:
    """Return how far a level span hangs under its own weight.

    Parameters
    ----------
    tension_n : array_like of float, shape (n,)
        Static tension, N.
    span_mm : array_like of float, shape (n,)
        Length of the level span, mm.
    mass_g_per_m : array_like of float, shape (n,)
        Mass of the belt per length, g/m.

    Returns
    -------
    ndarray of float, shape (n,)
        ``w L**2 / (8 T)``, mm [1]_.

    Raises
    ------
    InputError
        An argument is zero or negative.

    References
    ----------
    .. [1] Shigley, *Mechanical Engineering Design*, 8th ed., section 17-2, the dip.
    """
    weight_n_per_mm = positive("mass_g_per_m", mass_g_per_m) * STANDARD_GRAVITY_M_S2
    span = positive("span_mm", span_mm)
    return weight_n_per_mm / 1e6 * span**2 / (8.0 * positive("tension_n", tension_n))


def _two_sines(span: FloatArray, d: FloatArray) -> FloatArray:
    sines: FloatArray = 4.0 * d / np.hypot(span, 2.0 * d)
    return sines


def _gain_n(span: FloatArray, d: FloatArray, stretch_n_per_mm: ArrayLike) -> FloatArray:
    added_mm = 4.0 * d**2 / (np.hypot(span, 2.0 * d) + span)  # exact, no cancellation
    return not_negative("stretch_n_per_mm", stretch_n_per_mm) * added_mm
