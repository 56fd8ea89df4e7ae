"""Tension now and further on: coverage, calibration, and when it falls due."""

from dataclasses import replace

import numpy as np
import polars as pl
import pytest

from fleetbelt.errors import InputError
from fleetbelt.models.drift import fit_drift
from fleetbelt.models.drift_forecast import HORIZON_MI, Outlook, Tension
from fleetbelt.models.drift_readings import Effects
from tests.models.drift_fleets import MIDDLE, Truth, readings_of, simulate

LOG_MIN = MIDDLE - 0.1


def _running(fleet, **changed):
    n = fleet.slope.size
    columns = {
        "belt_no": np.arange(n),
        "since_last_mi": fleet.ahead_mi,
        "is_run_in_ahead": fleet.is_run_in_ahead,
    }
    return pl.DataFrame(columns | changed)


@pytest.fixture(scope="module", params=["miles", "log_miles"])
def scene(request):
    """A fleet on either clock, its fit, and the outlook of every belt."""
    truth = Truth(gauge_sd=0.012)
    if request.param == "log_miles":
        truth = replace(
            truth,
            is_log_clock=True,
            drift=(0.03, 0.04, 0.035, 0.03),
            slope_sd=0.01,
        )
    rng = np.random.default_rng(8)
    fleet = simulate(20_000, rng, truth)
    fit = fit_drift(fleet.readings, prior_reading_sd=0.02, rng=rng, clock=request.param)
    return fleet, fit, Outlook.of(fit, _running(fleet))


def test_tension_now_lies_in_its_interval_as_often_as_it_says(scene):
    fleet, _, outlook = scene
    now = outlook.tension()
    z = (fleet.tension_ahead - now.mean_log) / now.sd_log

    for which in (
        np.isfinite(z),
        np.isfinite(z) & fleet.is_run_in_ahead,
        np.isfinite(z) & (fleet.ahead_mi == 0),
    ):
        assert which.sum() > 1000
        assert 0.93 < (np.abs(z[which]) < 1.96).mean() < 0.97
        assert (z[which] > 1.96).mean() < 0.04
        assert (z[which] < -1.96).mean() < 0.04


def test_the_chance_of_being_under_is_the_share_that_is_under(scene):
    fleet, _, outlook = scene
    p = outlook.tension().p_under(np.full(fleet.slope.size, LOG_MIN))
    is_known = np.isfinite(p)
    seen = pl.DataFrame(
        {"p": p[is_known], "is_under": (fleet.tension_ahead < LOG_MIN)[is_known]}
    )

    tenths = (
        seen.group_by(tenth=(10 * pl.col("p")).floor().clip(0, 9))
        .agg(pl.len(), said=pl.col("p").mean(), share=pl.col("is_under").mean())
        .sort("tenth")
    )

    assert tenths.height == 10
    said, share = tenths["said"].to_numpy(), tenths["share"].to_numpy()
    se = np.sqrt(said * (1 - said) / tenths["len"].to_numpy())
    assert (np.abs(share - said) < 0.03 + 3 * se).all()


@pytest.mark.parametrize("threshold", [0.2, 0.5, 0.8])
def test_work_is_due_where_the_chance_of_being_under_reaches_the_threshold(
    scene, threshold
):
    _, fit, _ = scene
    belt_no = np.arange(400)
    log_min = np.full(400, LOG_MIN)
    running = pl.DataFrame({"belt_no": belt_no}).with_columns(
        since_last_mi=pl.lit(1000.0), is_run_in_ahead=pl.lit(value=False)
    )
    outlook = Outlook.of(fit, running)

    due = outlook.due_in_mi(log_min, threshold)

    steps = np.linspace(0, HORIZON_MI, 4001)
    p = np.array([outlook.tension(step).p_under(log_min) for step in steps])
    reached = p >= threshold
    first = np.where(reached.any(axis=0), steps[reached.argmax(axis=0)], np.nan)
    is_known = np.isfinite(p[0])
    assert (np.isnan(due) == np.isnan(first))[is_known].all()
    assert np.isnan(due[~is_known]).all()
    is_due = np.isfinite(due)
    assert (due[is_due] <= first[is_due] + 1e-6).all()
    assert (due[is_due] > first[is_due] - 25.0 - 1e-6).all()  # one step of the grid
    later = np.flatnonzero(is_due & (due > 0))
    at_due = np.array([outlook.tension(due[i]).p_under(log_min)[i] for i in later])
    assert later.size > 100
    assert at_due == pytest.approx(threshold, abs=1e-8)


