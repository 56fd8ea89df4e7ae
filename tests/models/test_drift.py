"""Drift and run-in loss: published and simulated truths, other software, edge cases."""

import warnings

import numpy as np
import polars as pl
import pytest
from polars.testing import assert_frame_equal
from statsmodels.regression.mixed_linear_model import MixedLM

from fleetbelt.models import drift, drift_readings
from fleetbelt.models.drift import fit_drift
from fleetbelt.models.drift_by_model import FLOOR
from fleetbelt.models.drift_filter import BeltSums
from fleetbelt.models.drift_likelihood import SpreadLikelihood
from fleetbelt.models.drift_runs import Runs
from tests.models.drift_fleets import (
    Truth,
    from_setting_to_next_found,
    from_setting_to_trigger,
    mean_of_slopes,
    readings_of,
    simulate,
)

DYESTUFF = {
    "A": (1545, 1440, 1440, 1520, 1580),
    "B": (1540, 1555, 1490, 1560, 1495),
    "C": (1595, 1550, 1605, 1510, 1560),
    "D": (1445, 1440, 1595, 1465, 1545),
    "E": (1595, 1630, 1515, 1635, 1625),
    "F": (1520, 1455, 1450, 1480, 1445),
}


def _fit(readings, *, prior_reading_sd=0.02, seed=0, **more):
    return fit_drift(
        readings,
        prior_reading_sd=prior_reading_sd,
        rng=np.random.default_rng(seed),
        **more,
    )


def _set_at_every_visit(losses, miles):
    """Belts set to 0 at each visit, so that each loss stands alone."""
    return readings_of(
        [
            {
                "miles": [0.0, *t],
                "found_log": [None, *(-np.asarray(y))],
                "left_log": [0.0] * (len(t) + 1),
                "resets": [True] * (len(t) + 1),
            }
            for y, t in zip(losses, miles, strict=True)
        ]
    )


def _dyestuff_fit():
    """Yields as losses over 1,000 mi: a belt's own drift is a batch's own mean."""
    yields = list(DYESTUFF.values())
    readings = _set_at_every_visit(yields, [[1000.0] * 5] * 6)
    return _fit(readings, prior_reading_sd=20.0, least_belts=5)


def test_the_slopes_of_belts_that_lose_as_dyestuff_yields_are_those_published():
    """Davies and Goldsmith (1972), *Statistical Methods in Research and Production*.

    Restricted likelihood: batch 42.00, residual 49.51, mean 1527.5 (19.38). The
    closed-form analysis of variance gives 42.000595 and 49.510100.
    """
    fit = _dyestuff_fit()

    every = fit.by_model.row(-1, named=True)
    residual = (2 * fit.reading_sd**2 + fit.spreads.interval**2) ** 0.5
    assert fit.spreads.slope == pytest.approx(42.000595, rel=1e-5)
    assert residual == pytest.approx(49.510100, rel=1e-5)
    assert every["drift"] == pytest.approx(1527.5, abs=1e-6)
    assert every["drift_se"] == pytest.approx(19.3834, rel=1e-5)


def test_the_belts_own_slopes_are_the_published_predictions_of_dyestuff_batches():
    """Batch effects as printed with the classic mixed-model analysis (checks, 5)."""
    published = [-17.607, 0.391, 28.562, -23.085, 56.733, -44.995]

    b_hat = _dyestuff_fit().belts["b_hat"].to_numpy()

    assert b_hat == pytest.approx(published, abs=1e-3)  # as printed


def test_random_slopes_agree_with_a_mixed_linear_model_where_the_two_coincide():
    rng = np.random.default_rng(4)
    n, visits = 400, 6
    miles = rng.uniform(1000, 9000, (n, visits))
    slope = 0.006 + rng.normal(0, 0.003, n)
    losses = slope[:, None] * miles / 1e3 + rng.normal(0, 0.03, (n, visits))

    fit = _fit(_set_at_every_visit(losses, miles))
    other = MixedLM(  # in per cent: it takes variances below 0.01 for zero
        100 * losses.ravel(),
        miles.ravel() / 1e3,
        groups=np.repeat(np.arange(n), visits),
        exog_re=miles.ravel() / 1e3,
    ).fit(reml=True)

    every = fit.by_model.row(-1, named=True)
    residual = (2 * fit.reading_sd**2 + fit.spreads.interval**2) ** 0.5
    assert every["drift"] == pytest.approx(other.fe_params[0] / 100, rel=1e-4)
    assert every["drift_se"] == pytest.approx(other.bse_fe[0] / 100, rel=1e-4)
    between = other.cov_re[0, 0] ** 0.5 / 100
    assert fit.spreads.slope == pytest.approx(between, rel=1e-4)
    assert residual == pytest.approx(other.scale**0.5 / 100, rel=1e-4)
    own = np.array([effect.iloc[0] for effect in other.random_effects.values()]) / 100
    assert fit.belts["b_hat"].to_numpy() == pytest.approx(own, rel=1e-3, abs=1e-6)


