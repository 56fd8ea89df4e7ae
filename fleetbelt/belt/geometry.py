"""The belt's way round its pulleys: spans, wraps, tangent points and lengths.

Lengths belong to the line on which the diameters are given: effective diameters give
the effective length, pitch diameters the pitch length. `length_at_offset_mm` and
`at_offset` lead from one to the other.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final, Literal

import numpy as np
from numpy.typing import ArrayLike

from fleetbelt.belt.domain import FloatArray, not_negative, positive
from fleetbelt.errors import InputError

Side = Literal["ribbed", "back"]

PK_OFFSET_MM: Final = 2.0
"""Effective line to pitch line of a PK belt, mm: nominal, ISO 9981:2020, 5.4."""

PK_BALL_ALLOWANCE_MM: Final = 0.990
"""Diameter over 2.5 mm balls less effective diameter, mm: SAE J1459 (2022)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Pulley:
    """One pulley of a drive.

    Attributes
    ----------
    name : str
        The accessory it turns, for messages and drawings.
    x_mm, y_mm : float
        Centre, mm, y upward.
    diameter_mm : float
        Diameter at the line whose length is wanted, mm.
    side : {'ribbed', 'back'}
        Side of the belt that touches it.
    """

    name: str
    x_mm: float
    y_mm: float
    diameter_mm: float
    side: Side = "ribbed"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Layout:
    """A belt laid round its pulleys; span k runs from pulley k to the next one.

    Attributes
    ----------
    pulleys : tuple of Pulley
        In belt order.
    sense : ndarray of float, shape (n_pulleys,)
        +1 where the pulley turns the belt to the left, -1 to the right.
    span_mm : ndarray of float, shape (n_pulleys,)
        Free length of each span between its tangent points, mm.
    heading_rad : ndarray of float, shape (n_pulleys,)
        Direction of each span, rad from the x axis, counter-clockwise.
    wrap_rad : ndarray of float, shape (n_pulleys,)
        Angle over which each pulley is touched, rad.
    leave_mm, meet_mm : ndarray of float, shape (n_pulleys, 2)
        Points (x, y) where span k leaves pulley k and meets the next one, mm.
    length_mm : float
        Length of the whole belt, mm.
    """

    pulleys: tuple[Pulley, ...]
    sense: FloatArray
    span_mm: FloatArray
    heading_rad: FloatArray
    wrap_rad: FloatArray
    leave_mm: FloatArray
    meet_mm: FloatArray
    length_mm: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class TwoPulleyBelt:
    """A belt round two pulleys.

    Attributes
    ----------
    wrap_small_rad, wrap_large_rad : ndarray of float, shape (n,)
        Angles over which the pulleys are touched, rad.
    span_mm : ndarray of float, shape (n,)
        Free length of either span, mm.
    length_mm : ndarray of float, shape (n,)
        Length of the belt, mm.
    """

    wrap_small_rad: FloatArray
    wrap_large_rad: FloatArray
    span_mm: FloatArray
    length_mm: FloatArray


@dataclass(frozen=True, slots=True, kw_only=True)
class Adjuster:
    """What a millimetre along an adjuster's slot does.

    Attributes
    ----------
    belt_mm_per_mm : float
        Belt length taken up per mm of travel, mm/mm.
    tension_n_per_mm : float
        Tension gained per mm of travel once all slack is out, N/mm.
    """

    belt_mm_per_mm: float
    tension_n_per_mm: float


def open_belt(
    *, small_mm: ArrayLike, large_mm: ArrayLike, centre_mm: ArrayLike
) -> TwoPulleyBelt:
    """Return the open belt round two pulleys.

    Parameters
    ----------
    small_mm, large_mm : array_like of float, shape (n,)
        Diameters d and D, mm.
    centre_mm : array_like of float, shape (n,)
        Distance C between the centres, mm.

    Returns
    -------
    TwoPulleyBelt
        Wraps ``pi -+ 2 asin((D - d) / 2C)``, length
        ``sqrt(4 C**2 - (D - d)**2) + (D wrap_D + d wrap_d) / 2`` [1]_.

    Raises
    ------
    InputError
        A number is not above zero, or the pulleys overlap.

    References
    ----------
    .. [1] Shigley, *Mechanical Engineering Design*, 8th ed., eq. 17-1.
    """
    d, large, c = _two_pulleys(small_mm, large_mm, centre_mm)
    turn = 2.0 * np.arcsin((large - d) / (2.0 * c))
    return _two_pulley_belt(d, large, np.pi - turn, np.pi + turn, c, large - d)


