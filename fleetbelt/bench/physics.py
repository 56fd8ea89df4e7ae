"""What a published range means for the drive: estimates, never a specification.

Slip needs the power each accessory takes, which no record holds; so no slip margin is
given, only the grip ratio of each ribbed pulley by the design convention.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from fleetbelt.belt import CONVENTION_FRICTION, Layout, grip_ratio, hub_load_n
from fleetbelt.bench.question import Answer, BeltState
from fleetbelt.models.arrays import FloatArray


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
    hub_n : Mapping of belt state to (float, float)
        Pull on its shaft at rest at the range's minimum and maximum, N.
    """

    name: str
    side: str
    wrap_deg: float
    grip: float
    hub_n: Mapping[BeltState, tuple[float, float]]


def pulley_estimates(answer: Answer) -> list[PulleyEstimate]:
    """Return wrap, grip and hub load of every pulley of a drive that is laid out.

    Parameters
    ----------
    answer : Answer
        The drive and its ranges.

    Returns
    -------
    list of PulleyEstimate
        In belt order; empty where the pulleys are not known. Hub loads at rest,
        ``2 T sin(wrap / 2)``.
    """
    layout = answer.drive.layout
    if layout is None:
        return []
    grip = np.where(
        [pulley.side == "ribbed" for pulley in layout.pulleys],
        grip_ratio(CONVENTION_FRICTION, layout.wrap_rad),
        math.nan,
    )
    hubs = {
        state: np.stack([_at_rest_n(layout, n) for n in (known.min_n, known.max_n)])
        for state, known in answer.published.items()
        if known
    }
    return [
        PulleyEstimate(
            name=pulley.name,
            side=pulley.side,
            wrap_deg=math.degrees(layout.wrap_rad[k]),
            grip=float(grip[k]),
            hub_n={
                state: (float(n[0, k]), float(n[1, k])) for state, n in hubs.items()
            },
        )
        for k, pulley in enumerate(layout.pulleys)
    ]


def _at_rest_n(layout: Layout, tension_n: float) -> FloatArray:
    return hub_load_n(before_n=tension_n, after_n=tension_n, wrap_rad=layout.wrap_rad)