def test_belts_that_all_lose_alike_have_no_spread_to_be_detected():
    """Slopes closer to each other than their errors let them be."""
    rng = np.random.default_rng(0)
    error = rng.normal(0, 0.03, (200, 5))
    losses = 0.03 + error - error.mean(axis=1, keepdims=True)

    fit = _fit(_set_at_every_visit(losses, np.full((200, 5), 5000.0)))

    assert fit.spreads.slope == 0.0
    assert fit.between_belt_sd_lo == 0.0
    assert fit.between_belt_sd_hi > 0.0
    assert not fit.belts["b_hat"].to_numpy().any()


TRUTH = Truth()


@pytest.fixture(scope="module")
def fleet():
    return simulate(40_000, np.random.default_rng(1), TRUTH)


@pytest.fixture(scope="module")
def fleet_fit(fleet):
    return _fit(fleet.readings)


def _errors(estimate, se, truth):
    return np.abs(np.asarray(estimate) - np.asarray(truth)) / np.asarray(se)


def test_drift_and_run_in_loss_of_every_model_are_those_simulated(fleet_fit):
    models = fleet_fit.by_model.filter(pl.col("model_no").is_not_null())

    drift_errors = _errors(models["drift"], models["drift_se"], TRUTH.drift)
    run_in_errors = _errors(
        models["run_in_loss"], models["run_in_loss_se"], TRUTH.run_in_loss
    )

    assert drift_errors.max() < 3.5
    assert run_in_errors.max() < 3.5
    assert not models["is_shrunk"].any()


def test_the_spreads_are_those_simulated(fleet, fleet_fit):
    spreads = fleet_fit.spreads
    found = np.array([spreads.reading, spreads.interval, spreads.run_in, spreads.slope])
    truth = [TRUTH.reading_sd, TRUTH.interval_sd, TRUTH.run_in_sd, TRUTH.slope_sd]

    sample = drift_readings.sample_of_belts(
        fleet.readings, drift.SAMPLE_BELTS, np.random.default_rng(0)
    )
    likelihood = SpreadLikelihood.of(sample, prior_reading_sd=0.02)
    log_se = _standard_errors(likelihood.deviance, np.log(found))

    assert _errors(np.log(found), log_se, np.log(truth)).max() < 3.5
    half = np.log(fleet_fit.between_belt_sd_hi / fleet_fit.between_belt_sd_lo) / 2
    assert half == pytest.approx(1.96 * log_se[3], rel=0.05)


def _standard_errors(deviance, at):
    """From the curvature of -2 log-likelihood, by differences."""
    h = 1e-3 * np.eye(at.size)
    hessian = [
        [
            deviance(at + i + j)
            - deviance(at + i - j)
            - deviance(at - i + j)
            + deviance(at - i - j)
            for j in h
        ]
        for i in h
    ]
    return np.sqrt(np.diag(np.linalg.inv(np.array(hessian) / 4e-6 / 2)))


@pytest.mark.parametrize(
    "naive", [from_setting_to_next_found, from_setting_to_trigger, mean_of_slopes]
)
def test_the_obvious_estimators_fail_the_same_check(fleet, naive):
    """Fast belts are set more often, and a reading that triggers work is a low one."""
    estimates = naive(fleet.readings)

    errors = _errors(estimates["drift"], estimates["se"], TRUTH.drift)

    assert errors.max() > 3.5
    assert (estimates["drift"].to_numpy() > TRUTH.drift).all()


def test_the_row_for_all_is_one_common_fit(fleet_fit):
    *models, every = fleet_fit.by_model.iter_rows(named=True)

    assert every["model_no"] is None
    assert every["n_belts"] == sum(model["n_belts"] for model in models)
    assert min(TRUTH.drift) < every["drift"] < max(TRUTH.drift)
    assert every["drift_se"] < min(model["drift_se"] for model in models)


def test_the_contracts_percentages_follow_from_the_coefficients(fleet_fit):
    row = fleet_fit.by_model.row(0, named=True)

    assert row["drift_pct_per_1000mi"] == pytest.approx(100 * row["drift"])
    lost = 100 * (1 - np.exp(-row["run_in_loss"]))
    assert row["run_in_loss_pct"] == pytest.approx(lost)
    se = np.hypot(row["run_in_loss_se"], FLOOR * row["run_in_loss"])
    highest = row["run_in_loss"] + 1.959964 * se
    assert row["run_in_loss_hi"] == pytest.approx(100 * (1 - np.exp(-highest)))
    assert row["residual_sd_pct"] == 100 * fleet_fit.spreads.reading
    assert row["between_belt_sd_pct"] == 100 * fleet_fit.spreads.slope


