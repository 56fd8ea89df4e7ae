"""Few belts: what the spreads may be as well, and what drift and tension are then."""

import numpy as np
import polars as pl
import pytest

from fleetbelt.models.drift import fit_drift
from fleetbelt.models.drift_doubt import likely_spreads
from fleetbelt.models.drift_forecast import Outlook
from fleetbelt.models.drift_likelihood import SpreadLikelihood
from tests.models.drift_fleets import Truth, simulate

N_BELTS = 40
ONE_MODEL = Truth(drift=(0.006,), run_in_loss=(0.12,), model_share=(1.0,))


@pytest.fixture(scope="module")
def fleet():
    return simulate(N_BELTS, np.random.default_rng(2), ONE_MODEL)


def _fit(readings, few_belts):
    rng = np.random.default_rng(0)
    return fit_drift(readings, prior_reading_sd=0.02, rng=rng, few_belts=few_belts)


@pytest.fixture(scope="module")
def few(fleet):
    return _fit(fleet.readings, N_BELTS + 1)


@pytest.fixture(scope="module")
def as_known(fleet):
    return _fit(fleet.readings, 0)


def _total(likely, values, variances):
    """Mean and variance of a mixture, by the law of total variance."""
    shares = [share for share, _ in likely]
    mean = np.average(values, axis=0, weights=shares)
    between = np.average((values - mean) ** 2, axis=0, weights=shares)
    return mean, between + np.average(variances, axis=0, weights=shares)


def test_likely_spreads_scatter_as_the_curvature_of_their_likelihood_says():
    readings = simulate(250, np.random.default_rng(4), ONE_MODEL).readings
    fit = _fit(readings, 0)
    s = fit.spreads
    best = np.log([s.reading, s.interval, s.run_in, s.slope])
    likelihood = SpreadLikelihood.of(readings, prior_reading_sd=0.02)

    likely = likely_spreads(likelihood, s)

    top = likelihood.highest(best, np.eye(4), enough=1e-6)
    sd = np.sqrt(np.diag(top.covariance()))[[0, 3]]
    shares = [share for share, _ in likely]
    drawn = np.log([[each.reading, each.slope] for _, each in likely])
    mean = np.average(drawn, axis=0, weights=shares)
    scatter = np.sqrt(np.average((drawn - mean) ** 2, axis=0, weights=shares))
    assert sum(shares) == pytest.approx(1.0)
    assert (np.abs(mean - best[[0, 3]]) < sd).all()
    assert (scatter > 0.6 * sd).all()
    assert (scatter < 1.6 * sd).all()


def test_the_same_readings_give_the_same_likely_spreads(fleet, few):
    again = _fit(fleet.readings, N_BELTS + 1)

    assert again.by_model.equals(few.by_model)
    assert [share for share, _ in again.likely] == [share for share, _ in few.likely]


def test_drift_and_run_in_of_few_belts_are_averaged_over_likely_spreads(few):
    theta = np.array([one.theta for _, one in few.likely])
    variance = np.array([one.covariance[:, [0, 1], [0, 1]] for _, one in few.likely])

    mean, total = _total(few.likely, theta, variance)

    assert few.theta == pytest.approx(mean)
    assert few.covariance[:, [0, 1], [0, 1]] == pytest.approx(total)
    assert few.by_model["drift"][0] == pytest.approx(mean[0, 0])
    assert few.by_model["drift_se"][0] == pytest.approx(total[0, 0] ** 0.5)


@pytest.mark.parametrize("ahead_mi", [0.0, 2_500.0, 30_000.0])
def test_the_tension_of_few_belts_is_averaged_over_likely_spreads(fleet, few, ahead_mi):
    running = pl.DataFrame(
        {
            "belt_no": np.arange(N_BELTS),
            "since_last_mi": fleet.ahead_mi,
            "is_run_in_ahead": fleet.is_run_in_ahead,
        }
    )

    now = Outlook.of(few, running).tension(ahead_mi)

    each = [Outlook.of(one, running).tension(ahead_mi) for _, one in few.likely]
    mean, total = _total(
        few.likely,
        np.array([one.mean_log for one in each]),
        np.array([one.sd_log**2 for one in each]),
    )
    assert np.isfinite(mean).sum() > N_BELTS / 2
    assert now.mean_log == pytest.approx(mean, nan_ok=True)
    assert now.sd_log**2 == pytest.approx(total, nan_ok=True)


def test_few_belts_are_less_sure_than_if_their_spreads_were_known(few, as_known):
    assert few.by_model["drift_se"][0] > as_known.by_model["drift_se"][0]


def test_the_spreads_of_enough_belts_are_taken_as_known(fleet, as_known):
    enough = _fit(fleet.readings, 10)

    assert enough.likely == as_known.likely == ()
    assert enough.by_model.equals(as_known.by_model)