def crossed_belt(
    *, small_mm: ArrayLike, large_mm: ArrayLike, centre_mm: ArrayLike
) -> TwoPulleyBelt:
    """Return the crossed belt round two pulleys.

    Parameters
    ----------
    small_mm, large_mm : array_like of float, shape (n,)
        Diameters d and D, mm.
    centre_mm : array_like of float, shape (n,)
        Distance C between the centres, mm.

    Returns
    -------
    TwoPulleyBelt
        Both wraps ``pi + 2 asin((D + d) / 2C)``, length
        ``sqrt(4 C**2 - (D + d)**2) + (D + d) wrap / 2`` [1]_.

    Raises
    ------
    InputError
        A number is not above zero, or the pulleys overlap.

    References
    ----------
    .. [1] Shigley, *Mechanical Engineering Design*, 8th ed., eq. 17-2.
    """
    d, large, c = _two_pulleys(small_mm, large_mm, centre_mm)
    wrap = np.pi + 2.0 * np.arcsin((large + d) / (2.0 * c))
    return _two_pulley_belt(d, large, wrap, wrap, c, large + d)


def trace_belt(pulleys: Sequence[Pulley], sense: ArrayLike) -> Layout:
    """Return the belt that turns as told at each pulley, possible or not.

    Parameters
    ----------
    pulleys : sequence of Pulley, length n_pulleys
        In the order in which the belt meets them.
    sense : array_like of float, shape (n_pulleys,)
        +1 where the belt turns left round the pulley, -1 where it turns right.

    Returns
    -------
    Layout
        With signed radii ``rho = s r`` and centres D apart at bearing phi, a span is
        ``L = sqrt(D**2 - (rho_j - rho_i)**2)`` long, heads
        ``phi - atan2(rho_j - rho_i, L)`` and touches at ``c - rho n``, n its left
        normal; a pulley is wrapped ``s (heading_out - heading_in) mod 2 pi``.

    Raises
    ------
    InputError
        A pulley lies so far inside its neighbour that no line touches both.

    Notes
    -----
    Belts that cross themselves are drawn as told: a crossed two-pulley belt is
    ``[1, -1]``. `route_belt` is the one that refuses impossible drives.
    """
    sense = np.asarray(sense, dtype=np.float64)
    centre = np.array([(p.x_mm, p.y_mm) for p in pulleys])
    radius = np.array([p.diameter_mm for p in pulleys]) / 2.0
    rho = sense * radius
    step = np.roll(centre, -1, axis=0) - centre
    lean = np.roll(rho, -1) - rho
    squared = (step**2).sum(axis=1) - lean**2
    if (squared < 0).any():
        raise _no_tangent(pulleys, int(squared.argmin()))
    span = np.sqrt(squared)
    heading = np.arctan2(step[:, 1], step[:, 0]) - np.arctan2(lean, span)
    normal = np.column_stack((-np.sin(heading), np.cos(heading)))
    wrap = (sense * (heading - np.roll(heading, 1))) % (2.0 * np.pi)
    return Layout(
        pulleys=tuple(pulleys),
        sense=sense,
        span_mm=span,
        heading_rad=(heading + np.pi) % (2.0 * np.pi) - np.pi,
        wrap_rad=wrap,
        leave_mm=centre - rho[:, None] * normal,
        meet_mm=np.roll(centre, -1, axis=0) - np.roll(rho, -1)[:, None] * normal,
        length_mm=float(span.sum() + radius @ wrap),
    )


def adjuster(
    layout: Layout, *, pulley: int, slot_rad: float, axial_n: float
) -> Adjuster:
    """Return what moving one pulley along its slot does to the belt.

    Parameters
    ----------
    layout : Layout
        The drive.
    pulley : int
        Index of the pulley that moves.
    slot_rad : float
        Direction of travel, rad from the x axis, counter-clockwise.
    axial_n : float
        Axial stiffness EA of the whole belt's width, N.

    Returns
    -------
    Adjuster
        ``dL/dx = (u_in - u_out) . e``, with u the unit vectors along the spans that
        meet and leave the pulley and e the slot's; tension ``EA / L_b dL/dx``.

    Raises
    ------
    InputError
        The stiffness is zero or negative.

    Notes
    -----
    An estimate for small travel: pulleys and brackets are taken as rigid.
    """
    along = np.cos(layout.heading_rad - slot_rad)
    taken_up = float(along[pulley - 1] - along[pulley])
    stiffness_n_per_mm = float(positive("axial_n", axial_n)) / layout.length_mm
    return Adjuster(
        belt_mm_per_mm=taken_up, tension_n_per_mm=stiffness_n_per_mm * taken_up
    )