@pytest.mark.parametrize("since_last_mi", [0.0, 4000.0])
def test_the_interval_of_a_belt_holds_what_its_model_and_its_own_drift_leave_open(
    since_last_mi,
):
    """Prediction error variance written out; without miles no interval's error."""
    truth = Truth(drift=(0.006,), run_in_loss=(0.12,), model_share=(1.0,))
    fleet = simulate(40, np.random.default_rng(2), truth)
    fit = fit_drift(fleet.readings, prior_reading_sd=0.02, rng=np.random.default_rng(0))
    running = _running(fleet, since_last_mi=np.full(40, since_last_mi))

    tension = Outlook.of(fit, running).tension()

    s, cov = fit.spreads, fit.covariance[0]
    for i, row in enumerate(fit.belts.iter_rows(named=True)):
        if row["p"] is None:
            assert np.isnan(tension.sd_log[i])
            continue
        g, pending = row["g_d"] - since_last_mi / 1e3, fleet.is_run_in_ahead[i]
        by_beta = g * (1 - row["b_weight"])
        by_lambda = row["g_r"] - pending - g * row["b_run_in"]
        by = np.array([by_beta, by_lambda])
        var = row["p"] + s.interval**2 * (since_last_mi > 0) + pending * s.run_in**2
        var += g**2 * row["var_b"] + by @ cov @ by
        assert tension.sd_log[i] ** 2 == pytest.approx(var, rel=1e-10)
        mean = row["a"] + g * (fit.theta[0, 0] + row["b_hat"])
        mean += (row["g_r"] - pending) * fit.theta[0, 1]
        assert tension.mean_log[i] == pytest.approx(mean, rel=1e-12)


def test_a_belt_goes_on_as_its_duty_and_refitting_make_it():
    truth = Truth(refitted=0.01, duty=(0.0, 0.01, -0.005))
    rng = np.random.default_rng(3)
    fleet = simulate(5000, rng, truth)
    effects = Effects(refitted=truth.refitted, duty=truth.duty)
    fit = fit_drift(fleet.readings, prior_reading_sd=0.02, rng=rng, effects=effects)

    now = Outlook.of(fit, _running(fleet)).tension()

    z = (fleet.tension_ahead - now.mean_log) / now.sd_log
    added = fit.belts["added_drift"].to_numpy()
    for drift in np.unique(added):
        of_these = z[(added == drift) & np.isfinite(z)]
        assert of_these.size > 300
        assert of_these.mean() == pytest.approx(0, abs=4 * of_these.size**-0.5)


def test_a_belt_that_has_not_moved_is_known_as_well_as_its_last_reading():
    fit = fit_drift(
        readings_of([{"miles": [0], "left_log": [6.0], "resets": [True]}]),
        prior_reading_sd=0.03,
        rng=np.random.default_rng(0),
    )
    running = pl.DataFrame(
        {"belt_no": [0], "since_last_mi": [0.0], "is_run_in_ahead": [False]}
    )

    tension = Outlook.of(fit, running).tension()

    assert tension.mean_log == pytest.approx([6.0])
    assert tension.sd_log == pytest.approx([0.03])


def test_the_doubt_of_the_gauges_correction_stays_however_many_readings():
    belt = {"miles": [0] * 50, "found_log": [6.0] * 50, "u_corr": [0.04] * 50}
    fit = fit_drift(
        readings_of([belt]), prior_reading_sd=0.03, rng=np.random.default_rng(0)
    )
    running = pl.DataFrame(
        {"belt_no": [0], "since_last_mi": [0.0], "is_run_in_ahead": [False]}
    )

    (sd,) = Outlook.of(fit, running).tension().sd_log

    assert sd**2 == pytest.approx(0.04**2 + 0.03**2 / 50)


def test_a_chance_is_missing_where_the_range_or_the_tension_is():
    tension = Tension(mean_log=np.array([6.0, np.nan]), sd_log=np.array([0.1, 0.1]))

    p = tension.p_under(np.array([np.nan, 6.0]))

    assert np.isnan(p).all()


def test_a_belt_that_loses_nothing_is_not_due_within_the_horizon(scene):
    _, fit, outlook = scene
    still = replace(outlook, slope=np.zeros_like(outlook.slope))
    still = replace(still, c1=np.zeros_like(still.c1), c2=np.zeros_like(still.c2))

    due = still.due_in_mi(np.full(fit.belts.height, LOG_MIN), 0.5)

    is_under = still.tension(1.0).p_under(np.full(fit.belts.height, LOG_MIN)) >= 0.5
    assert (due[is_under] == 0).all()
    assert np.isnan(due[~is_under]).all()


def test_a_threshold_that_is_no_chance_is_refused(scene):
    *_, outlook = scene

    with pytest.raises(InputError, match="cannot be reached"):
        outlook.due_in_mi(np.full(20_000, LOG_MIN), 1.0)


@pytest.mark.parametrize(
    ("changed", "said"),
    [
        ({"since_last_mi": -1.0}, "negative miles"),
        ({"belt_no": 20_000}, "not seen"),
        ({"belt_no": None}, "empty cells"),
    ],
)
def test_running_belts_that_cannot_be_are_refused(scene, changed, said):
    fleet, fit, _ = scene
    running = _running(fleet).with_columns(**{k: pl.lit(v) for k, v in changed.items()})

    with pytest.raises(InputError, match=said):
        Outlook.of(fit, running)


def test_running_belts_without_their_miles_are_refused(scene):
    fleet, fit, _ = scene

    with pytest.raises(InputError, match="lack columns: since_last_mi"):
        Outlook.of(fit, _running(fleet).drop("since_last_mi"))
