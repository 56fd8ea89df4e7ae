"""Drift, run-in loss and the tension now, held against their truth."""

import numpy as np
import polars as pl
import pytest

from tests.truth.conftest import KnownFleet


@pytest.fixture(scope="module")
def by_model(fleet: KnownFleet) -> pl.DataFrame:
    return fleet.results("results.drift_by_model").join(
        fleet.truth("models"), on="model"
    )


@pytest.fixture(scope="module")
def now(fleet: KnownFleet) -> pl.DataFrame:
    return (
        fleet.results("results.drift_by_belt")
        .join(fleet.truth("belts"), on="belt_id", suffix="_true")
        .join(
            fleet.results("history.running_belts").select("belt_id", "spec_min_n"),
            on="belt_id",
        )
        .drop_nulls("tension_now_n")
    )


def standard_errors_off(found: str, lo: str, hi: str, truth: pl.Expr) -> pl.Expr:
    return (pl.col(found) - truth) / ((pl.col(hi) - pl.col(lo)) / 3.92)


def test_drift_is_that_of_each_model(by_model: pl.DataFrame):
    truth = 100 * pl.col("drift_per_1000_mi")
    z = by_model.select(
        standard_errors_off("drift_pct_per_1000mi", "drift_lo", "drift_hi", truth)
    )

    assert z.height == 6
    assert np.abs(z.to_numpy()).max() < 3.5


def test_run_in_loss_is_that_of_each_model(by_model: pl.DataFrame):
    truth = 100 * (1 - (-pl.col("run_in_log")).exp())
    names = ("run_in_loss_pct", "run_in_loss_lo", "run_in_loss_hi")
    z = by_model.select(standard_errors_off(*names, truth))

    assert np.abs(z.to_numpy()).max() < 3.5


def test_the_field_reading_sd_and_the_spread_between_belts_are_found(
    fleet: KnownFleet,
):
    (together,) = (
        fleet.results("results.drift_by_model").filter(model="all").rows(named=True)
    )
    truth = dict(fleet.truth("parameters").rows())

    assert together["residual_sd_pct"] == pytest.approx(
        100 * truth["reading_sd"], rel=0.05
    )
    assert together["between_belt_sd_pct"] == pytest.approx(
        100 * truth["slope_sd"], rel=0.1
    )


def test_the_tension_now_covers_the_truth(now: pl.DataFrame):
    end = pl.col("end_tension_n")
    covers = (end > pl.col("tension_now_lo_n")) & (end < pl.col("tension_now_hi_n"))

    assert now.height > 15_000
    assert 0.93 < now.select(covers.mean()).item() < 0.97


def test_of_the_belts_said_to_be_under_now_that_share_is(now: pl.DataFrame):
    said = pl.col("p_under_now")
    deciles = (
        now.drop_nulls("p_under_now")
        .group_by((said * 10).floor().clip(0, 9).alias("decile"))
        .agg(
            n=pl.len(),
            said=said.mean(),
            seen=(pl.col("end_tension_n") < pl.col("spec_min_n")).mean(),
        )
        .filter(pl.col("n") >= 50)
        .with_columns(
            allowed=0.03
            + 3 * (pl.col("said") * (1 - pl.col("said")) / pl.col("n")).sqrt()
        )
    )

    assert deciles.height >= 9
    gaps = deciles.filter((pl.col("said") - pl.col("seen")).abs() > pl.col("allowed"))
    assert gaps.height == 0, gaps


def test_differences_of_the_readings_that_triggered_work_fail_the_same_check(
    fleet: KnownFleet, by_model: pl.DataFrame
):
    """The naive way: from each setting to the reading that made somebody set again."""
    visits = fleet.results("history.visits").select("service_id", "action")
    pairs = (
        fleet.results("results.tension_intervals")
        .join(visits, left_on="to_service_id", right_on="service_id")
        .filter(pl.col("action") == "retension", ~pl.col("run_in"))
        .join(fleet.results("results.belts").select("belt_id", "model"), on="belt_id")
        .filter(pl.col("miles") > 1_000)
        .with_columns(
            slope=(pl.col("tension_from_n") / pl.col("tension_to_n")).log()
            / (pl.col("miles") / 1e3)
        )
    )
    naive = (
        pairs.group_by("model")
        .agg(
            found=pl.col("slope").mean(),
            se=pl.col("slope").std() / pl.len().sqrt(),
        )
        .join(by_model.select("model", "drift_per_1000_mi"), on="model")
    )
    z = (naive["found"] - naive["drift_per_1000_mi"]) / naive["se"]

    assert z.min() > 3.5  # type: ignore[operator]
