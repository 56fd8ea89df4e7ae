"""The drift step through the whole way: what may not matter does not."""

from pathlib import Path

import polars as pl
import pytest
from polars.testing import assert_frame_equal

from fleetbelt.simulation import simulate
from fleetbelt.units import NEWTONS_PER
from tests.conftest import computed
from tests.fleets import copied

KM_PER_MI = 1.609344
IDS = ("vehicle_id", "service_id", "complaint_id", "repair_id")


def drifted(folder: Path, database: Path) -> dict[str, pl.DataFrame]:
    """Take a folder the whole way; return what belts lose."""
    table = computed(folder, database)
    return {
        name: table(f"results.{name}") for name in ("drift_by_model", "drift_by_belt")
    }


@pytest.fixture(scope="module")
def records(tmp_path_factory) -> Path:
    folder: Path = tmp_path_factory.mktemp("records")
    simulate(folder, n_vehicles=90, years=3, seed=12)
    return folder


@pytest.fixture(scope="module")
def plain(records, tmp_path_factory) -> dict[str, pl.DataFrame]:
    return drifted(records, tmp_path_factory.mktemp("plain") / "fleet.duckdb")


def in_km_and_newtons(name: str, rows: pl.DataFrame) -> dict[str, pl.DataFrame]:
    """Miles in km; whatever is in lbf or kgf in newtons; frequencies stay."""
    if "odometer_mi" in rows.columns:
        km = (pl.col("odometer_mi") * KM_PER_MI).alias("odometer_km")
        rows = rows.with_columns(km).drop("odometer_mi")
    unit = {"services": "reading_unit", "specs": "unit", "calibrations": "unit"}
    values = [
        column
        for column in ("reading_found", "reading_left", "reference", "reading",
                       "tension_min", "tension_max")
        if column in rows.columns
    ]  # fmt: skip
    if name not in unit:
        return {name: rows}
    column = unit[name]
    per = pl.col(column).replace_strict(
        NEWTONS_PER, default=1.0, return_dtype=pl.Float64
    )
    return {
        name: rows.with_columns(
            *(pl.col(value) * per for value in values),
            pl.col(column).replace(dict.fromkeys(NEWTONS_PER, "N")),
        )
    }  # fmt: skip


def in_two_files_in_any_order(name: str, rows: pl.DataFrame) -> dict[str, pl.DataFrame]:
    shuffled, half = rows.sample(fraction=1.0, shuffle=True, seed=3), rows.height // 2
    return {f"{name}_a": shuffled[:half], f"{name}_b": shuffled[half:]}


@pytest.mark.parametrize("change", [in_km_and_newtons, in_two_files_in_any_order])
def test_units_order_and_files_make_no_difference(change, records, plain, tmp_path):
    folder = copied(records, tmp_path / "records", change)

    changed = drifted(folder, tmp_path / "fleet.duckdb")

    for name, table in plain.items():
        key = table.columns[0]
        assert_frame_equal(
            changed[name].sort(key), table.sort(key), rel_tol=1e-5, abs_tol=1e-6
        )


def test_a_fleet_twice_over_has_the_same_drift_known_better_by_root_two(
    records, plain, tmp_path
):
    def doubled(name: str, rows: pl.DataFrame) -> dict[str, pl.DataFrame]:
        ids = [column for column in IDS if column in rows.columns]
        if not ids:
            return {name: rows}
        again = rows.with_columns(
            pl.format("B-{}", column).alias(column) for column in ids
        )
        return {name: pl.concat([rows, again])}

    folder = copied(records, tmp_path / "records", doubled)

    twice = drifted(folder, tmp_path / "fleet.duckdb")["drift_by_model"]

    once = plain["drift_by_model"]
    value = ["drift_pct_per_1000mi", "run_in_loss_pct", "residual_sd_pct"]
    alone = once.filter(~pl.col("is_shrunk"))
    twice = twice.join(alone.select("model"), on="model", maintain_order="right")
    # 3 %: the restricted likelihood allows for the models' coefficients once, not
    # twice, and of few belts spreads are averaged, of twice as many taken as found
    assert_frame_equal(twice.select(value), alone.select(value), rel_tol=0.03)
    width = pl.col("drift_hi") - pl.col("drift_lo")
    ratio = alone.select(width).to_series() / twice.select(width).to_series()
    # and of few belts the spreads, which the interval allows for, are known better too
    assert ((ratio / 2**0.5).is_between(0.98, 1.1)).all()
