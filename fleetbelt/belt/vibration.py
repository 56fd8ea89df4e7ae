"""Belt tension from the pitch of a plucked span, and what that pitch leaves out."""

import numpy as np
from numpy.typing import ArrayLike

from fleetbelt.belt.domain import FloatArray, not_negative, positive
from fleetbelt.errors import InputError

_ROOT_STEPS = 40  # the step shrinks the error at least fivefold: far below rounding


def frequency_hz(
    *, tension_n: ArrayLike, span_mm: ArrayLike, mass_g_per_m: ArrayLike
) -> FloatArray:
    """Return the pitch of a plucked span at rest, as an ideal string.

    Parameters
    ----------
    tension_n : array_like of float, shape (n,)
        Static tension, N.
    span_mm : array_like of float, shape (n,)
        Free length between the tangent points, mm.
    mass_g_per_m : array_like of float, shape (n,)
        Mass of the whole belt's width per length, g/m; best weighed.

    Returns
    -------
    ndarray of float, shape (n,)
        Fundamental frequency, Hz: ``f = sqrt(T / m) / (2 L)`` [1]_.

    Raises
    ------
    InputError
        An argument is zero or negative.

    References
    ----------
    .. [1] Mersenne, *Harmonie universelle* (1636), in SI units.
    """
    length_m = positive("span_mm", span_mm) / 1e3
    return wave_speed_m_s(tension_n, mass_g_per_m) / (2.0 * length_m)


def tension_from_frequency_n(
    *, frequency_hz: ArrayLike, span_mm: ArrayLike, mass_g_per_m: ArrayLike
) -> FloatArray:
    """Estimate the static tension from the pitch of a plucked span at rest.

    Parameters
    ----------
    frequency_hz : array_like of float, shape (n,)
        Fundamental frequency of the span, Hz.
    span_mm : array_like of float, shape (n,)
        Free length between the tangent points, mm.
    mass_g_per_m : array_like of float, shape (n,)
        Mass of the whole belt's width per length, g/m.

    Returns
    -------
    ndarray of float, shape (n,)
        Static tension, N: ``T = 4 m L**2 f**2`` [1]_.

    Raises
    ------
    InputError
        An argument is zero or negative.

    Notes
    -----
    Bending stiffness is left out on purpose: it makes a short span read high by an
    amount that depends on how the ends hold the belt. `stiffness_uncertainty` says
    by how much the answer may be wrong; nothing is corrected in secret.

    References
    ----------
    .. [1] Mersenne, *Harmonie universelle* (1636), in SI units.
    """
    f = positive("frequency_hz", frequency_hz)
    length_m = positive("span_mm", span_mm) / 1e3
    m = positive("mass_g_per_m", mass_g_per_m) / 1e3
    return 4.0 * m * length_m**2 * f**2


def wave_speed_m_s(tension_n: ArrayLike, mass_g_per_m: ArrayLike) -> FloatArray:
    """Return the speed of a transverse wave in the belt at rest.

    Parameters
    ----------
    tension_n : array_like of float, shape (n,)
        Total tension, N.
    mass_g_per_m : array_like of float, shape (n,)
        Mass of the belt per length, g/m.

    Returns
    -------
    ndarray of float, shape (n,)
        ``c = sqrt(T / m)``, m/s.

    Raises
    ------
    InputError
        An argument is zero or negative.
    """
    m = positive("mass_g_per_m", mass_g_per_m) / 1e3
    speed: FloatArray = np.sqrt(positive("tension_n", tension_n) / m)
    return speed


def running_ratio(
    *, tension_n: ArrayLike, mass_g_per_m: ArrayLike, belt_speed_m_s: ArrayLike
) -> FloatArray:
    """Return the pitch of a running belt's span over its pitch at rest.

    Parameters
    ----------
    tension_n : array_like of float, shape (n,)
        Total tension of the span, N.
    mass_g_per_m : array_like of float, shape (n,)
        Mass of the belt per length, g/m.
    belt_speed_m_s : array_like of float, shape (n,)
        Speed of the belt, m/s.

    Returns
    -------
    ndarray of float, shape (n,)
        ``(c**2 - v**2) / c**2`` with ``c = sqrt(T / m)`` [1]_, dimensionless.

    Raises
    ------
    InputError
        The belt runs at its wave speed or faster, where no span can vibrate.

    Notes
    -----
    A warning against measuring a running belt, not a correction for one. It follows
    from a wave's round trip, ``L / (c + v) + L / (c - v)``.

    References
    ----------
    .. [1] "The vibration of a string having a uniform motion along its length",
       *J. Appl. Mech.* 25 (1958) 347.
    """
    c = wave_speed_m_s(tension_n, mass_g_per_m)
    v = not_negative("belt_speed_m_s", belt_speed_m_s)
    if np.any(v >= c):
        raise InputError(
            what="The belt runs at its own wave speed or faster.",
            where=f"the running span, belt_speed_m_s up to {np.max(v):g}",
            fix="check the speed (m/s), the tension (N) and the mass (g/m).",
        )
    return (c**2 - v**2) / c**2


