"""The lockstep filter against one belt at a time, and against the joint density."""

from math import log, pi
from typing import Any

import numpy as np
import polars as pl
import pytest

from fleetbelt.errors import StoreError
from fleetbelt.models.drift_filter import BeltSums, Spreads, State
from fleetbelt.models.drift_readings import (
    READINGS,
    UNSET_MI,
    Conditions,
    Effects,
    checked_readings,
    clock_miles,
    clock_time,
)
from fleetbelt.models.drift_runs import Runs
from tests.models.drift_fleets import readings_of

SPREADS = Spreads(reading=0.02, interval=0.008, run_in=0.03, slope=0.002)
BETA, LAM = 0.006, 0.12
ROUNDING = 1e-7  # of readings, which are kept in four bytes


def _random_readings(rng, n_belts=60):
    """Anything that can be missing is missing somewhere; one belt has forty rows."""
    belts = []
    for belt in range(n_belts):
        n = 40 if belt == 7 else int(rng.integers(1, 9))
        miles = np.where(rng.random(n) < 0.25, 0.0, rng.uniform(0, 9000, n))
        miles[0] = 0.0
        crosses = np.zeros(n, dtype=bool)
        if n > 1 and rng.random() < 0.7:
            crosses[1] = True
        found = np.where(rng.random(n) < 0.7, 6 + rng.normal(0, 0.1, n), np.nan)
        resets = rng.random(n) < 0.4
        has_left = resets & (rng.random(n) < 0.7)
        left = np.where(has_left, 6 + rng.normal(0, 0.1, n), np.nan)
        belts.append(
            {
                "miles": miles,
                "crosses_run_in": crosses,
                "found_log": found,
                "left_log": left,
                "resets": resets,
                "found_n": rng.integers(1, 4, n),
                "left_n": rng.integers(1, 4, n),
                "u_apart": np.where(rng.random(n) < 0.3, rng.uniform(0, 0.08, n), 0.0),
            }
        )
    return readings_of(belts)


def _one_belt_at_a_time(belt, spreads):
    """Filter the pair (log tension, own slope) row by row; loglik, mean, variance.

    A plain two-state Kalman filter that knows drift and run-in loss; nothing of it is
    shared with the augmented one. None until a first reading starts the tension.
    """
    r2, q2 = spreads.reading**2, spreads.interval**2
    b_mean, b_var = 0.0, spreads.slope**2
    loglik, x = 0.0, None
    for row in belt.iter_rows(named=True):
        if x is not None:
            t = row["miles"] / 1e3
            step = np.array([[1.0, -t], [0.0, 1.0]])
            fall = BETA * t + LAM * row["crosses_run_in"]
            x = (step @ x[0] - [fall, 0.0], step @ x[1] @ step.T)
            x[1][0, 0] += q2 * (t > 0) + spreads.run_in**2 * row["crosses_run_in"]
        if row["found_log"] is not None:
            noise = r2 / row["found_n"] + row["u_apart"] ** 2
            if x is None:
                x = _started(row["found_log"], noise, b_mean, b_var)
            else:
                f = x[1][0, 0] + noise
                gain, z = x[1][:, 0] / f, row["found_log"] - x[0][0]
                loglik -= 0.5 * (log(2 * pi * f) + z**2 / f)
                x = (x[0] + gain * z, x[1] - np.outer(gain, gain) * f)
                b_mean, b_var = x[0][1], x[1][1, 1]
        if row["resets"]:
            known = row["left_log"] is not None
            x = (
                _started(
                    row["left_log"],
                    r2 / row["left_n"] + row["u_apart"] ** 2,
                    b_mean,
                    b_var,
                )
                if known
                else None
            )
    return loglik, x, b_mean, b_var


def _started(level, noise, b_mean, b_var):
    return np.array([level, b_mean]), np.diag([noise, b_var])


def _filtered(readings):
    return BeltSums.of(Runs.of(readings), SPREADS)


def _logliks(sums, spreads):
    """Closed-form marginal log-likelihood of each belt (methods, section 2)."""
    a, b, c = sums.cross[1, 1], sums.cross[0, 1], sums.cross[0, 0]
    r, r_d, r_e = sums.cross[2, 2], sums.cross[1, 2], sums.cross[0, 2]
    tau2 = spreads.slope**2
    h = 1 / (1 + tau2 * a)
    z2 = c - 2 * BETA * b - 2 * LAM * r_e
    z2 = z2 + BETA**2 * a + 2 * BETA * LAM * r_d + LAM**2 * r
    own = b - BETA * a - LAM * r_d
    deviance = sums.sum_log_f - np.log(h) + z2 - tau2 * h * own**2
    return -0.5 * (deviance + sums.n * log(2 * pi)), tau2 * h * own, tau2 * h


