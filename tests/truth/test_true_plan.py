"""The plan of a past day, held against what happened in the 90 days after it."""

from datetime import date, timedelta

import numpy as np
import polars as pl
import pytest
from scipy.special import pdtr, pdtrc

from fleetbelt.simulation import simulate
from tests.conftest import computed

AS_OF = date(2024, 6, 30)  # three years into records of four
DAYS = timedelta(days=90)
FITTED_SD = 0.06  # of expected failures, from what the fitted lives are uncertain by


@pytest.fixture(scope="module")
def after(tmp_path_factory: pytest.TempPathFactory) -> pl.DataFrame:
    """Running belts with their chance at year three, and whether they then failed.

    Belts that had failed by then and had not been found yet are left out.
    """
    folder = tmp_path_factory.mktemp("plan")
    simulate(folder / "records", n_vehicles=5_000, years=4, seed=1)
    table = computed(folder / "records", folder / "fleet.duckdb", AS_OF)
    odometers = pl.read_csv(folder / "records/odometers.csv", try_parse_dates=True)
    now, then = odometer_on(odometers, AS_OF), odometer_on(odometers, AS_OF + DAYS)
    truth = pl.read_parquet(folder / "records/truth/belts.parquet").select(
        belt_id=pl.concat_str("vehicle_id", "drive_id", "number", separator="/"),
        fails_at_mi=pl.col("install_odometer_mi") + pl.col("life_mi"),
    )
    return (
        table("results.drift_by_belt")
        .drop_nulls("p_failure_90d")
        .join(truth, on="belt_id")
        .join(now, on="vehicle_id")
        .join(then, on="vehicle_id", suffix="_then")
        .filter(pl.col("fails_at_mi") > pl.col("odometer_mi"))
        .select(
            "belt_id",
            p="p_failure_90d",
            miles=pl.col("odometer_mi_then") - pl.col("odometer_mi"),
            daily_mi="daily_mi",
            failed=pl.col("fails_at_mi") <= pl.col("odometer_mi_then"),
        )
    )


def odometer_on(odometers: pl.DataFrame, day: date) -> pl.DataFrame:
    """Odometers of a day, straight between those written down before and after."""
    asked = (
        odometers.select("vehicle_id")
        .unique()
        .with_columns(date=pl.lit(day), odometer_mi=pl.lit(None, dtype=pl.Float64))
    )
    known = odometers.select(
        "vehicle_id", "date", pl.col("odometer_mi").cast(pl.Float64)
    )
    return (
        pl.concat([known, asked])
        .unique(["vehicle_id", "date"], keep="first", maintain_order=True)
        .sort("vehicle_id", "date")
        .with_columns(pl.col("odometer_mi").interpolate_by("date").over("vehicle_id"))
        .filter(date=day)
        .drop_nulls()
        .select("vehicle_id", "odometer_mi")
    )


def tenths(after: pl.DataFrame) -> pl.DataFrame:
    """Return the calibration table: expected and seen failures by tenth of a chance."""
    return (
        after.sort("p", "belt_id")
        .group_by(tenth=pl.int_range(pl.len()) * 10 // pl.len())
        .agg(n=pl.len(), expected=pl.col("p").sum(), seen=pl.col("failed").sum())
        .sort("tenth")
    )


def unlikely(table: pl.DataFrame) -> list[float]:
    """Chance of counts as far off, the expected ones being wrong by twice their sd."""
    expected, seen = (
        table[name].cast(float).to_numpy() for name in ("expected", "seen")
    )
    low = pdtrc(seen - 1, expected * (1 + 2 * FITTED_SD))
    high = pdtr(seen, expected * (1 - 2 * FITTED_SD))
    return [float(p) for p in np.where(seen > expected, low, high)]


def test_the_failures_of_the_next_90_days_are_those_that_were_foretold(
    after: pl.DataFrame,
):
    p, seen = after["p"].to_numpy(), int(after["failed"].sum())
    expected, own_sd = p.sum(), np.sqrt((p * (1 - p)).sum())

    assert after.height > 3_500
    assert seen > 150
    assert abs(seen - expected) < 3 * np.hypot(own_sd, FITTED_SD * expected)


def test_each_tenth_of_the_chances_fails_as_often_as_it_says(after: pl.DataFrame):
    table = tenths(after)

    assert table["expected"][9] > 20 * table["expected"][1]
    assert min(unlikely(table)) > 1e-4


def test_a_chance_that_forgets_the_age_fails_the_same_check(after: pl.DataFrame):
    """The naive way: the same chance for every belt."""
    by_age = tenths(after)
    naive = by_age.with_columns(expected=pl.col("expected").mean())

    assert min(unlikely(naive)) < 1e-9


def test_the_miles_of_the_next_90_days_are_those_that_were_foretold(
    after: pl.DataFrame,
):
    assert after["miles"].sum() == pytest.approx(90 * after["daily_mi"].sum(), rel=0.02)
