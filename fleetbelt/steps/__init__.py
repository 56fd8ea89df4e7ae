"""The fits on the way: each reads frames that SQL made and returns tables to write.

A step knows table names and nothing of the engine; a model knows arrays and frames and
nothing of tables.
"""

from fleetbelt.steps.drift import drift
from fleetbelt.steps.life import lives
from fleetbelt.steps.measurement import conformity, gauges, installs
from fleetbelt.steps.noise import noise, vehicles

__all__ = ["conformity", "drift", "gauges", "installs", "lives", "noise", "vehicles"]
