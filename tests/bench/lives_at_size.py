"""How long the fits of life and noise take at size; run by hand.

Run from the root: ``python -m tests.bench.lives_at_size [BELTS [VEHICLES]]``. A fleet
of VEHICLES (5,000) is simulated, taken in and computed; then its belts are copied, each
copy with miles of its own, until there are BELTS (1,400,000). Prints the CPU seconds of
each step at that size, and their share of those that taking in as many records would
take (the small fleet's, scaled up by belts).
"""

import sys
import tempfile
import time
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import TypeVar

import duckdb
import polars as pl

from fleetbelt import ingest, pipeline, steps
from fleetbelt.settings import load_settings
from fleetbelt.simulation import simulate
from fleetbelt.store import frames
from fleetbelt.store.database import connect

T = TypeVar("T")
COPIED = {
    "marts.lives": ("entry_mi", "lower_mi", "upper_mi"),
    "marts.belt_miles": ("miles", "entry_mi", "end_mi"),
    "marts.noise_events": ("miles",),
    "marts.install_tension": (),
    "results.belts": (),
}
STEPS = (
    steps.lives, steps.life_effects, steps.count_effects, steps.noise, steps.repairs,
)  # fmt: skip


def timed(work: Callable[[], T]) -> tuple[float, T]:
    """Return the CPU seconds that some work took, and what it gave."""
    start = time.process_time()
    result = work()
    return time.process_time() - start, result


def enlarge(connection: duckdb.DuckDBPyConnection, copies: int) -> None:
    """Copy the belts; a copy ran 0.8 to 1.2 times the miles of its original."""
    for table, miles in COPIED.items():
        stretched = ", ".join(f"round({name} * stretch) as {name}" for name in miles)
        connection.execute(
            f"create or replace table {table} as select * exclude(copy, stretch)"
            f" replace (belt_id || '#' || copy as belt_id"
            f"{', ' + stretched if stretched else ''})"
            f" from (select *, 0.8 + 0.4 * hash(belt_id || copy) / 18446744073709551615"
            f" as stretch from {table}, range({copies}) as copies(copy))"
        )


def main(belts: int = 1_400_000, vehicles: int = 5_000) -> None:
    """Print what each step takes."""
    with tempfile.TemporaryDirectory() as place:
        folder, database = Path(place) / "records", Path(place) / "fleet.duckdb"
        simulate(folder, n_vehicles=vehicles, years=4, seed=7)
        settings = load_settings(folder)
        with connect(database) as connection:
            now = datetime(2026, 1, 1, tzinfo=UTC)
            loading, _ = timed(
                lambda: ingest.load(connection, folder, settings, now=now)
            )
            pipeline.compute(connection, settings)

            def read(table: str) -> pl.DataFrame:
                return frames.read(connection, f"from {table}")

            few = read("results.belts").height
            copies = -(-belts // few)
            enlarge(connection, copies)
            many = read("results.belts").height
            sys.stdout.write(
                f"{few:,} belts taken in in {loading:.1f} s; fitted: {many:,} belts\n"
            )
            total = 0.0
            for step in STEPS:
                seconds, _ = timed(lambda step=step: step(read))  # type: ignore[misc]
                total += seconds
                sys.stdout.write(f"{step.__name__:15s} {seconds:6.1f} s\n")
            share = total / (loading * many / few)
            sys.stdout.write(
                f"{'together':15s} {total:6.1f} s, {share:.1%} of taking them in\n"
            )


if __name__ == "__main__":
    main(*(int(x) for x in sys.argv[1:]))