def stiffness_number(
    *, tension_n: ArrayLike, span_mm: ArrayLike, bending_n_m2: ArrayLike
) -> FloatArray:
    """Return how much a span behaves as a beam: 0 is a string.

    Parameters
    ----------
    tension_n : array_like of float, shape (n,)
        Static tension, N.
    span_mm : array_like of float, shape (n,)
        Free length between the tangent points, mm.
    bending_n_m2 : array_like of float, shape (n,)
        Bending stiffness EI of the whole belt's width, N m².

    Returns
    -------
    ndarray of float, shape (n,)
        ``sqrt(EI / T) / L``, dimensionless.

    Raises
    ------
    InputError
        The tension or span is zero or negative, or the stiffness negative.
    """
    length_m = positive("span_mm", span_mm) / 1e3
    ei = not_negative("bending_n_m2", bending_n_m2)
    number: FloatArray = np.sqrt(ei / positive("tension_n", tension_n)) / length_m
    return number


def pinned_ratio(stiffness: ArrayLike) -> FloatArray:
    """Return a stiff span's pitch over the string's, its ends free to turn.

    Parameters
    ----------
    stiffness : array_like of float, shape (n,)
        From `stiffness_number`, dimensionless.

    Returns
    -------
    ndarray of float, shape (n,)
        ``sqrt(1 + (pi * s)**2)``, exact for the fundamental [1]_.

    References
    ----------
    .. [1] Woodhouse, *Euphonics*, section 5.4.3, natural frequencies of a stiff
       string.
    """
    ratio: FloatArray = np.hypot(1.0, np.pi * np.asarray(stiffness, dtype=np.float64))
    return ratio


def clamped_ratio(stiffness: ArrayLike) -> FloatArray:
    """Return a stiff span's pitch over the string's, its ends held straight.

    Parameters
    ----------
    stiffness : array_like of float, shape (n,)
        From `stiffness_number`, dimensionless.

    Returns
    -------
    ndarray of float, shape (n,)
        Exact ratio of the fundamental: with ``w`` in (pi/2, pi) the root of
        ``w tan(w) + u tanh(u) = 0`` and ``u**2 = w**2 + 1 / (4 s**2)``, it is
        ``4 s u w / pi`` [1]_; 1 for a string.

    Notes
    -----
    ``w = pi - atan2(u tanh(u), w)`` is repeated from ``pi / 2``. Its slope is less
    than 0.2 for every stiffness.

    References
    ----------
    .. [1] Morse, *Vibration and Sound*, 2nd ed. (1948), section 17, the stiff string.
    """
    s = np.asarray(stiffness, dtype=np.float64)
    half = 0.5 / np.maximum(s, 1e-12)
    w = np.full_like(half, np.pi / 2)
    for _ in range(_ROOT_STEPS):
        u = np.hypot(w, half)
        w = np.pi - np.arctan2(u * np.tanh(u), w)
    ratio: FloatArray = np.where(s > 0, 2.0 * np.hypot(w, half) * w / (np.pi * half), 1)
    return ratio


def clamped_ratio_series(stiffness: ArrayLike) -> FloatArray:
    """Return `clamped_ratio` to second order, the form found in textbooks.

    Parameters
    ----------
    stiffness : array_like of float, shape (n,)
        From `stiffness_number`, dimensionless; below about 0.05.

    Returns
    -------
    ndarray of float, shape (n,)
        ``1 + 2 s + (4 + pi**2 / 2) s**2`` [1]_.

    References
    ----------
    .. [1] Fletcher and Rossing, *The Physics of Musical Instruments*, 2nd ed. (1998),
       section 2.18.
    """
    s = np.asarray(stiffness, dtype=np.float64)
    return 1.0 + 2.0 * s + (4.0 + np.pi**2 / 2.0) * s**2


def stiffness_uncertainty(stiffness: ArrayLike) -> FloatArray:
    """Return the relative standard uncertainty of tension that stiffness causes.

    Parameters
    ----------
    stiffness : array_like of float, shape (n,)
        From `stiffness_number`, dimensionless.

    Returns
    -------
    ndarray of float, shape (n,)
        Root mean square of an over-reading that lies anywhere, with equal chance,
        between pinned and clamped ends (``ratio**2 - 1`` each) [1]_.

    Notes
    -----
    No belt's ends are known to be one or the other, so nothing is corrected and the
    whole effect counts as doubt. The true tension is the lower one.

    References
    ----------
    .. [1] JCGM 100:2008, 4.3.7 and F.2.4.5, a rectangular bound left uncorrected.
    """
    low = pinned_ratio(stiffness) ** 2 - 1.0
    high = clamped_ratio(stiffness) ** 2 - 1.0
    spread: FloatArray = np.sqrt((low**2 + low * high + high**2) / 3.0)
    return spread


def relative_uncertainty(
    *,
    frequency: ArrayLike,
    span: ArrayLike,
    mass: ArrayLike,
    stiffness: ArrayLike = 0.0,
) -> FloatArray:
    """Return the relative standard uncertainty of a tension from its pitch.

    Parameters
    ----------
    frequency, span, mass : array_like of float, shape (n,)
        Relative standard uncertainties of the three inputs, 0..1.
    stiffness : array_like of float, shape (n,)
        From `stiffness_uncertainty`, 0..1.

    Returns
    -------
    ndarray of float, shape (n,)
        ``sqrt((2 u_f)**2 + (2 u_L)**2 + u_m**2 + u_s**2)`` [1]_, 0..1.

    References
    ----------
    .. [1] JCGM 100:2008, 5.1.6, of ``T = 4 m L**2 f**2``.
    """
    doubled = 2.0 * np.hypot(frequency, span)
    total: FloatArray = np.hypot(doubled, np.hypot(mass, stiffness))
    return total
