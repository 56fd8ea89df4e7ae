"""What the history of one block of vehicles plays in."""

from dataclasses import dataclass

from fleetbelt.simulation.crew import Crew
from fleetbelt.simulation.options import SimulationOptions
from fleetbelt.simulation.tables import FloatArray, IntArray, Rng
from fleetbelt.simulation.vehicles import Places, Vehicles


@dataclass(frozen=True, slots=True, kw_only=True)
class World:
    """The vehicles, their belt places, the crew, and the chance that drives all."""

    vehicles: Vehicles
    places: Places
    crew: Crew
    n_days: int
    options: SimulationOptions
    rng: Rng

    def odometer(self, place: IntArray, day: FloatArray) -> FloatArray:
        """Odometer of the places' vehicles, mi."""
        return self.vehicles.odometer(self.places.vehicle[place], day)

    def day_at(self, place: IntArray, odometer_mi: FloatArray) -> FloatArray:
        """Day on which the places' vehicles reach an odometer."""
        return self.vehicles.day_at(self.places.vehicle[place], odometer_mi)