def test_the_squared_innovations_of_a_belt_are_as_many_as_its_intervals(fleet_fit):
    chi2, n = fleet_fit.belts["chi2"].sum(), fleet_fit.belts["n_intervals"].sum()

    assert chi2 == pytest.approx(n, abs=4 * (2 * n) ** 0.5)


def test_a_belts_own_slope_falls_as_that_of_its_model_and_the_run_in_loss_rise(
    fleet, fleet_fit
):
    """By differences: the derivatives that the forecast's variance rests on."""
    readings = fleet.readings.filter(pl.col("belt_no") < 500)
    sums = BeltSums.of(Runs.of(readings), fleet_fit.spreads)
    now, slope = fleet_fit.belts[:500], 0.002

    def belts(shift):
        return drift._belt_table(sums, now, fleet_fit.theta + shift, slope)[0]

    at = belts([0.0, 0.0])
    for column, shift in (("b_weight", [1e-3, 0.0]), ("b_run_in", [0.0, 1e-3])):
        fall = (at["b_hat"] - belts(shift)["b_hat"]) / 1e-3
        assert fall.to_numpy() == pytest.approx(at[column].to_numpy(), abs=1e-9)
        assert fall.abs().max() > 0.001


@pytest.fixture(scope="module")
def small():
    return simulate(600, np.random.default_rng(5), TRUTH).readings


@pytest.fixture(scope="module")
def small_fit(small):
    return _fit(small)


NUMBERS = ["drift", "drift_se", "run_in_loss", "run_in_loss_se"]


def test_kilometres_for_miles_scale_the_drift_and_nothing_else(small, small_fit):
    km = _fit(small.with_columns(pl.col("miles") * 1.609344))

    assert km.loglik == pytest.approx(small_fit.loglik, abs=1e-4)
    assert km.reading_sd == pytest.approx(small_fit.reading_sd, rel=1e-4)
    assert km.spreads.slope * 1.609344 == pytest.approx(
        small_fit.spreads.slope, rel=1e-4
    )
    assert km.theta * [1.609344, 1.0] == pytest.approx(small_fit.theta, rel=1e-5)


def test_pounds_for_newtons_shift_the_level_and_nothing_else(small, small_fit):
    shift = np.log(4.4482216152605)
    pounds = _fit(small.with_columns(pl.col("found_log", "left_log") - shift))

    assert pounds.theta == pytest.approx(small_fit.theta, rel=1e-6)
    assert pounds.loglik == pytest.approx(small_fit.loglik, rel=1e-9)
    assert pounds.belts["a"].drop_nulls().to_numpy() == pytest.approx(
        small_fit.belts["a"].drop_nulls().to_numpy() - shift, abs=1e-7
    )


def test_the_order_of_the_belts_does_not_matter(small, small_fit):
    last = small["belt_no"].max()
    turned = small.with_columns(belt_no=last - pl.col("belt_no"))

    other = _fit(turned.sort("belt_no", "visit_no"))

    assert other.theta == pytest.approx(small_fit.theta, rel=1e-7)
    assert other.belts["b_hat"].reverse().to_numpy() == pytest.approx(
        small_fit.belts["b_hat"].to_numpy(), rel=1e-6, abs=1e-10
    )


def test_a_fleet_seen_twice_has_standard_errors_smaller_by_root_two(small, small_fit):
    n = small["belt_no"].max() + 1
    twice = _fit(pl.concat([small, small.with_columns(pl.col("belt_no") + n)]))

    once = small_fit.by_model.select(NUMBERS).to_numpy()
    doubled = twice.by_model.select(NUMBERS).to_numpy()
    assert doubled[:, [0, 2]] == pytest.approx(once[:, [0, 2]], rel=1e-3)
    # 1 % : the restricted likelihood and the prior of r weigh less in a larger fleet
    assert doubled[:, [1, 3]] * 2**0.5 == pytest.approx(once[:, [1, 3]], rel=0.01)


def test_a_belt_split_between_blocks_of_work_is_never_cut(
    small, small_fit, monkeypatch
):
    monkeypatch.setattr(drift_readings, "BLOCK_BELTS", 37)

    in_blocks = _fit(small)

    assert_frame_equal(in_blocks.belts, small_fit.belts, rel_tol=1e-9)
    assert in_blocks.loglik == pytest.approx(small_fit.loglik, rel=1e-12)


