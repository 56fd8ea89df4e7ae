"""Which way round the belt runs, and which drives cannot exist."""

from collections.abc import Sequence
from itertools import combinations
from math import hypot, isfinite, pi

import numpy as np
from numpy.typing import NDArray

from fleetbelt.belt.domain import FloatArray
from fleetbelt.belt.geometry import Layout, Pulley, trace_belt
from fleetbelt.errors import InputError

_TOUCH_RAD = 1e-6  # a pulley wrapped less is not touched
_ROUNDING = 1e-9


def route_belt(
    pulleys: Sequence[Pulley], *, is_clockwise: bool | None = None
) -> Layout:
    """Return the belt round a drive, or say why there is none.

    Parameters
    ----------
    pulleys : sequence of Pulley, length n_pulleys
        In belt order, in the direction of running.
    is_clockwise : bool, optional
        Direction of that order round the drive as drawn. Left out, the one that is
        possible; the shorter belt where both are.

    Returns
    -------
    Layout
        A belt that does not cross itself, ribs inward: ``sum(s wrap)`` is one turn.

    Raises
    ------
    InputError
        A pulley is not a circle, two pulleys overlap, or the order or a side is
        wrong: the belt would run through a pulley, cross itself, miss a pulley or
        show its ribs outside.
    """
    _check_pulleys(pulleys)
    inward = np.array([1.0 if pulley.side == "ribbed" else -1.0 for pulley in pulleys])
    turns = {None: (1.0, -1.0), False: (1.0,), True: (-1.0,)}[is_clockwise]
    belts = sorted(
        (trace_belt(pulleys, inward * turn) for turn in turns),
        key=lambda belt: round(belt.length_mm, 6),
    )
    faults = [_fault(belt, inward) for belt in belts]
    if None in faults:
        return belts[faults.index(None)]
    raise InputError(
        what=f"No belt can run round these pulleys: {faults[0]}.",
        where=f"the drive's pulleys in belt order: {_names(pulleys)}",
        fix="check the order (position), the side and the centres of the pulleys.",
    )


def _check_pulleys(pulleys: Sequence[Pulley]) -> None:
    if len(pulleys) < 2:
        raise InputError(
            what=f"A drive of {len(pulleys)} pulley(s) has no belt.",
            where=f"the drive's pulleys: {_names(pulleys)}",
            fix="give every pulley the belt touches, at least two.",
        )
    for pulley in pulleys:
        _check_pulley(pulley)
    for one, other in combinations(pulleys, 2):
        gap_mm = hypot(one.x_mm - other.x_mm, one.y_mm - other.y_mm)
        if 2.0 * gap_mm <= one.diameter_mm + other.diameter_mm:
            raise InputError(
                what=f"Pulleys {one.name} and {other.name} overlap.",
                where=f"the drive's pulleys: {_names(pulleys)}",
                fix="check their centres and diameters, all in mm.",
            )


def _check_pulley(pulley: Pulley) -> None:
    numbers = (pulley.x_mm, pulley.y_mm, pulley.diameter_mm)
    if not all(map(isfinite, numbers)) or pulley.diameter_mm <= 0:
        raise InputError(
            what=f"Pulley {pulley.name} is not a circle: x, y, diameter {numbers}.",
            where=f"the drive's pulleys, {pulley.name}",
            fix="give its centre and a diameter above zero, in mm.",
        )
    if pulley.side not in {"ribbed", "back"}:
        raise InputError(
            what=f"Pulley {pulley.name} uses the side '{pulley.side}'.",
            where=f"the drive's pulleys, {pulley.name}",
            fix="write ribbed or back.",
        )


def _fault(belt: Layout, inward: FloatArray) -> str | None:
    """Say what is impossible about a traced belt.

    A closed line of tangents and arcs round circles that do not overlap crosses itself
    only where two spans cross or a span enters a circle; free of that, it turns by
    exactly one turn, ribs inward or outward.
    """
    names = [pulley.name for pulley in belt.pulleys]
    missed = np.abs((belt.wrap_rad + pi) % (2 * pi) - pi) < _TOUCH_RAD
    if missed.any():
        return f"it does not touch {names[int(missed.argmax())]}"
    entered = _entered(belt)
    if entered.any():
        span, pulley = np.argwhere(entered)[0]
        return f"the span after {names[span]} would run through {names[pulley]}"
    if _crosses_itself(belt):
        most = int(belt.wrap_rad.argmax())
        wrap = f"{np.degrees(belt.wrap_rad[most]):.0f} degrees round {names[most]}"
        return f"it would cross itself and wrap {wrap}"
    if inward @ belt.wrap_rad < 0:
        return "its ribs would face outward"
    return None


def _entered(belt: Layout) -> NDArray[np.bool_]:
    """Return, by span and pulley, whether the span runs through the pulley."""
    n = len(belt.pulleys)
    centre = np.array([(pulley.x_mm, pulley.y_mm) for pulley in belt.pulleys])
    radius = np.array([pulley.diameter_mm for pulley in belt.pulleys]) / 2.0
    run = (belt.meet_mm - belt.leave_mm)[:, None, :]
    to_centre = centre[None, :, :] - belt.leave_mm[:, None, :]
    share = (to_centre * run).sum(axis=2) / (run**2).sum(axis=2)
    gap = to_centre - np.clip(share, 0.0, 1.0)[:, :, None] * run
    entered: NDArray[np.bool_] = radius * (1.0 - _ROUNDING) > np.hypot(*gap.T).T
    entered[np.arange(n), np.arange(n)] = False  # a span touches both its pulleys
    entered[np.arange(n) - 1, np.arange(n)] = False
    return entered


def _crosses_itself(belt: Layout) -> bool:
    first, second = np.triu_indices(len(belt.pulleys), k=1)
    a, b = belt.leave_mm[first], belt.meet_mm[first]
    c, d = belt.leave_mm[second], belt.meet_mm[second]
    splits_second = _left_of(a, b, c) * _left_of(a, b, d) < 0
    splits_first = _left_of(c, d, a) * _left_of(c, d, b) < 0
    return bool((splits_second & splits_first).any())


def _left_of(start: FloatArray, end: FloatArray, point: FloatArray) -> FloatArray:
    run, to_point = end - start, point - start
    return run[:, 0] * to_point[:, 1] - run[:, 1] * to_point[:, 0]


def _names(pulleys: Sequence[Pulley]) -> str:
    return ", ".join(pulley.name for pulley in pulleys) or "none"
