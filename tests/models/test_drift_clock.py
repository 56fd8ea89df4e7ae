"""The clock of drift: miles or the log of miles since setting, by likelihood."""

import numpy as np

from fleetbelt.models.drift import fit_drift
from fleetbelt.models.drift_clock import choose_clock
from tests.models.drift_fleets import Truth, simulate


def test_loss_even_in_miles_and_loss_even_in_log_miles_are_told_apart():
    log_truth = Truth(is_log_clock=True, drift=(0.02,) * 4, slope_sd=0.006)
    for truth, clock in ((Truth(), "miles"), (log_truth, "log_miles")):
        readings = simulate(1500, np.random.default_rng(9), truth).readings

        choice = choose_clock(
            readings, prior_reading_sd=0.02, rng=np.random.default_rng(0)
        )

        assert choice.clock == clock
        assert abs(choice.deviance["miles"] - choice.deviance["log_miles"]) > 50


def test_a_fleet_that_cannot_tell_keeps_to_miles():
    readings = simulate(5, np.random.default_rng(9)).readings

    choice = choose_clock(readings, prior_reading_sd=0.02, rng=np.random.default_rng(0))

    assert choice.clock == "miles"


def test_errors_of_left_readings_are_not_taken_for_a_fast_loss_after_setting():
    """Belts set alike: half of what is left too high is error, found gone at once."""
    truth = Truth(setting_sd=0.02, interval_sd=0.002)
    readings = simulate(4000, np.random.default_rng(4), truth).readings

    choice = choose_clock(readings, prior_reading_sd=0.02, rng=np.random.default_rng(0))

    assert choice.clock == "miles"
    assert choice.deviance["log_miles"] - choice.deviance["miles"] > 50


def test_a_fit_begun_near_another_ends_where_it_ends_from_afar():
    readings = simulate(400, np.random.default_rng(8)).readings

    def fitted(near):
        return fit_drift(
            readings,
            prior_reading_sd=0.02,
            rng=np.random.default_rng(0),
            near=near,
            has_limits=False,
        )

    from_afar = fitted(None)
    from_near = fitted(from_afar.spreads)

    assert abs(from_near.loglik - from_afar.loglik) < 1e-4
    assert from_afar.between_belt_sd_lo is None
    assert abs(from_near.spreads.slope / from_afar.spreads.slope - 1) < 1e-3
