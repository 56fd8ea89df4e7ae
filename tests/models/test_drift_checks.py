"""Diagnostics: innovations of a model that holds, and of one that does not."""

from dataclasses import replace

import numpy as np
import polars as pl
import pytest

from fleetbelt.models.drift import fit_drift
from fleetbelt.models.drift_checks import (
    BINS,
    GAUGES,
    gauge_influence,
    innovation_checks,
)
from tests.models.drift_fleets import Truth, readings_of, simulate


def _fit(readings, **options):
    return fit_drift(
        readings, prior_reading_sd=0.02, rng=np.random.default_rng(0), **options
    )


@pytest.fixture(scope="module")
def scene():
    truth = Truth(setting_sd=0.15)  # so wide that a left reading's error is as any
    readings = simulate(8000, np.random.default_rng(4), truth).readings
    return readings, _fit(readings)


def test_innovations_of_a_model_that_holds_are_independent_and_standard(scene):
    readings, fit = scene

    checks = innovation_checks(readings, fit, np.random.default_rng(0))

    se = checks.n**-0.5
    assert checks.n == fit.belts["n_intervals"].sum()
    assert checks.mean == pytest.approx(0, abs=4 * se)
    assert checks.sd == pytest.approx(1, abs=4 * se)
    assert checks.autocorrelation == pytest.approx(0, abs=5 * se)
    for bins in (checks.by_miles, checks.by_tension):
        assert bins.schema == BINS
        assert bins["n"].sum() == checks.n
        assert (bins["lo"][1:] >= bins["hi"][:-1]).all()


def test_the_squares_of_innovations_add_up_to_each_belts_chi_squared(scene):
    """Foretold one by one or judged together, a belt's readings surprise as much."""
    readings, fit = scene

    z = innovation_checks(readings, fit, np.random.default_rng(0)).innovations

    squares = z.group_by("belt_no").agg(chi2=(pl.col("z") ** 2).sum()).sort("belt_no")
    expected = fit.belts.filter(pl.col("n_intervals") > 0)["chi2"].to_numpy()
    assert squares["chi2"].to_numpy() == pytest.approx(expected, rel=1e-8)


def test_innovations_show_that_drift_goes_with_the_log_of_miles():
    truth = Truth(is_log_clock=True, drift=(0.03,) * 4, slope_sd=0.006)
    readings = simulate(4000, np.random.default_rng(4), truth).readings

    wrong, right = (
        innovation_checks(readings, _fit(readings, clock=c), np.random.default_rng(0))
        for c in ("miles", "log_miles")
    )

    def worst(checks):
        return (checks.by_miles["mean_z"].abs() / checks.by_miles["se"]).max()

    assert worst(right) < 5
    assert worst(wrong) > 10


def test_a_belt_slope_left_out_shows_as_autocorrelation(scene):
    readings, fit = scene
    stiff = replace(fit, spreads=replace(fit.spreads, slope=0.0))

    checks = innovation_checks(readings, stiff, np.random.default_rng(0))

    assert checks.autocorrelation > 5 * checks.n**-0.5


def test_without_a_second_reading_there_is_nothing_to_check():
    readings = readings_of([{"miles": [0], "found_log": [6.0]}])

    checks = innovation_checks(readings, _fit(readings), np.random.default_rng(0))

    assert checks.n == 0
    assert (checks.mean, checks.sd, checks.autocorrelation) == (None, None, None)
    assert checks.by_miles.is_empty()


def _by_gauge(readings, n_gauges, rng):
    return pl.Series("gauge_no", rng.integers(0, n_gauges, readings.height))


def test_a_gauge_like_the_others_moves_the_drift_by_less_than_its_error(scene):
    readings, fit = scene
    rng = np.random.default_rng(0)
    gauge_no = _by_gauge(readings, 12, rng)

    gauges = gauge_influence(readings, gauge_no, fit, rng)

    assert gauges.schema == GAUGES
    assert gauges["gauge_no"].to_list() == list(range(12))
    assert (gauges["shift_in_se"].abs() < 3.5).all()


def test_leaving_out_what_led_to_settings_does_not_bend_the_drift(scene):
    """The mean shift over gauges is none: no reading acts unseen on what is kept."""
    readings, fit = scene
    rng = np.random.default_rng(0)

    gauges = gauge_influence(readings, _by_gauge(readings, 40, rng), fit, rng)

    shift = gauges["shift_in_se"].to_numpy()
    assert abs(shift.mean()) < 4 * shift.std() / shift.size**0.5


def test_a_gauge_that_loses_its_setting_over_time_stands_out(scene):
    readings, _ = scene
    rng = np.random.default_rng(0)
    gauge_no = _by_gauge(readings, 10, rng)
    is_bad = (gauge_no == 3) & (readings["visit_no"] > 3)
    bad = readings.with_columns(
        pl.when(is_bad).then(pl.col("found_log") - 0.08).otherwise("found_log")
    )

    gauges = gauge_influence(bad, gauge_no, _fit(bad), rng)

    worst = gauges.sort(pl.col("shift_in_se").abs()).row(-1, named=True)
    assert worst["gauge_no"] == 3
    assert worst["shift"] < 0


def test_leaving_a_gauge_out_is_fitting_without_its_visits(scene):
    """By hand: its readings dropped, and the tension unknown after them."""
    readings, fit = scene
    rng = np.random.default_rng(0)
    gauge_no = _by_gauge(readings, 5, rng)
    is_out = gauge_no == 2
    without = readings.with_columns(
        found_log=pl.when(~is_out).then("found_log"),
        left_log=pl.when(~is_out).then("left_log"),
        resets=pl.col("resets") | is_out,
    )

    row = gauge_influence(readings, gauge_no, fit, rng).row(2, named=True)

    again = _fit(without).by_model.row(-1, named=True)
    assert row["drift_without"] == pytest.approx(again["drift"], rel=0.01)  # spreads


def test_readings_of_no_recorded_gauge_are_no_gauges(scene):
    readings, fit = scene
    none = pl.Series("gauge_no", [None] * readings.height, dtype=pl.Int64)

    gauges = gauge_influence(readings, none, fit, np.random.default_rng(0))

    assert gauges.is_empty()
