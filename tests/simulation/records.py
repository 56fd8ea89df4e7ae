"""A drawn fleet read back: its files as frames, its belts told apart."""

from dataclasses import dataclass
from pathlib import Path

import polars as pl

from fleetbelt.contract import input_table
from fleetbelt.simulation import SimulatedFleet
from fleetbelt.units import NEWTONS_PER

TYPES = {
    "text": pl.String,
    "date": pl.Date,
    "integer": pl.Int64,
    "real": pl.Float64,
}
PLACE = ("vehicle_id", "drive_id")


@dataclass(frozen=True, slots=True, kw_only=True)
class Drawn:
    """A drawn fleet: the files as the contract types them, and the truth."""

    folder: Path
    files: dict[str, pl.DataFrame]
    truth: dict[str, pl.DataFrame]


def read(fleet: SimulatedFleet) -> Drawn:
    """Read a drawn fleet back from its folder."""
    truth = fleet.folder / "truth"
    return Drawn(
        folder=fleet.folder,
        files={name: read_csv(fleet.folder, name) for name in fleet.rows},
        truth={path.stem: pl.read_parquet(path) for path in truth.glob("*.parquet")},
    )


def read_csv(folder: Path, name: str) -> pl.DataFrame:
    """Read one file as the contract types it; a cell that does not fit is an error."""
    table = input_table(name)
    types = {column.name: TYPES[column.type] for column in table.columns}
    path = folder / f"{name}.csv"
    found = pl.read_csv(path, n_rows=0).columns
    return pl.read_csv(path, schema_overrides={c: types[c] for c in found})


def services_by_belt(drawn: Drawn) -> pl.DataFrame:
    """Number the belts of each place by the installs before; 0 was there at first."""
    main = drawn.files["vehicles"].select("vehicle_id", "model", main="drive_id")
    services = drawn.files["services"].join(main, on="vehicle_id", how="left")
    services = services.with_columns(pl.col("drive_id").fill_null(pl.col("main")))
    is_install = (pl.col("action") == "install").cast(pl.Int64)
    return services.sort("service_id").with_columns(
        number=is_install.cum_sum().over(PLACE)
    )


def readings(drawn: Drawn) -> pl.DataFrame:
    """Return each reading in newtons (null for Hz) beside the truth about it."""
    services = services_by_belt(drawn)
    per_n = pl.col("reading_unit").replace_strict(
        NEWTONS_PER, default=None, return_dtype=pl.Float64
    )
    parts = [
        services.with_columns(
            phase=pl.lit(phase), reading_n=pl.col(f"reading_{phase}") * per_n
        ).filter(pl.col(f"reading_{phase}").is_not_null())
        for phase in ("found", "left")
    ]
    return pl.concat(parts).join(
        drawn.truth["readings"], on=["service_id", "phase"], how="full", coalesce=True
    )


def true_intervals(drawn: Drawn) -> pl.DataFrame:
    """Return what each belt truly lost between readings that follow each other.

    One row per interval: ``miles``, ``lost`` (log true tension), ``run_in`` (from an
    install's left reading) and the belt's own ``drift_slope``. An interval starts at
    the left reading where one was taken, and is left out where work came between.
    """
    seen = readings(drawn).with_columns(
        number=pl.col("number")
        - ((pl.col("action") == "install") & (pl.col("phase") == "found")),
        is_set=pl.col("phase") == "left",
    )
    moved = pl.col("action").is_in(["install", "retension", "refit", "remove"])
    work = services_by_belt(drawn).filter(moved & pl.col("reading_left").is_null())
    unset = work.select(
        "service_id",
        *PLACE,
        "model",
        "number",
        "odometer_mi",
        "action",
        phase=pl.lit("~"),
    )
    rows = pl.concat([seen, unset], how="diagonal").sort("service_id", "phase")
    before = {
        name: pl.col(name).shift(1).over(*PLACE, "number")
        for name in ("odometer_mi", "true_tension_n", "action", "phase")
    }
    belts = drawn.truth["belts"].select(*PLACE, "number", "drift_slope")
    return (
        rows.with_columns(
            miles=pl.col("odometer_mi") - before["odometer_mi"],
            lost=(before["true_tension_n"] / pl.col("true_tension_n")).log(),
            run_in=(before["action"] == "install") & (before["phase"] == "left"),
        )
        .filter((pl.col("phase") == "found") & pl.col("lost").is_not_null())
        .join(belts, on=[*PLACE, "number"])
        .select("model", "miles", "lost", "run_in", "drift_slope", *PLACE, "number")
    )