def at_offset(pulleys: Sequence[Pulley], offset_mm: float) -> tuple[Pulley, ...]:
    """Return the pulleys at a line further from the ribs.

    Parameters
    ----------
    pulleys : sequence of Pulley, length n_pulleys
        Diameters at the line left behind.
    offset_mm : float
        Distance b to the new line, mm, towards the back of the belt; `PK_OFFSET_MM`
        leads from the effective to the pitch line.

    Returns
    -------
    tuple of Pulley
        Ribbed diameters grown by 2 b, back-side diameters shrunk by 2 b.
    """
    growth_mm = {"ribbed": 2.0 * offset_mm, "back": -2.0 * offset_mm}
    return tuple(
        replace(pulley, diameter_mm=pulley.diameter_mm + growth_mm[pulley.side])
        for pulley in pulleys
    )


def length_at_offset_mm(length_mm: ArrayLike, offset_mm: ArrayLike) -> FloatArray:
    """Return a belt's length at a line further from the ribs.

    Parameters
    ----------
    length_mm : array_like of float, shape (n,)
        Length at the line left behind, mm.
    offset_mm : array_like of float, shape (n,)
        Distance b to the new line, mm; negative towards the ribs.

    Returns
    -------
    ndarray of float, shape (n,)
        ``L + 2 pi b``, mm: exact for any belt that does not cross itself, back-side
        pulleys or not.

    Raises
    ------
    InputError
        The length is zero or negative.
    """
    added_mm = 2.0 * np.pi * np.asarray(offset_mm, dtype=np.float64)
    return positive("length_mm", length_mm) + added_mm


def speed_ratio(
    *,
    driver_mm: ArrayLike,
    driven_mm: ArrayLike,
    offset_mm: ArrayLike = PK_OFFSET_MM,
) -> FloatArray:
    """Return how much faster the driven pulley turns, both ribbed.

    Parameters
    ----------
    driver_mm, driven_mm : array_like of float, shape (n,)
        Effective diameters, mm.
    offset_mm : array_like of float, shape (n,)
        Effective line to pitch line, mm.

    Returns
    -------
    ndarray of float, shape (n,)
        Ratio of the pitch diameters ``d + 2 b``, dimensionless [1]_.

    Raises
    ------
    InputError
        A diameter is not above zero, or the offset negative.

    References
    ----------
    .. [1] ISO 9981:2020, 5.4: speed ratios use pitch, never effective, diameters.
    """
    twice_mm = 2.0 * not_negative("offset_mm", offset_mm)
    driver = positive("driver_mm", driver_mm) + twice_mm
    return driver / (positive("driven_mm", driven_mm) + twice_mm)


def effective_diameter_mm(over_balls_mm: ArrayLike) -> FloatArray:
    """Return a PK pulley's effective diameter from its diameter over two balls.

    Parameters
    ----------
    over_balls_mm : array_like of float, shape (n,)
        Diameter over 2.5 mm balls in opposite grooves, mm.

    Returns
    -------
    ndarray of float, shape (n,)
        Effective diameter, mm [1]_.

    Raises
    ------
    InputError
        The diameter is zero or negative.

    References
    ----------
    .. [1] SAE J1459 (2022), through a public summary.
    """
    return positive("over_balls_mm", over_balls_mm) - PK_BALL_ALLOWANCE_MM


def _two_pulleys(
    small_mm: ArrayLike, large_mm: ArrayLike, centre_mm: ArrayLike
) -> tuple[FloatArray, FloatArray, FloatArray]:
    d, large = positive("small_mm", small_mm), positive("large_mm", large_mm)
    c = positive("centre_mm", centre_mm)
    if np.any(2.0 * c <= d + large):
        raise InputError(
            what="The two pulleys overlap.",
            where="a two-pulley drive: centre_mm against small_mm and large_mm",
            fix="give centres further apart than half the sum of the diameters.",
        )
    return d, large, c


def _two_pulley_belt(
    d: FloatArray,
    large: FloatArray,
    wrap_small: FloatArray,
    wrap_large: FloatArray,
    c: FloatArray,
    lean: FloatArray,
) -> TwoPulleyBelt:
    span = np.sqrt(c**2 - lean**2 / 4.0)
    return TwoPulleyBelt(
        wrap_small_rad=wrap_small,
        wrap_large_rad=wrap_large,
        span_mm=span,
        length_mm=2.0 * span + (large * wrap_large + d * wrap_small) / 2.0,
    )


def _no_tangent(pulleys: Sequence[Pulley], k: int) -> InputError:
    here, there = pulleys[k], pulleys[(k + 1) % len(pulleys)]
    return InputError(
        what=f"No belt can run from {here.name} to {there.name}: they overlap.",
        where=f"the drive's pulleys, positions {k + 1} and {pulleys.index(there) + 1}",
        fix="check their centres and diameters, in mm, and the sides they use.",
    )
