"""A gauge that jumps between two calibrations, held against its truth."""

import polars as pl
import pytest

from fleetbelt.simulation import SimulationOptions, simulate
from tests.conftest import Table, computed

JUMPED = "G-01"
JUMP = 0.08


@pytest.fixture(scope="module")
def readings(tmp_path_factory: pytest.TempPathFactory) -> pl.DataFrame:
    """Readings of the gauge that jumped, with their error and the day."""
    folder = tmp_path_factory.mktemp("jump") / "records"
    options = SimulationOptions(gauge_jump=JUMP)
    simulate(folder, n_vehicles=900, years=4, seed=4, options=options)
    table: Table = computed(folder, folder.parent / "fleet.duckdb")
    truth = pl.read_parquet(folder / "truth" / "readings.parquet")
    return (
        table("results.tension_readings")
        .join(truth, on=["service_id", "phase"], suffix="_true")
        .join(table("history.readings"), on=["service_id", "phase"], suffix="_h")
        .filter(pl.col("gauge_id") == JUMPED, pl.col("is_used"))
        .join(table("history.visits").select("service_id", "date"), on="service_id")
        .drop_nulls("tension_n")
        .with_columns(
            error=(pl.col("tension_n") / pl.col("true_tension_n")).log(),
            u=pl.col("tension_u_n") / pl.col("tension_n"),
        )
    )


def test_the_intervals_of_its_readings_hold_the_truth(readings: pl.DataFrame):
    """On every side of the jump; between its two calibrations they are wide."""
    is_inside = (readings["error"].abs() < 1.96 * readings["u"]).to_numpy()

    assert readings.height > 300
    assert is_inside.mean() > 0.93


def test_after_its_last_calibration_the_correction_is_the_later_one(
    readings: pl.DataFrame,
):
    errors = readings.sort("date")["error"].to_numpy()

    assert abs(errors[:100].mean()) < 0.01
    assert abs(errors[-100:].mean()) < 0.01


def test_one_correction_for_all_dates_fails_the_same_check(readings: pl.DataFrame):
    """The naive way: the mean over its calibrations, whatever the date."""
    ratio = (pl.col("shown_n") / pl.col("true_tension_n")).log()
    off = readings.sort("date").select(ratio - ratio.mean().over("span_mm"))
    errors = off.to_series().to_numpy()

    assert max(abs(errors[:100].mean()), abs(errors[-100:].mean())) > 0.02