@pytest.mark.parametrize("seed", range(5))
def test_the_lockstep_filter_agrees_with_one_belt_at_a_time(seed):
    readings = _random_readings(np.random.default_rng(seed))

    sums = _filtered(readings)
    loglik, b_hat, var_b = _logliks(sums, SPREADS)
    state = State.at_the_end(Runs.of(readings), SPREADS)
    mean, var = state.mean, state.var

    for i, (_, belt) in enumerate(readings.group_by("belt_no", maintain_order=True)):
        expected, x, b_mean, b_var = _one_belt_at_a_time(belt, SPREADS)
        assert loglik[i] == pytest.approx(expected, rel=1e-10, abs=1e-10)
        assert b_hat[i] == pytest.approx(b_mean, rel=1e-9, abs=1e-13)
        assert var_b[i] == pytest.approx(b_var, rel=1e-10)
        if x is None:
            assert np.isinf(var[i])
        else:
            level = mean[0, i] + mean[1, i] * (BETA + b_hat[i]) + mean[2, i] * LAM
            assert level == pytest.approx(x[0][0], abs=1e-10)
            spread = var[i] + mean[1, i] ** 2 * var_b[i]
            assert spread == pytest.approx(x[1][0, 0], rel=1e-10)


def _joint_loglik(belt, spreads):
    """Density of a belt's found readings at once, each run given what started it."""
    r2, q2, qr2 = spreads.reading**2, spreads.interval**2, spreads.run_in**2
    clock = np.zeros(3)  # thousands of miles, run-ins, moves
    start: Any = None
    pairs: list[Any] = []
    for row in belt.iter_rows(named=True):
        move = (row["miles"] / 1e3, row["crosses_run_in"], row["miles"] > 0)
        clock = np.add(clock, move)
        found, left = (
            None
            if row[f"{phase}_log"] is None
            else (
                clock,
                row[f"{phase}_log"],
                r2 / row[f"{phase}_n"] + row["u_apart"] ** 2,
            )
            for phase in ("found", "left")
        )
        if found and start:
            pairs.append((start, found))
        start = left if row["resets"] else start or found
    since = np.array([found[0] - start[0] for start, found in pairs]).reshape(-1, 3)
    rise = np.array([found[1] - start[1] for start, found in pairs])
    cov = spreads.slope**2 * np.outer(since[:, 0], since[:, 0])
    cov += np.diag([found[2] for _, found in pairs])
    for i, (start, _) in enumerate(pairs):
        for j, (other, _) in enumerate(pairs):
            if start is other:
                _, run_ins, moves = np.minimum(since[i], since[j])
                cov[i, j] += start[2] + q2 * moves + qr2 * run_ins
    z = rise + BETA * since[:, 0] + LAM * since[:, 1]
    log_det = np.linalg.slogdet(2 * pi * cov)[1]
    return -0.5 * (log_det + z @ np.linalg.solve(cov, z))


@pytest.mark.parametrize("seed", range(11, 14))
def test_the_closed_form_likelihood_is_the_joint_density_of_the_readings(seed):
    readings = _random_readings(np.random.default_rng(seed))

    loglik, *_ = _logliks(_filtered(readings), SPREADS)

    expected = [
        _joint_loglik(belt, SPREADS)
        for _, belt in readings.group_by("belt_no", maintain_order=True)
    ]
    assert loglik == pytest.approx(expected, rel=1e-9, abs=1e-9)


def _belt(**columns):
    return _filtered(readings_of([columns]))


def _end(**columns):
    return State.at_the_end(Runs.of(readings_of([columns])), SPREADS)


def test_what_was_found_is_held_against_the_old_state_and_what_was_left_starts_anew():
    belt = {
        "miles": [0, 1000],
        "left_log": [6.0, 6.1],
        "found_log": [None, 5.9],
        "resets": [True, True],
    }

    sums, state = _belt(**belt), _end(**belt)

    assert sums.n.tolist() == [1]
    assert sums.cross[0, 0, 0] == pytest.approx(
        0.1**2 / (2 * 0.02**2 + 0.008**2), rel=1e-5
    )
    assert state.mean[:, 0] == pytest.approx([6.1, 0.0, 0.0], rel=ROUNDING)
    assert state.var[0] == pytest.approx(0.02**2)


def test_a_single_reading_teaches_nothing_but_where_the_belt_stands():
    belt = {"miles": [0], "found_log": [5.9], "found_n": [4]}

    sums, state = _belt(**belt), _end(**belt)

    assert sums.n.tolist() == [0]
    assert not sums.cross.any()
    assert state.mean[:, 0] == pytest.approx([5.9, 0.0, 0.0], rel=ROUNDING)
    assert state.var[0] == pytest.approx(0.02**2 / 4)


def test_a_setting_without_a_reading_leaves_the_tension_unknown_until_the_next():
    unread = {"miles": [0, 2000], "left_log": [6.0, None], "resets": [True, True]}
    read_again = {
        "miles": [0, 2000, 3000],
        "left_log": [6.0, None, None],
        "found_log": [None, None, 5.8],
        "resets": [True, True, False],
    }

    assert np.isinf(_end(**unread).var[0])
    assert _belt(**read_again).n.tolist() == [0]
    mean = _end(**read_again).mean[:, 0]
    assert mean == pytest.approx([5.8, 0.0, 0.0], rel=ROUNDING)


