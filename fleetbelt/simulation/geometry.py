"""Spans and belt length of a layout, and the columns of the drives it makes."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fleetbelt.simulation.scenario import DRIVES, LAYOUTS, PulleyRow

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Route:
    """Span to the next pulley (n_pulleys,) mm, and the whole belt's length, mm."""

    span_mm: FloatArray
    belt_length_mm: float


def route(pulleys: tuple[PulleyRow, ...]) -> Route:
    """Lay a belt round pulleys given counter-clockwise, ribbed side inside.

    With signed radii rho (back side negative) the free span between two pulleys
    D apart is ``sqrt(D**2 - (rho_j - rho_i)**2)``; the turns add up to one circle.
    """
    centre = np.array([complex(p[1], p[2]) for p in pulleys])
    sign = np.array([1.0 if p[4] == "ribbed" else -1.0 for p in pulleys])
    rho = sign * np.array([p[3] for p in pulleys]) / 2.0
    step, change = np.roll(centre, -1) - centre, np.roll(rho, -1) - rho
    span_mm = np.sqrt(np.abs(step) ** 2 - change**2)
    heading = np.angle(step) + np.arcsin(-change / np.abs(step))
    turn = sign * (heading - np.roll(heading, 1)) % (2.0 * np.pi)
    return Route(
        span_mm=span_mm, belt_length_mm=float((span_mm + turn * abs(rho)).sum())
    )


def gauge_spans_mm() -> FloatArray:
    """Span to gauge first, and second (or the first again), shape (n_drives, 2)."""
    spans = []
    for drive in DRIVES:
        pulleys = LAYOUTS[drive.layout]
        reachable = np.array([pulley[5] == "yes" for pulley in pulleys])
        spans.append(np.resize(route(pulleys).span_mm[reachable].round(), 2))
    return np.array(spans)
