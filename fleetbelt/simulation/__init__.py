"""An invented fleet whose truth is known: for the demo, the tests and the benchmarks.

The generating model is the one the fits assume (log true tension, drift, run-in loss,
gauges, habits, belt life and noise by tension at install), so that every result can be
held against what was true. Order of reading: scenario, vehicles, crew, belts, visits,
history, records, truth, files.
"""

from fleetbelt.simulation.files import SimulatedFleet, simulate
from fleetbelt.simulation.options import SimulationOptions

__all__ = ["SimulatedFleet", "SimulationOptions", "simulate"]
