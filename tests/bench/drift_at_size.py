"""How long the drift step takes at size, and how much memory; run by hand.

Run from the root: ``python -m tests.bench.drift_at_size [BELTS [VEHICLES]]``. A fleet
of VEHICLES (5,000) is simulated, taken in and brought to where drift is learned; then
its belts are copied, each copy with miles of its own, until there are BELTS
(1,400,000). Prints the CPU seconds of the step at that size, their share of those that
taking in as many records would take (the small fleet's, scaled up by readings), and
the peak memory of the process.
"""

import resource
import sys
import tempfile
import time
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import polars as pl

from fleetbelt import ingest, pipeline, steps
from fleetbelt.settings import load_settings
from fleetbelt.simulation import simulate
from fleetbelt.steps.drift import MODEL_NUMBERS, READINGS_IN_ORDER
from fleetbelt.store import frames
from fleetbelt.store.database import connect

RUNNING = "(from history.running_belts order by belt_id)"


def enlarged(frame: pl.DataFrame, n_belts: int, copies: int) -> pl.DataFrame:
    """Copy the belts; a copy ran 0.8 to 1.2 times the miles of its original."""
    rng = np.random.default_rng(0)
    parts = []
    for copy in range(copies):
        stretch = rng.uniform(0.8, 1.2, n_belts)[frame["belt_no"].fill_null(0)]
        ids = [name for name in ("belt_id",) if name in frame.columns]
        miles = [
            name for name in ("odometer_mi", "miles_since") if name in frame.columns
        ]
        parts.append(
            frame.with_columns(
                *(pl.col(name) * pl.Series(stretch) for name in miles),
                *(pl.format("{}#{}", name, pl.lit(copy)) for name in ids),
                belt_no=pl.col("belt_no") + copy * n_belts,
            )
        )
    return pl.concat(parts)


def main(n_belts: int = 1_400_000, n_vehicles: int = 5_000) -> None:
    """Simulate, take in, copy, learn, print."""
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place) / "records"
        simulate(folder, n_vehicles=n_vehicles, years=4, seed=1)
        settings = load_settings(folder)
        with connect(Path(place) / "fleet.duckdb") as connection:
            start = time.process_time()
            now = datetime(2026, 1, 1, tzinfo=UTC)
            ingest.load(connection, folder, settings, now=now)
            load_s = time.process_time() - start
            pipeline.compute(connection, settings)

            def read(table: str) -> pl.DataFrame:
                return frames.read(connection, f"from {table}")

            small = read(READINGS_IN_ORDER)
            own = small["belt_no"].n_unique()
            copies = -(-n_belts // own)
            tables = {
                READINGS_IN_ORDER: enlarged(small, own, copies),
                RUNNING: enlarged(read(RUNNING), own, copies),
            }
            others = {
                name: read(name)
                for name in ("history.as_of", "history.model_middles", MODEL_NUMBERS)
            }
    large = tables[READINGS_IN_ORDER]
    load_s *= large.height / small.height
    say = sys.stdout.write
    readings = sum(large[name].count() for name in ("found_log", "left_log"))
    say(f"{own * copies:,} belts, {readings:,} readings at {large.height:,} visits\n")
    start = time.process_time()
    steps.drift((tables | others).__getitem__, settings)
    step_s = time.process_time() - start
    say(f"drift step {step_s:.0f} s CPU; taking the records in {load_s:.0f} s CPU\n")
    say(f"ratio {step_s / load_s:.2f}\n")
    peak_gb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e6
    say(f"peak memory {peak_gb:.1f} GB\n")


if __name__ == "__main__":
    main(*(int(word) for word in sys.argv[1:3]))
