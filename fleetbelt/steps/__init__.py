"""The fits on the way: each reads frames that SQL made and returns tables to write.

A step knows table names and nothing of the engine; a model knows arrays and frames and
nothing of tables.
"""

from fleetbelt.steps.drift import drift
from fleetbelt.steps.effects import effects
from fleetbelt.steps.life import lives
from fleetbelt.steps.measurement import conformity, gauges, installs
from fleetbelt.steps.miles import daily_miles
from fleetbelt.steps.noise import noise, vehicles
from fleetbelt.steps.people import people
from fleetbelt.steps.plan import plan
from fleetbelt.steps.policies import policies

__all__ = [
    "conformity",
    "daily_miles",
    "drift",
    "effects",
    "gauges",
    "installs",
    "lives",
    "noise",
    "people",
    "plan",
    "policies",
    "vehicles",
]
