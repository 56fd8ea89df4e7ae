"""Belts read by frequency: the mass that every reading rests on is one a belt."""

import polars as pl
import pytest

from fleetbelt.steps.drift_readings import (
    BELTS,
    DOUBTS,
    GAUGE_NAMES,
    TENSIONS,
    WAY,
    numbered_readings,
)

U_MASS, U_SPAN = 0.03, 0.02
U_BOTH = (U_MASS**2 + U_SPAN**2) ** 0.5
BY_FREQUENCY, MIXED, UNREAD_ONCE = (2**24 * n for n in (1, 2, 3))


@pytest.fixture(scope="module")
def readings() -> pl.DataFrame:
    """Three belts, two visits each: Hz; Hz and newtons; Hz, and a blind setting."""
    belts = [BY_FREQUENCY, MIXED, UNREAD_ONCE]
    keys = pl.DataFrame({"visit_key": [belt + i for belt in belts for i in (1, 2)]})
    is_frequency = pl.Series([True, True, True, False, True, False])
    found = pl.Series([6.0, 5.9, 6.0, 5.9, 6.0, None], dtype=pl.Float32)
    tables = {
        WAY: keys.with_columns(
            belt_key=pl.col("visit_key") // 2**24 * 2**24,
            visit_no=pl.Series([1, 2] * 3, dtype=pl.Int32),
            odometer_mi=pl.Series([0.0, 5000.0] * 3),
            is_before_run_in=pl.lit(value=False),
            is_refit=pl.lit(value=False),
            resets=found.is_null(),
            is_hot=pl.lit(value=False),
        ),
        TENSIONS: keys.with_columns(
            found_log=found,
            left_log=pl.lit(None, pl.Float32),
            n=pl.lit(1, pl.Int16),
            gauge_no=pl.lit(None, pl.Int32),
            cell_mm=pl.lit(None, pl.Float32),
        ),
        DOUBTS: keys.with_columns(
            u_corr=pl.lit(0.0, pl.Float32),
            u_apart=is_frequency.cast(pl.Float32) * U_BOTH,
            set_level=pl.lit(None, pl.Float32),
            is_frequency=is_frequency,
        ),
        BELTS: pl.DataFrame(
            {"model_no": [0] * 3, "duty_no": [0] * 3},
            {"model_no": pl.Int32, "duty_no": pl.Int8},
        ),
        GAUGE_NAMES: pl.DataFrame({"gauge_id": []}, {"gauge_id": pl.String}),
    }
    return numbered_readings(tables.__getitem__, U_MASS)[0]


def test_a_belt_read_by_frequency_alone_has_one_mass(readings: pl.DataFrame):
    belt = readings.filter(belt_no=0)

    assert belt["u_corr"].to_list() == pytest.approx([U_MASS] * 2)
    assert belt["u_apart"].to_list() == pytest.approx([U_SPAN] * 2)


def test_beside_readings_of_another_kind_its_mass_errs_apart(readings: pl.DataFrame):
    belt = readings.filter(belt_no=1)

    assert belt["u_corr"].to_list() == [0.0, 0.0]
    assert belt["u_apart"].to_list() == pytest.approx([U_BOTH, 0.0])


def test_a_setting_that_was_not_read_is_no_reading_of_another_kind(
    readings: pl.DataFrame,
):
    assert readings.filter(belt_no=2)["u_corr"].to_list()[0] == pytest.approx(U_MASS)
