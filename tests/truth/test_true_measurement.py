"""Held against a fleet whose truth is known: is each tension as sure as it says?"""

import numpy as np
import polars as pl
import pytest

from fleetbelt.models.conformity import conformity_with_prior
from tests.truth.conftest import KnownFleet


@pytest.fixture(scope="module")
def readings(fleet: KnownFleet) -> pl.DataFrame:
    table, truth = fleet.results, fleet.truth("readings")
    return (
        table("results.tension_readings")
        .drop_nulls("tension_n")
        .with_columns(
            log_tension=pl.col("tension_n").log(),
            u_log=pl.col("tension_u_n") / pl.col("tension_n"),
            log_min=pl.col("spec_min_n").log(),
            log_max=pl.col("spec_max_n").log(),
        )
        .join(truth, on=["service_id", "phase"], suffix="_true")
        .with_columns(
            error=pl.col("log_tension") - pl.col("true_tension_n").log(),
            truly_under=pl.col("true_tension_n") < pl.col("spec_min_n"),
        )
    )


def covered(readings: pl.DataFrame, factor: float) -> float:
    """Share of 95 % intervals that hold the truth, uncertainty times a factor."""
    error, u = readings["error"].to_numpy(), readings["u_log"].to_numpy()
    return float(np.mean(np.abs(error) < 1.96 * factor * u))


def worst_gap(readings: pl.DataFrame, p_under: np.ndarray) -> float:
    """How far a decile of P(under) is beyond 0.08 + 3 se; 0 or less passes."""
    deciles = (
        readings.with_columns(p=pl.Series(p_under))
        .group_by((pl.col("p") * 10).floor().clip(0, 9).alias("decile"))
        .agg(n=pl.len(), said=pl.col("p").mean(), seen=pl.col("truly_under").mean())
        .filter(pl.col("n") >= 50)
    )
    assert deciles.height == 10
    gaps = deciles.select(
        (pl.col("said") - pl.col("seen")).abs()
        - 0.08
        - 3 * (pl.col("said") * (1 - pl.col("said")) / pl.col("n")).sqrt()
    )
    return float(gaps.to_series().max())  # type: ignore[arg-type]


def chances(readings: pl.DataFrame, factor: float) -> np.ndarray:
    columns = ("log_tension", "u_log", "log_min", "log_max")
    y, u, low, high = (readings[name].to_numpy() for name in columns)
    group = readings.select(pl.struct("phase", "log_min", "log_max").rank("dense"))
    held = conformity_with_prior(y, factor * u, low, high, group=group.to_series())
    return held.p_under


def test_every_reading_has_a_truth_to_be_held_against(readings: pl.DataFrame):
    assert readings.height > 200_000


def test_the_95_per_cent_intervals_of_tension_hold_the_truth(readings: pl.DataFrame):
    assert 0.93 < covered(readings, 1) < 0.97


@pytest.mark.parametrize("source", ["calibrated", "between_spans"])
def test_they_hold_it_for_each_source_of_correction(
    readings: pl.DataFrame, source: str
):
    assert 0.93 < covered(readings.filter(correction_source=source), 1) < 0.975


@pytest.mark.parametrize("factor", [0.5, 2])
def test_half_or_twice_the_uncertainty_fails(readings: pl.DataFrame, factor: float):
    held = readings.filter(pl.col("log_min").is_not_null())

    assert not 0.93 < covered(readings, factor) < 0.97
    assert worst_gap(held, chances(held, factor)) > 0


def test_of_the_belts_said_to_be_under_that_share_is_under(readings: pl.DataFrame):
    held = readings.filter(pl.col("log_min").is_not_null())

    assert worst_gap(held, held["p_under"].to_numpy()) <= 0


def test_uncorrected_readings_fail_the_same_check(
    fleet: KnownFleet, readings: pl.DataFrame
):
    """The naive way: take what the gauge showed for the tension."""
    shown = fleet.results("history.readings").select("service_id", "phase", "shown_n")
    naive = readings.join(shown, on=["service_id", "phase"]).with_columns(
        error=pl.col("shown_n").log() - pl.col("true_tension_n").log()
    )

    assert covered(naive.filter(correction_source="calibrated"), 1) < 0.8