def test_a_left_reading_known_to_be_part_error_gives_up_that_part():
    """Regression to the mean: a share of the set level, and as much of the variance."""
    readings = readings_of(
        [{"miles": [0], "left_log": [6.1], "set_level": [0.1], "resets": [True]}]
    )
    effects = Effects(left_slope=0.2)

    state = State.at_the_end(Runs.of(readings, effects=effects), SPREADS)

    assert state.mean[0, 0] == pytest.approx(6.1 - 0.2 * 0.1)
    assert state.var[0] == pytest.approx(0.8 * 0.02**2)


def test_a_run_in_after_an_unknown_setting_says_nothing_of_the_run_in_loss():
    sums = _belt(
        miles=[0, 300, 4000],
        crosses_run_in=[False, True, False],
        found_log=[None, 6.0, 5.9],
        resets=[True, False, False],
    )

    assert sums.n.tolist() == [1]
    assert sums.cross[2, 2, 0] == 0.0


def test_a_recheck_on_the_same_mile_has_no_error_of_an_interval():
    sums = _belt(
        miles=[0, 0],
        left_log=[6.0, None],
        found_log=[None, 6.0],
        resets=[True, False],
    )

    assert np.exp(sums.sum_log_f[0]) == pytest.approx(2 * 0.02**2)


def test_a_visit_without_a_reading_of_it_lets_the_tension_run_on():
    """Found nothing, set nothing: only the miles and the interval's error count."""
    sums = _belt(miles=[0, 2000, 3000], found_log=[6.0, None, 5.9])

    assert sums.cross[1, 1, 0] * np.exp(sums.sum_log_f[0]) == pytest.approx(25.0)
    assert np.exp(sums.sum_log_f[0]) == pytest.approx(2 * (0.02**2 + 0.008**2))


def test_belts_filtered_apart_are_as_belts_filtered_together():
    readings = _random_readings(np.random.default_rng(3))
    apart = [
        readings.filter(pl.col("belt_no") < 20),
        readings.filter(pl.col("belt_no") >= 20),
    ]

    sums = [_filtered(part) for part in apart]

    together = _filtered(readings)
    for name in ("cross", "sum_log_f", "n"):
        joined = np.concatenate([getattr(part, name) for part in sums], axis=-1)
        assert np.array_equal(joined, getattr(together, name))


@pytest.mark.parametrize("clock", ["miles", "log_miles"])
def test_miles_and_clock_time_are_each_others_inverse(clock):
    since, miles = np.array([0.0, 500.0, 20_000.0]), np.array([10.0, 7000.0, 1.0])

    time = clock_time(since, miles, clock)

    assert clock_miles(since, time, clock) == pytest.approx(miles, rel=1e-12)


@pytest.mark.parametrize(
    ("spoil", "said"),
    [
        (lambda f: f.drop("miles"), "lack columns: miles"),
        (lambda f: f.with_columns(miles=pl.lit(-1.0)), "negative numbers"),
        (lambda f: f.with_columns(miles=pl.lit(None, pl.Float64)), "empty cells"),
        (lambda f: f.with_columns(found_log=pl.lit(np.nan)), "not finite"),
        (lambda f: f.with_columns(found_n=pl.lit(0)), "without a count"),
        (lambda f: f.with_columns(visit_no=pl.lit(0)), "visits out of order"),
        (lambda f: f.with_columns(model_no=pl.int_range(pl.len())), "two models"),
        (lambda f: f.with_columns(duty_no=pl.int_range(pl.len()) % 2), "two duties"),
        (lambda f: f.reverse(), "belts out of order"),
    ],
)
def test_readings_that_are_not_to_the_schema_are_refused(spoil, said):
    readings = _random_readings(np.random.default_rng(1))

    with pytest.raises(StoreError, match=said):
        checked_readings(spoil(readings))


def test_readings_in_other_number_types_are_taken_as_they_are_meant():
    readings = _random_readings(np.random.default_rng(1))

    taken = checked_readings(readings.cast({pl.Int32: pl.Int64}))

    assert taken.schema == READINGS
    assert taken.equals(checked_readings(readings))
    assert not sum(taken.null_count().row(0))


def test_a_belt_never_set_in_its_records_ran_before_them():
    """By the log of miles it loses as one that was set some way back, not just now."""
    miles = [0.0, 5000.0, 4000.0]
    never = {"miles": miles, "found_log": [6.0, 5.98, 5.96]}
    then = {**never, "resets": [False, True, False]}
    readings = readings_of([never, then])

    since = Conditions.after(readings).since_set_mi

    assert since.tolist() == [
        UNSET_MI, UNSET_MI + 5000, UNSET_MI + 9000, UNSET_MI, 0, 4000,
    ]  # fmt: skip
