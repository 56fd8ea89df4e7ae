"""What drift depends on: planted effects are found, absent ones are left out."""

from dataclasses import replace

import numpy as np
import polars as pl
import pytest

from fleetbelt.models.drift import fit_drift
from fleetbelt.models.drift_checks import innovation_checks
from fleetbelt.models.drift_filter import BeltSums
from fleetbelt.models.drift_likelihood import (
    Pooled,
    Solution,
    SpreadLikelihood,
    marginal_deviance,
)
from fleetbelt.models.drift_readings import Effects
from fleetbelt.models.drift_runs import Runs
from fleetbelt.models.drift_tests import EFFECTS, effect_tests
from tests.models.drift_fleets import Truth, simulate


def _tested(truth, seed=3, n_belts=6000):
    readings = simulate(n_belts, np.random.default_rng(seed), truth).readings
    fit = fit_drift(readings, prior_reading_sd=0.02, rng=np.random.default_rng(0))
    return effect_tests(readings, fit.spreads), readings, fit


@pytest.fixture(scope="module")
def plain():
    return _tested(Truth())


@pytest.fixture(scope="module")
def planted():
    truth = Truth(hot=0.01, refitted=0.0015, duty=(0.0, 0.001, 0.0))
    return _tested(truth)


def _row(tests, effect, duty_no=None):
    rows = tests.table.filter(effect=effect)
    return (rows if duty_no is None else rows.filter(duty_no=duty_no)).row(
        0, named=True
    )


def test_a_fleet_without_effects_is_left_as_it_is(plain):
    tests, *_ = plain

    choices = tests.table.filter(pl.col("effect").str.starts_with("left_").not_())
    assert replace(tests.supported, left_slope=0.0, left_level=()) == Effects()
    assert not choices["is_supported"].any()
    assert (choices["p_value"] > 0.001).all()
    assert tests.table.schema == EFFECTS


@pytest.mark.parametrize(
    ("effect", "duty_no", "truth"), [("hot", None, 0.01), ("refitted", None, 0.0015)]
)
def test_a_planted_effect_is_found_at_its_size(planted, effect, duty_no, truth):
    row = _row(planted[0], effect, duty_no)

    se = (row["hi"] - row["lo"]) / (2 * 1.96)
    assert abs(row["estimate"] - truth) < 3.5 * se
    assert row["is_supported"]
    assert row["p_value"] < 1e-6


def test_duty_classes_are_told_from_the_commonest(planted):
    tests, readings, _ = planted
    base = readings["duty_no"].value_counts().sort("count")["duty_no"][-1]
    truth = np.array([0.0, 0.001, 0.0])

    rows = tests.table.filter(effect="duty")

    expected = truth[rows["duty_no"].to_numpy()] - truth[base]
    se = (rows["hi"] - rows["lo"]).to_numpy() / (2 * 1.96)
    assert base not in rows["duty_no"]
    assert (np.abs(rows["estimate"].to_numpy() - expected) < 3.5 * se).all()
    assert rows["df"].to_list() == [2, 2]
    assert rows["is_supported"].all()


def test_the_supported_effects_leave_nothing_to_find_when_fitted_again(planted):
    tests, readings, _ = planted
    again = fit_drift(
        readings,
        prior_reading_sd=0.02,
        rng=np.random.default_rng(0),
        effects=tests.supported,
    )

    left = effect_tests(readings, again.spreads, effects=tests.supported)

    assert left.supported == Effects()


def test_how_tightly_a_belt_was_set_is_told_from_the_error_of_that_reading(plain):
    """Left readings too high by chance are found lower: no drift, and not taken so."""
    tests, *_ = plain

    truth = Truth()
    error = truth.reading_sd**2 * (1 + 1 / 2 + 1 / 3) / 3  # means of 1, 2, 3
    share = error / (truth.setting_sd**2 + error)
    row = _row(tests, "left_slope")
    assert row["lo"] < share < row["hi"]
    assert tests.supported.left_slope == row["estimate"]
    assert not _row(tests, "set_level")["is_supported"]


def test_what_the_error_of_left_readings_bends_is_straight_once_it_is_known(plain):
    """Innovations against tension: tightly set belts are no longer found too low."""
    tests, readings, fit = plain
    known = fit_drift(
        readings,
        prior_reading_sd=0.02,
        rng=np.random.default_rng(0),
        effects=tests.supported,
    )

    def tightest(fit):
        checks = innovation_checks(readings, fit, np.random.default_rng(0))
        mean_z, se = checks.by_tension.select("mean_z", "se").row(-1)
        return mean_z / se

    assert tightest(fit) < -5
    assert abs(tightest(known)) < 3.5
    assert known.loglik > fit.loglik + 50


