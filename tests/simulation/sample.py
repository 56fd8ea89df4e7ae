"""How the bundled sample fleet was drawn, and which dirt stands in it."""

import sys
from datetime import date
from pathlib import Path
from tempfile import TemporaryDirectory

import polars as pl

from fleetbelt.simulation import SimulatedFleet, SimulationOptions, simulate

SEED = 16


def draw_sample(folder: Path, *, truth: bool = False) -> SimulatedFleet:
    """Draw the sample fleet: 480 vehicles, 4 years to 30 June 2025, with dirt."""
    return simulate(
        folder,
        n_vehicles=480,
        years=4.0,
        seed=SEED,
        with_dirt=True,
        on=date(2025, 6, 30),
        options=SimulationOptions(vehicle_frailty=0.25, truth=truth),
    )


def planted_dirt() -> pl.DataFrame:
    """Return the dirty rows of sample_data: kind, file, line, key, column, fate."""
    with TemporaryDirectory() as folder:
        return draw_sample(Path(folder)).dirt


if __name__ == "__main__":  # python tests/simulation/sample.py sample_data
    draw_sample(Path(sys.argv[1]))
