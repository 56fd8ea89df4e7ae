"""How fairly technicians are judged: many invented fleets taken the whole way.

Run by hand: ``python -m tests.coverage.people_coverage [fleets] [seed]``, about five
seconds a fleet on a quiet machine. Each goes from CSV files to its technicians,
with equal ones first, then with unequal ones of whom some leave the adjuster to slip.
Prints who was marked, of the equal and of those whose settings truly hold less often,
how far habits are off, how often their intervals hold the truth, and how often it was
told rightly who corrects for the gauge.
"""

import sys
import tempfile
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import polars as pl
from scipy.special import ndtr

from fleetbelt import ingest, pipeline
from fleetbelt.settings import Settings
from fleetbelt.simulation import SimulationOptions, simulate
from fleetbelt.store import frames
from fleetbelt.store.database import connect
from fleetbelt.store.frames import Read

VEHICLES, YEARS = 2_000, 4.0
SLIPPING, SLIP = 3, 0.05
EQUAL = SimulationOptions(equal_technicians=True)
UNEQUAL = SimulationOptions(n_slipping=SLIPPING, slip=SLIP)


def technicians(folder: Path, seed: int, options: SimulationOptions) -> pl.DataFrame:
    """Return what was found of a fleet's technicians beside what is true of them."""
    records = folder / "records"
    simulate(records, n_vehicles=VEHICLES, years=YEARS, seed=seed, options=options)
    truth = pl.read_parquet(records / "truth" / "technicians.parquet")
    settings = Settings()
    with connect(folder / "fleet.duckdb") as connection:
        ingest.load(connection, records, settings, now=datetime(2026, 1, 1, tzinfo=UTC))

        pipeline.compute(connection, settings)

        def read(table: str) -> pl.DataFrame:
            return frames.read(connection, f"from {table}")

        found = read("results.technician_results")
        held = true_chances(read, records / "truth")
    return found.join(truth, on="technician_id", suffix="_true").join(
        held, on="technician_id", how="left"
    )


def true_chances(read: Read, truth: Path) -> pl.DataFrame:
    """Return each technician's mean true chance that a setting holds.

    From the tension truly left, the slip and the model's true drift; the reading that
    says so errs by the field sd and is off by no gauge.
    """
    drift = pl.read_parquet(truth / "models.parquet").select(
        "model", "drift_per_1000_mi"
    )
    left = pl.read_parquet(truth / "readings.parquet").filter(phase="left")
    slip = pl.read_parquet(truth / "technicians.parquet").select(
        "technician_id", "slip_log"
    )
    settings = (
        read("marts.holds")
        .join(left, on="service_id")
        .join(drift, on="model")
        .join(slip, on="technician_id")
    )
    lost = pl.col("drift_per_1000_mi") * pl.col("miles") / 1000
    x = (pl.col("true_tension_n").log() - pl.col("slip_log") - lost).alias("x")
    own = EQUAL.slope_sd * pl.col("miles") / 1000
    sd = (EQUAL.reading_sd**2 + EQUAL.process_sd**2 + own**2).sqrt().alias("sd")
    at, spread, low, high = (
        settings.select(part).to_series().to_numpy()
        for part in (x, sd, pl.col("log_min"), pl.col("log_max"))
    )
    p = pl.Series(ndtr((high - at) / spread) - ndtr((low - at) / spread))
    return (
        settings.with_columns(p=p)
        .group_by("technician_id")
        .agg(true_hold=pl.col("p").mean())
    )


def fleets(n_fleets: int, seed: int, options: SimulationOptions) -> pl.DataFrame:
    """Return the technicians of so many fleets."""
    every = []
    for number in range(seed, seed + n_fleets):
        with tempfile.TemporaryDirectory() as folder:
            found = technicians(Path(folder), number, options)
        every.append(found.with_columns(fleet=pl.lit(number)))
    return pl.concat(every)


def say_marks(equal: pl.DataFrame, unequal: pl.DataFrame) -> None:
    """Print who was marked of those who should not be, and of those who should."""
    judged = equal.filter(pl.col("standing") != "too_few")
    marked = judged.filter(pl.col("standing").is_in(["better", "worse"]))
    _say(f"equal technicians: {judged.height} judged, {marked.height} marked")
    _say(f"  share {marked.height / judged.height:.4f}")
    gap = pl.col("hold_expected") - pl.col("true_hold")
    for least, most in ((0.15, 1.0), (0.10, 0.15)):
        short = unequal.filter(gap >= least, gap < most, pl.col("hold_n") >= 200)
        worse = (short["standing"] == "worse").to_numpy()
        mean = short.select(gap.mean()).item() or 0.0
        _say(f"truly short by {least} to {most}: {short.height}, by {mean:.3f}")
        _say(f"  marked worse {worse.sum() / max(worse.size, 1):.3f}")


def say_habits(unequal: pl.DataFrame) -> None:
    """Print how far habits are off, and how often their intervals hold."""
    known = unequal.drop_nulls("bias_pct").with_columns(
        habit=100 * (pl.col("habit_log").exp() - 1)
    )
    for column in ("bias_pct", "left_bias_pct"):
        off = (known[column] - known["habit"]).to_numpy()
        _say(f"{column:15} off by {np.sqrt(np.mean(off**2)):.3f} points (rms)")
    is_inside = known["habit"].is_between(known["bias_lo"], known["bias_hi"])
    holds = is_inside.to_numpy().mean()
    se = (holds * (1 - holds) / known.height) ** 0.5
    _say(f"{known.height} habits, intervals hold {holds:.4f} +- {se:.4f}")
    told = known.drop_nulls("corrects_share")
    is_right = (told["corrects_share"] > 0.5) == (told["corrects_share_true"] > 0.5)
    right = is_right.to_numpy().mean()
    _say(f"corrects or not: {told.height} told, right {right:.4f}")


def _say(line: str) -> None:
    sys.stdout.write(f"{line}\n")


def main(n_fleets: int, seed: int) -> None:
    """Simulate, compute, count, print."""
    _say(f"{n_fleets} equal fleets of {VEHICLES} vehicles, a quarter as many unequal")
    equal = fleets(n_fleets, seed, EQUAL)
    unequal = fleets(max(n_fleets // 4, 1), seed, UNEQUAL)
    say_marks(equal, unequal)
    say_habits(unequal)


if __name__ == "__main__":
    main(*(int(word) for word in [*sys.argv[1:], "200", "1"][:2]))