@pytest.mark.parametrize("is_install", [False, True])
def test_where_settings_lie_in_their_range_does_not_move_drift_and_run_in(
    plain, is_install
):
    """Errors of left readings are none on the mean, wherever settings are aimed."""
    tests, readings, fit = plain
    comes_next = pl.col("crosses_run_in").shift(-1, fill_value=False)
    off = pl.when(comes_next == is_install).then(-0.1).otherwise(0.0)
    aimed_low = readings.with_columns(set_level=pl.col("set_level") + off)

    def drift_and_run_in(readings, effects):
        sums = BeltSums.of(Runs.of(readings, effects=effects), fit.spreads)
        model = Runs.of(readings).model
        pooled = Pooled.of(sums.cross, fit.spreads.slope, model, model.max() + 1)
        return Solution.of(pooled).theta

    again = effect_tests(aimed_low, fit.spreads).supported
    assert again.left_slope == pytest.approx(tests.supported.left_slope, rel=1e-4)
    assert drift_and_run_in(aimed_low, again) == pytest.approx(
        drift_and_run_in(readings, tests.supported), rel=1e-4
    )


def test_a_shift_of_left_readings_is_taken_off_where_no_range_is_known(plain):
    _, readings, _ = plain
    no_range = readings.with_columns(set_level=pl.lit(None, pl.Float64))
    effects = Effects(left_shift=0.01, left_slope=0.1)

    begun = Runs.of(no_range, effects=effects).begun

    plainly = Runs.of(no_range).begun
    is_left = np.isin(plainly.log, no_range["left_log"].drop_nulls().to_numpy())
    assert begun.log == pytest.approx(plainly.log - 0.01 * is_left)
    assert 0.5 < is_left.mean() < 1.0
    assert np.array_equal(begun.share, plainly.share)


def test_a_drift_that_goes_with_the_set_level_is_found():
    tests, *_ = _tested(Truth(set_level=-0.015))

    assert _row(tests, "set_level")["is_supported"]
    assert tests.supported.set_level == pytest.approx(-0.015, rel=0.25)
    assert tests.supported.refitted == 0.0


def test_the_ratio_is_that_of_likelihoods_fitted_with_and_without_the_effect(planted):
    """By hand: the deviance lost where the found effect is taken as known."""
    readings, fit = planted[1:]
    spreads = fit.spreads

    def deviance(effects):
        likelihood = SpreadLikelihood.of(
            readings, prior_reading_sd=0.02, effects=effects
        )
        sums = BeltSums.of(likelihood.runs, spreads)
        return marginal_deviance(
            sums, spreads.slope, likelihood.runs.model, is_restricted=False
        )

    only_hot = readings.with_columns(
        refitted=pl.lit(value=False),
        duty_no=pl.lit(0),
        set_level=pl.lit(None, pl.Float64),
    )
    row = _row(effect_tests(only_hot, fit.spreads), "hot")

    gain = deviance(Effects()) - deviance(Effects(hot=row["estimate"]))
    # 3 %: the table allows for errors of left readings beside it
    assert row["deviance"] == pytest.approx(gain, rel=0.03)


@pytest.mark.parametrize(
    ("effect", "column", "everywhere"),
    [
        (effect, column, everywhere)
        for effect, column in (("hot", "is_hot"), ("refitted", "refitted"))
        for everywhere in (False, True)
    ],
)
def test_an_effect_that_no_belt_or_every_belt_has_cannot_be_told(
    plain, effect, column, everywhere
):
    _, readings, fit = plain
    alike = readings.with_columns(pl.lit(value=everywhere).alias(column))

    row = _row(effect_tests(alike, fit.spreads), effect)

    assert row["df"] == 0
    assert row["estimate"] is None
    assert row["p_value"] is None


def test_a_fleet_of_one_duty_class_has_no_row_for_it(plain):
    _, readings, fit = plain

    tests = effect_tests(readings.with_columns(duty_no=pl.lit(2)), fit.spreads)

    assert tests.table.filter(effect="duty").is_empty()
    assert tests.supported.duty == ()


def test_a_fleet_that_teaches_no_drift_supports_no_effect():
    readings = simulate(4, np.random.default_rng(9)).readings
    fit = fit_drift(readings, prior_reading_sd=0.02, rng=np.random.default_rng(0))

    tests = effect_tests(readings, fit.spreads)

    assert fit.not_learned is not None
    assert tests.supported == Effects()
