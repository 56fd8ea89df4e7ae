"""Whether results depend on how many threads there are, or how much memory.

Run: python -m tests.bench.repeats [VEHICLES] [MEMORY]

One simulated fleet goes the whole way in processes of their own: with 1, 2 and 8
threads of the engine and of the frames, and within MEMORY. Every result table must be
the same to the bit between numbers of threads, and to 1e-9 between amounts of memory.
"""

import os
import subprocess
import sys
import tempfile
from pathlib import Path
from typing import Final

import polars as pl
import polars.testing

import fleetbelt
from fleetbelt import pipeline
from fleetbelt.simulation import simulate
from fleetbelt.store import database

_OF_THE_TIME: Final = {"load_files": ["loaded_at"]}
_CLOSE: Final = 1e-9


def main(n_vehicles: int, memory: str) -> int:
    """Run and print; return how many comparisons failed."""
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place) / "records"
        simulate(folder, n_vehicles=n_vehicles, years=4.0, seed=20261126)
        ways = [(1, database.MEMORY), (2, database.MEMORY), (8, database.MEMORY)]
        found = [tables(folder, *way) for way in [*ways, (2, memory)]]
    base, *others = found
    n_failed = 0
    for (threads, limit), other in zip([*ways[1:], (2, memory)], others, strict=True):
        is_exact = limit == database.MEMORY
        apart = {name for name in base if not same(base[name], other[name], is_exact)}
        n_failed += bool(apart) + (base.keys() != other.keys())
        word = "to the bit" if is_exact else f"to {_CLOSE:g}"
        sys.stdout.write(
            f"{threads} threads, {limit}: {len(base) - len(apart)} of {len(base)} "
            f"tables the same {word} as with 1 thread"
            f"{': not ' + ', '.join(sorted(apart)) if apart else ''}\n"
        )
    return n_failed


def tables(folder: Path, threads: int, memory: str) -> dict[str, pl.DataFrame]:
    """Return every result table of a run in a process of its own."""
    with tempfile.TemporaryDirectory() as out:
        module = [sys.executable, "-m", "tests.bench.repeats", "--one"]
        subprocess.run(
            [*module, folder, out, str(threads), memory],
            check=True,
            env=os.environ | {"POLARS_MAX_THREADS": str(threads)},
        )
        found = fleetbelt.open(Path(out) / "fleet.duckdb")
        return {
            name: frame.drop(_OF_THE_TIME.get(name, [])).sort(pl.all())
            for name, frame in found.items()
        }


def same(one: pl.DataFrame, other: pl.DataFrame, is_exact: bool) -> bool:
    """Say whether two tables hold the same rows."""
    if is_exact:
        return one.equals(other)
    try:
        pl.testing.assert_frame_equal(one, other, rel_tol=_CLOSE, abs_tol=_CLOSE)
    except AssertionError:
        return False
    return True


if __name__ == "__main__":
    if sys.argv[1:2] == ["--one"]:
        _, _, records, place, n_threads, amount = sys.argv
        database._CONFIG["threads"] = int(n_threads)
        pipeline.run(Path(records), Path(place), memory=amount)
    else:
        sys.exit(
            main(
                int(sys.argv[1]) if len(sys.argv) > 1 else 5_000,
                sys.argv[2] if len(sys.argv) > 2 else "700MB",
            )
        )
