"""How many settings should hold, and how far a gauge's error leaves that in doubt."""

import numpy as np
import polars as pl
import pytest
from scipy.stats import norm

from fleetbelt.errors import StoreError
from fleetbelt.models.holds import holds
from fleetbelt.models.technician_standing import standings

R = 0.02
SETTING = {
    "technician_id": "T-01",
    "has_held": True,
    "miles": 8_000.0,
    "left_log": 6.2,
    "log_min": 6.1,
    "log_max": 6.4,
    "left_var": 1.0,
    "found_var": 1.0,
    "left_gauge": "G-01",
    "found_gauge": "G-02",
    "left_u": 0.0,
    "found_u": 0.0,
    "drift": 0.005,
    "belt_sd": 0.002,
}


def settings(*rows):
    return pl.DataFrame([{**SETTING, **row} for row in rows])


def test_one_setting_holds_by_the_normal_chance():
    sd = np.sqrt(2 * R**2 + (0.002 * 8) ** 2 + 0.05**2)
    p = norm.cdf(6.4, 6.16, sd) - norm.cdf(6.1, 6.16, sd)

    (row,) = holds(settings({"left_u": 0.03, "found_u": 0.04}), reading_sd=R).rows(
        named=True
    )

    assert (row["hold_n"], row["held"]) == (1, 1)
    # sums are of whole billionths
    assert row["expected"] == pytest.approx(p, abs=1e-9)
    assert row["variance"] == pytest.approx(p * (1 - p), abs=1e-9)


def test_true_gauges_leave_no_doubt():
    assert holds(settings({}, {}), reading_sd=R)["doubt"].to_list() == [0.0]


def test_the_doubt_is_the_spread_of_the_expected_count_over_the_gauge_s_error():
    """Against 20,000 draws of one gauge's error, common to 30 settings."""
    rng = np.random.default_rng(8)
    left = rng.uniform(6.12, 6.38, 30)
    u = 0.05
    sd = np.sqrt(2 * R**2 + (0.002 * 8) ** 2)
    error = u * rng.standard_normal((20_000, 1))
    counts = (
        norm.cdf(6.4, left - 0.04 + error, sd) - norm.cdf(6.1, left - 0.04 + error, sd)
    ).sum(axis=1)

    (row,) = holds(
        settings(*({"left_log": x, "left_u": u} for x in left.tolist())), reading_sd=R
    ).rows(named=True)

    assert row["expected"] == pytest.approx(counts.mean(), rel=0.01)
    assert row["doubt"] == pytest.approx(counts.std(), rel=0.03)


def test_a_gauge_nobody_calibrated_does_not_mark_the_one_who_has_it():
    """200 settings left with one gauge that is off by chance, sd 8 %; 300 such gauges.

    Without the doubt that all his settings share, many are marked for the gauge.
    """
    rng = np.random.default_rng(9)
    held, n, expected, variance, doubt = [], [], [], [], []
    for _ in range(300):
        shown = rng.uniform(6.15, 6.35, 200)
        true = shown + 0.08 * rng.standard_normal() - 0.04
        found = true + R * np.sqrt(2) * rng.standard_normal(200)
        has_held = (found > 6.1) & (found < 6.4)
        rows = (
            {"left_log": x, "has_held": h, "left_u": 0.08, "belt_sd": 0.0}
            for x, h in zip(shown.tolist(), has_held.tolist(), strict=True)
        )
        (row,) = holds(settings(*rows), reading_sd=R).rows(named=True)
        held.append(row["held"])
        n.append(row["hold_n"])
        expected.append(row["expected"])
        variance.append(row["variance"])
        doubt.append(row["doubt"])

    p = standings(held, n, expected, variance, doubt=doubt).p_value
    careless = standings(held, n, expected, variance).p_value

    assert (p < 0.05).mean() < 0.10
    assert (careless < 0.05).mean() > 0.5


def test_no_settings_give_no_rows():
    assert holds(settings({}).clear(), reading_sd=R).is_empty()


def test_a_frame_that_lacks_a_column_is_refused():
    with pytest.raises(StoreError, match="not what the model expects"):
        holds(settings({}).drop("left_u"), reading_sd=R)
