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
from fleetbelt.steps.drift import MODEL_NUMBERS, RUNNING
from fleetbelt.steps.drift_readings import (
    BELTS,
    DOUBTS,
    GAUGE_NAMES,
    TENSIONS,
    WAY,
)
from fleetbelt.store import frames
from fleetbelt.store.database import connect


def enlarged(frame: pl.DataFrame, belt: pl.Series, copies: int) -> pl.DataFrame:
    """Copy the belts; a copy ran 0.8 to 1.2 times the miles of its original."""
    rng = np.random.default_rng(0)
    of_ours = belt.fill_null(0).cast(pl.Int64).to_numpy()
    n_belts = of_ours.max() + 1
    steps = {"visit_key": 2**52, "belt_key": 2**52, "belt_no": n_belts}
    parts = []
    for copy in range(copies):
        stretch = pl.Series(rng.uniform(0.8, 1.2, n_belts)[of_ours])
        changes = {
            **{name: pl.col(name) + copy * step for name, step in steps.items()},
            **{name: pl.col(name) * stretch for name in ("odometer_mi", "miles_since")},
            "belt_id": pl.format("{}#{}", "belt_id", pl.lit(copy)),
        }
        parts.append(
            frame.with_columns(
                change.alias(name)
                for name, change in changes.items()
                if name in frame.columns
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

            visits = {name: read(name) for name in (WAY, TENSIONS, DOUBTS)}
            belt = {name: f["visit_key"] // 2**24 for name, f in visits.items()}
            running, belts = read(RUNNING), read(BELTS)
            own = belts.height
            copies = -(-n_belts // own)
            n_visits = visits[WAY].height
            tables = {
                **{n: enlarged(f, belt[n].rank("dense") - 1, copies)
                   for n, f in visits.items()},
                RUNNING: enlarged(running, running["belt_no"], copies),
                BELTS: pl.concat([belts] * copies),
            }  # fmt: skip
            others = {
                name: read(name)
                for name in (
                    *("history.as_of", "history.model_middles"),
                    *(MODEL_NUMBERS, GAUGE_NAMES),
                )
            }
    large = tables[TENSIONS]
    load_s *= large.height / n_visits
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
