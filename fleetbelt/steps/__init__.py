"""The fits on the way: each reads frames that SQL made and returns tables to write.

A step knows table names and nothing of the engine; a model knows arrays and frames and
nothing of tables.
"""

from fleetbelt.steps.boards import gauge_board
from fleetbelt.steps.count_effects import count_effects
from fleetbelt.steps.drift import drift
from fleetbelt.steps.life import lives
from fleetbelt.steps.life_effects import life_effects
from fleetbelt.steps.measurement import conformity, gauges, installs
from fleetbelt.steps.miles import daily_miles
from fleetbelt.steps.noise import noise, vehicles
from fleetbelt.steps.people import people
from fleetbelt.steps.plan import plan
from fleetbelt.steps.policies import policies
from fleetbelt.steps.repairs import repairs
from fleetbelt.steps.work_done import work_done

__all__ = [
    "conformity",
    "count_effects",
    "daily_miles",
    "drift",
    "gauge_board",
    "gauges",
    "installs",
    "life_effects",
    "lives",
    "noise",
    "people",
    "plan",
    "policies",
    "repairs",
    "vehicles",
    "work_done",
]
