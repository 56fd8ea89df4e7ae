"""Gauges without a calibration are put right by the belts that they share."""

import numpy as np
import polars as pl
import pytest

from fleetbelt.models.drift import fit_drift
from fleetbelt.models.drift_offsets import OFFSETS, cell_offsets, put_right
from tests.models.drift_fleets import simulate

TRUE = {0: -0.04, 1: 0.06}
ASSUMED = 0.08


def _fit(readings):
    return fit_drift(
        readings,
        prior_reading_sd=0.02,
        rng=np.random.default_rng(0),
        has_limits=False,
    )


@pytest.fixture(scope="module")
def mixed():
    """A fifth of the visits are read by one of two gauges that are off, unknown how."""
    rng = np.random.default_rng(5)
    fleet = simulate(1500, rng)
    readings = fleet.readings
    draw = rng.random(readings.height)
    cell = pl.Series(np.where(draw < 0.1, 0, np.where(draw < 0.2, 1, -1)))
    cell = pl.select(pl.when(cell >= 0).then(cell)).to_series().cast(pl.Int64)
    shown = cell.replace_strict(TRUE, default=0.0, return_dtype=pl.Float64)
    shown = shown.fill_null(0.0)
    off = readings.with_columns(
        pl.col("found_log", "left_log", "set_level") + shown,
        u_apart=pl.select(pl.when(cell.is_not_null()).then(ASSUMED).otherwise(0.0))
        .to_series(),
    )  # fmt: skip
    return readings, off, cell


def test_what_each_shows_too_much_is_found(mixed):
    _, off, cell = mixed

    found = cell_offsets(off, cell, _fit(off))

    z = (found["offset"] - pl.Series(TRUE.values())) / found["offset_sd"]
    assert found.schema == OFFSETS
    assert found["is_used"].all()
    assert np.abs(z.to_numpy()).max() < 3.5
    assert (found["offset_sd"] < 0.1 * ASSUMED).all()


def test_put_right_the_readings_say_what_true_gauges_would_have_said(mixed):
    true, off, cell = mixed
    found = cell_offsets(off, cell, _fit(off))

    right = put_right(off, cell, found)

    in_cell = cell.is_not_null()
    error = (right["found_log"] - true["found_log"]).filter(in_cell).drop_nulls()
    assert np.abs(error.to_numpy()).max() < 0.006
    assert right.columns == off.columns
    assert right.filter(~in_cell).equals(off.filter(~in_cell))
    assert (right["u_apart"].filter(in_cell) < 0.1 * ASSUMED).all()


def test_a_gauge_that_read_a_few_belts_stays_as_it_is(mixed):
    true, *_ = mixed
    few = (pl.int_range(true.height) < 30).alias("few")
    cell = true.select(pl.when(few).then(0)).to_series().cast(pl.Int64)
    off = true.with_columns(
        u_apart=pl.select(pl.when(cell == 0).then(ASSUMED).otherwise(0.0)).to_series()
    )

    found = cell_offsets(off, cell, _fit(off))

    assert found["n_belts"].item() < 20
    assert not found["is_used"].item()
    assert put_right(off, cell, found).equals(off)


def test_without_such_gauges_nothing_is_told(mixed):
    true, *_ = mixed
    none = pl.Series([None] * true.height, dtype=pl.Int64)

    found = cell_offsets(true, none, _fit(true))

    assert found.is_empty()
    assert put_right(true, none, found).equals(true)


def test_a_fleet_of_such_gauges_alone_keeps_to_what_was_assumed(mixed):
    """Nothing true to hold them against: offsets in common cannot be told."""
    true, *_ = mixed
    cell = pl.Series(np.zeros(true.height), dtype=pl.Int64)
    off = true.with_columns(u_apart=pl.lit(ASSUMED))

    found = cell_offsets(off, cell, _fit(off))

    assert not found["is_used"].item()
    assert found["offset_sd"].item() > 0.5 * ASSUMED
