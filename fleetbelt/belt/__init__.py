"""The physics of one accessory drive, as pure functions on arrays.

vibration   tension from the pitch of a plucked span, and the doubt that stiffness adds
deflection  force for a deflection, and the tension behind it
geometry    spans, wraps, tangent points and lengths of a belt round its pulleys
routing     which way the belt runs round a drive, and which drives cannot exist
slip        tensions of the running spans, grip used, install tension needed
bearing     hub load and bearing life

All of it estimates. Nothing here is, or may be shown as, a specification: the ranges
that count are the maker's, as published.
"""

from fleetbelt.belt.bearing import (
    BALL,
    ROLLER,
    basic_life_mrev,
    hub_load_n,
    hub_loads_n,
    life_h,
    life_multiple,
    life_ratio,
    rating_needed_n,
    reliability,
)
from fleetbelt.belt.deflection import (
    INCH_RULE,
    METRIC_RULE,
    belt_constant_n,
    deflection_force_n,
    handbook_force_n,
    sag_mm,
    tension_from_deflection_n,
)
from fleetbelt.belt.geometry import (
    PK_OFFSET_MM,
    Adjuster,
    Layout,
    Pulley,
    TwoPulleyBelt,
    adjuster,
    at_offset,
    crossed_belt,
    effective_diameter_mm,
    length_at_offset_mm,
    open_belt,
    speed_ratio,
    trace_belt,
)
from fleetbelt.belt.routing import route_belt
from fleetbelt.belt.slip import (
    CONVENTION_FRICTION,
    RequiredInstall,
    Running,
    SpanTensions,
    belt_speed_m_s,
    centrifugal_n,
    effective_pull_n,
    grip_ratio,
    pulley_friction,
    required_install,
    required_tension_n,
    span_tensions,
    wedge_friction,
)
from fleetbelt.belt.vibration import (
    clamped_ratio,
    clamped_ratio_series,
    frequency_hz,
    pinned_ratio,
    relative_uncertainty,
    running_ratio,
    stiffness_number,
    stiffness_uncertainty,
    tension_from_frequency_n,
    wave_speed_m_s,
)

__all__ = [
    "BALL",
    "CONVENTION_FRICTION",
    "INCH_RULE",
    "METRIC_RULE",
    "PK_OFFSET_MM",
    "ROLLER",
    "Adjuster",
    "Layout",
    "Pulley",
    "RequiredInstall",
    "Running",
    "SpanTensions",
    "TwoPulleyBelt",
    "adjuster",
    "at_offset",
    "basic_life_mrev",
    "belt_constant_n",
    "belt_speed_m_s",
    "centrifugal_n",
    "clamped_ratio",
    "clamped_ratio_series",
    "crossed_belt",
    "deflection_force_n",
    "effective_diameter_mm",
    "effective_pull_n",
    "frequency_hz",
    "grip_ratio",
    "handbook_force_n",
    "hub_load_n",
    "hub_loads_n",
    "length_at_offset_mm",
    "life_h",
    "life_multiple",
    "life_ratio",
    "open_belt",
    "pinned_ratio",
    "pulley_friction",
    "rating_needed_n",
    "relative_uncertainty",
    "reliability",
    "required_install",
    "required_tension_n",
    "route_belt",
    "running_ratio",
    "sag_mm",
    "span_tensions",
    "speed_ratio",
    "stiffness_number",
    "stiffness_uncertainty",
    "tension_from_deflection_n",
    "tension_from_frequency_n",
    "trace_belt",
    "wave_speed_m_s",
    "wedge_friction",
]