def test_the_spreads_are_learned_from_as_many_random_belts_as_are_allowed(
    small, monkeypatch
):
    monkeypatch.setattr(drift, "SAMPLE_BELTS", 300)

    fits = [_fit(small, seed=seed) for seed in (1, 1, 2)]

    assert fits[0].spreads == fits[1].spreads
    assert fits[0].spreads != fits[2].spreads
    assert fits[0].belts.height == small["belt_no"].n_unique()


def test_a_model_with_few_belts_leans_on_the_fleet_and_says_so(small, small_fit):
    is_rare = (pl.col("model_no") == 3) & (pl.col("belt_no") > 60)
    rare = small.filter(~is_rare).with_columns(
        belt_no=pl.col("belt_no").rle_id().cast(pl.Int64)
    )

    row = _fit(rare).by_model.row(3, named=True)

    full = small_fit.by_model.row(3, named=True)
    assert 0 < row["n_belts"] < 20
    assert row["is_shrunk"]
    assert not full["is_shrunk"]
    assert row["drift_se"] > full["drift_se"]
    assert _errors(row["drift"], row["drift_se"], TRUTH.drift[3]) < 3.5


def test_a_model_never_seen_twice_is_given_the_fleets_drift_and_more_doubt(small):
    unseen = pl.when(pl.col("model_no") == 3).then(None).otherwise(pl.col("found_log"))
    fit = _fit(small.with_columns(found_log=unseen))

    row, every = fit.by_model.row(3, named=True), fit.by_model.row(-1, named=True)

    assert row["n_intervals"] == 0
    assert row["is_shrunk"]
    assert row["drift"] == pytest.approx(every["drift"], rel=0.2)
    spread = fit.by_model["drift"][:3].std()
    assert row["drift_se"] > 0.9 * spread


def test_a_fleet_whose_belts_were_all_fitted_before_knows_no_run_in_loss(small):
    no_run_in = small.with_columns(
        resets=pl.col("resets") & (pl.col("visit_no") > 0),
        left_log=pl.when(pl.col("visit_no") > 0).then("left_log"),
        crosses_run_in=pl.lit(value=False),
    )

    fit = _fit(no_run_in)

    assert fit.not_learned is None
    assert fit.by_model["run_in_loss_pct"].null_count() == fit.by_model.height
    assert fit.by_model["drift_pct_per_1000mi"].null_count() == 0
    assert fit.spreads.run_in == 0.0


@pytest.mark.parametrize(
    "few",
    [
        lambda f: f.clear(),
        lambda f: f.filter(pl.col("belt_no") == 0),
        lambda f: f.filter(pl.col("visit_no") == 0),
        lambda f: f.with_columns(found_log=pl.lit(None, pl.Float64)),
        lambda f: f.with_columns(miles=pl.lit(0.0)),
    ],
    ids=["no rows", "one belt", "no second visit", "nothing found", "no miles"],
)
def test_where_nothing_can_be_learned_the_fit_says_so_in_words(small, few):
    fit = _fit(few(small), prior_reading_sd=0.031)

    assert fit.not_learned.startswith("no drift can be learned")
    assert fit.reading_sd == 0.031
    assert fit.between_belt_sd_lo is None
    assert fit.by_model["drift_pct_per_1000mi"].null_count() == fit.by_model.height
    for frame in (fit.by_model, fit.belts):
        assert not frame.select(pl.col(pl.Float64).is_nan().any()).row(0).count(True)


def test_readings_that_agree_to_the_last_digit_do_not_break_the_fit():
    t = np.full((30, 4), 5000.0)

    with warnings.catch_warnings():
        warnings.simplefilter("error")
        fit = _fit(_set_at_every_visit(0.006 * t / 1e3, t))

    assert fit.by_model["drift"][0] == pytest.approx(0.006, rel=1e-6)
    assert np.isfinite(fit.loglik)


def test_effects_known_beforehand_are_taken_off():
    truth = Truth(hot=0.02, refitted=0.002, duty=(0.0, 0.001, -0.001))
    fleet = simulate(4000, np.random.default_rng(6), truth).readings
    effects = drift_readings.Effects(
        hot=truth.hot, refitted=truth.refitted, duty=truth.duty
    )

    models = _fit(fleet, effects=effects).by_model[:-1]
    without = _fit(fleet).by_model[:-1]

    assert _errors(models["drift"], models["drift_se"], truth.drift).max() < 3.5
    assert _errors(without["drift"], without["drift_se"], truth.drift).max() > 3.5
