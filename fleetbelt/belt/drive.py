"""A drive as its records give it: its spans by name, and what a range means for it."""

import math
from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import polars as pl

from fleetbelt.belt.bearing import hub_load_n
from fleetbelt.belt.geometry import Layout, Pulley
from fleetbelt.belt.routing import route_belt
from fleetbelt.belt.slip import CONVENTION_FRICTION, grip_ratio
from fleetbelt.errors import InputError


@dataclass(frozen=True, slots=True, kw_only=True)
class Span:
    """A free span of the belt.

    Attributes
    ----------
    length_mm : float
    ends : tuple of str
        The two accessories at its ends, in belt order; empty where not known.
    number : int
        Its place in belt order, from 1; 0 where not known.
    is_accessible : bool
        A gauge reaches it.
    """

    length_mm: float
    ends: tuple[str, ...] = ()
    number: int = 0
    is_accessible: bool = False

    @property
    def name(self) -> str:
        """Return its ends joined as they are asked for."""
        return "-".join(self.ends)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Drive:
    """A drive's belt laid out, where its pulleys are known.

    Attributes
    ----------
    layout : Layout or None
    spans : tuple of Span
        In belt order; empty without a layout.
    fault : str
        Why there is no layout; empty where there is one.
    """

    layout: Layout | None = None
    spans: tuple[Span, ...] = ()
    fault: str = ""

    @property
    def reached(self) -> list[Span]:
        """Return the spans that a gauge reaches, the longest first."""
        reached = (span for span in self.spans if span.is_accessible)
        return sorted(reached, key=lambda span: -span.length_mm)


def lay_out(pulleys: pl.DataFrame) -> Drive:
    """Return the belt of one drive round its pulleys.

    Parameters
    ----------
    pulleys : polars.DataFrame
        Rows of ``staging.pulleys`` of one drive.

    Returns
    -------
    Drive
        Without layout where there are no pulleys or no belt can run round them.
    """
    rows = pulleys.sort("position")
    if rows.is_empty():
        return Drive(fault="no row of pulleys.csv is of this drive")
    names = _names(rows["accessory"].to_list())
    places = rows.select("x_mm", "y_mm", "diameter_mm", "side").iter_rows(named=True)
    try:
        layout = route_belt(
            [Pulley(name=name, **row) for name, row in zip(names, places, strict=True)]
        )
    except InputError as error:
        return Drive(fault=error.what)
    ends = zip(names, [*names[1:], names[0]], strict=True)
    spans = tuple(
        Span(length_mm=length, ends=pair, number=n, is_accessible=reached)
        for n, (pair, length, reached) in enumerate(
            zip(ends, layout.span_mm.tolist(), rows["has_gauge_access"], strict=True), 1
        )
    )
    return Drive(layout=layout, spans=spans)


def _names(accessories: list[str]) -> list[str]:
    """Return the accessories' names, numbered where one comes more than once."""
    total, seen = Counter(accessories), Counter[str]()
    names = []
    for name in accessories:
        seen[name] += 1
        names.append(f"{name}_{seen[name]}" if total[name] > 1 else name)
    return names


@dataclass(frozen=True, slots=True, kw_only=True)
class PulleyEstimate:
    """What the belt does at one pulley.

    Attributes
    ----------
    name, side : str
    wrap_deg : float
        Angle over which it is touched.
    grip : float
        Largest ratio of tensions it holds by the design convention for ribs; NaN on
        the belt's back, for which there is no such convention.
    held_n : Mapping of str to (float, float)
        By belt state, the pull at its rim from which the belt slips by that
        convention, at the range's minimum and maximum, N; NaN on the belt's back.
    hub_n : Mapping of str to (float, float)
        Pull on its shaft at rest, alike, N.
    """

    name: str
    side: str
    wrap_deg: float
    grip: float
    held_n: Mapping[str, tuple[float, float]]
    hub_n: Mapping[str, tuple[float, float]]


def pulley_estimates(
    layout: Layout, limits_n: Mapping[str, tuple[float, float]]
) -> list[PulleyEstimate]:
    """Return wrap, grip, pull held and hub load of every pulley of a drive.

    Estimates that explain a published range, never a specification.

    Parameters
    ----------
    layout : Layout
        The belt round its pulleys.
    limits_n : Mapping of str to (float, float)
        By belt state, the published minimum and maximum, N.

    Returns
    -------
    list of PulleyEstimate
        In belt order.

    Notes
    -----
    With e the grip ratio and T the tension at rest of fixed centres, a pulley slips
    from a pull of ``2 T (e - 1) / (e + 1)`` on (SLP-3 turned round, ``m v**2`` left
    out: slow running); ``2 T sin(wrap / 2)`` pulls on its shaft at rest. What each
    accessory takes is in no record, so how near it comes is not said.
    """
    is_ribbed = np.array([pulley.side == "ribbed" for pulley in layout.pulleys])
    grip = np.where(
        is_ribbed, grip_ratio(CONVENTION_FRICTION, layout.wrap_rad), math.nan
    )
    hubs = {
        state: np.stack(
            [
                hub_load_n(before_n=n, after_n=n, wrap_rad=layout.wrap_rad)
                for n in limits
            ]
        )
        for state, limits in limits_n.items()
    }
    held = {
        state: 2 * np.array(limits)[:, None] * (grip - 1) / (grip + 1)
        for state, limits in limits_n.items()
    }
    return [
        PulleyEstimate(
            name=pulley.name,
            side=pulley.side,
            wrap_deg=math.degrees(layout.wrap_rad[k]),
            grip=float(grip[k]),
            held_n={s: (float(n[0, k]), float(n[1, k])) for s, n in held.items()},
            hub_n={s: (float(n[0, k]), float(n[1, k])) for s, n in hubs.items()},
        )
        for k, pulley in enumerate(layout.pulleys)
    ]
