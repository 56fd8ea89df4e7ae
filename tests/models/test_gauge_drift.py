"""What became of gauges between calibrations: form, shift by date, found off."""

import datetime as dt
from itertools import combinations

import numpy as np
import polars as pl
import pytest
from polars.testing import assert_frame_equal

from fleetbelt.errors import FitError, StoreError
from fleetbelt.models.gauge_drift import (
    GAUGE_DRIFT,
    GAUGE_SHIFTS,
    GAUGES_OFF,
    NO_CHANGE_SEEN,
    NOT_COMPARABLE,
    as_on,
    fit_gauge_drift,
    levelled,
    log_shift_at,
)
from fleetbelt.models.gauge_drift_forms import DateEffects, fitted_forms
from fleetbelt.models.gauges import CALIBRATIONS, fit_gauges
from fleetbelt.units import NEWTONS_PER

FIRST = dt.date(2020, 1, 1)
SPANS_MM = (150.0, 178.0, 230.0, 305.0)
SD = 0.01


def on(day):
    return FIRST + dt.timedelta(days=int(day))


def calibrations(rng, changes, days=(0, 300, 600), *, n=4, sd=SD, day_sd=0.0):
    """Gauge k reads by changes[k][i] of log ratio more on day i, at every span."""
    rows = []
    for gauge, change in enumerate(changes):
        for shift, day in zip(change, days, strict=True):
            shared = shift + rng.normal(0, day_sd)
            for span in SPANS_MM:
                log_ratio = -9 / span + shared + rng.normal(0, sd, n)
                rows += [
                    (f"g{gauge:03d}", on(day), span, 500.0, 500 * np.exp(y), None)
                    for y in log_ratio
                ]
    return pl.DataFrame(rows, schema=CALIBRATIONS, orient="row")


def share_of_forms(fit):
    n = dict(fit.gauges["form"].value_counts().iter_rows())
    return {form: count / fit.gauges.height for form, count in n.items()}


def dated(*rows):
    return pl.DataFrame(
        rows, schema={"gauge_id": pl.String, "date": pl.Date}, orient="row"
    )


@pytest.mark.parametrize(
    ("change", "form", "least"),
    [
        ((0, 0, 0), "constant", 0.94),
        ((0, 0.02, 0.04), "linear", 0.98),
        ((0, 0, 0.08), "steps", 0.99),
        ((0, 0.05, 0), "steps", 0.99),
    ],
)
def test_the_likelihood_finds_the_form(change, form, least):
    """200 gauges each, three dates, 16 readings a date of 1 % repeatability."""
    rng = np.random.default_rng(1)

    fit = fit_gauge_drift(calibrations(rng, [change] * 200))

    assert share_of_forms(fit)[form] >= least


def test_a_gauge_that_jumps_by_8_percent_is_recalled_between_its_calibrations():
    rng = np.random.default_rng(2)
    jump = np.log(1.08)
    frame = calibrations(rng, [(0, 0, jump), (0, 0, 0)])

    fit = fit_gauge_drift(frame)
    (row,) = fit.found_off.iter_rows(named=True)

    assert fit.found_off.schema == GAUGES_OFF
    assert row["gauge_id"] == "g000"
    assert (row["last_good_date"], row["found_off_date"]) == (on(300), on(600))
    assert row["change_lo"] < 8 < row["change_hi"]
    assert row["change_pct"] == pytest.approx(8, abs=1)  # 4 standard errors


def test_records_between_the_two_calibrations_are_those_of_a_slow_filter():
    rng = np.random.default_rng(3)
    fit = fit_gauge_drift(calibrations(rng, [(0, 0, np.log(1.08))]))
    records = pl.DataFrame(
        {"gauge_id": "g000", "date": [on(d) for d in range(0, 700, 25)]}
    )

    recalled = records.join(fit.found_off, on="gauge_id").filter(
        pl.col("date").is_between("last_good_date", "found_off_date", closed="right")
    )

    assert recalled["date"].to_list() == [on(d) for d in range(325, 625, 25)]


def test_a_gauge_found_off_is_then_held_to_what_it_was_found_to_be():
    rng = np.random.default_rng(4)

    fit = fit_gauge_drift(calibrations(rng, [(0, 0.05, 0.05, 0)], (0, 100, 200, 300)))

    dates = fit.found_off.select("last_good_date", "found_off_date").rows()
    assert dates == [(on(0), on(100)), (on(200), on(300))]
    assert fit.found_off["log_change"].to_list() == pytest.approx(
        [0.05, -0.05], abs=0.015
    )


def test_true_gauges_are_found_off_no_oftener_than_the_level():
    """1,000 gauges with two dates; without a least change, at 5 %."""
    rng = np.random.default_rng(5)
    frame = calibrations(rng, [(0, 0)] * 1000, (0, 300), n=2)

    fit = fit_gauge_drift(frame, least_change=0.0, level=0.05)

    assert fit.found_off.height / 1000 == pytest.approx(0.05, abs=0.028)  # 4 s.e.


def test_what_a_day_shares_is_not_taken_for_a_change_of_the_gauge():
    """Days that differ by 1 %: told of it, 1 true gauge in 20 is marked, else most."""
    rng = np.random.default_rng(6)
    frame = calibrations(rng, [(0, 0)] * 400, (0, 300), day_sd=0.01)

    told = fit_gauge_drift(frame, least_change=0.0, level=0.05, day_sd=0.01)
    naive = fit_gauge_drift(frame, least_change=0.0, level=0.05)

    assert told.found_off.height / 400 == pytest.approx(0.05, abs=0.044)  # 4 s.e.
    assert naive.found_off.height > 200


def test_a_change_too_small_to_matter_is_not_found_off():
    rng = np.random.default_rng(7)

    fit = fit_gauge_drift(calibrations(rng, [(0, 0.01)], (0, 300), n=200))

    assert fit.gauges["form"].to_list() == ["linear"]
    assert fit.found_off.is_empty()


def test_date_effects_are_those_of_dummy_regression():
    """Unbalanced dates and spans, against least squares on 0/1 columns."""
    rng = np.random.default_rng(8)
    date, span = rng.integers(0, 4, 50), rng.integers(0, 5, 50)
    y = rng.normal(0, 1, 50) + date + 2 * span
    design = np.hstack([np.eye(4)[date][:, 1:], np.eye(5)[span]])
    theta, ss, *_ = np.linalg.lstsq(design, y)
    covariance = np.linalg.inv(design.T @ design)[:3, :3]

    found = DateEffects.of(date.astype(float), span, y)
    contrast = np.eye(4)[1:] - np.eye(4)[0]

    assert contrast @ found.effect == pytest.approx(theta[:3], rel=1e-9)
    assert contrast @ found.unit_covariance @ contrast.T == pytest.approx(
        covariance, rel=1e-8
    )
    assert found.ss == pytest.approx(ss[0], rel=1e-9)
    assert found.df == 50 - 8
    assert found.n @ found.effect == pytest.approx(0, abs=1e-9)


def test_the_costs_are_those_of_regressions_on_the_readings():
    """Residual squares of every set of steps tried, by least squares on readings."""
    rng = np.random.default_rng(9)
    date, span = np.divmod(np.arange(60), 12)
    span = span % 3
    y = rng.normal(0, 1, 60) + 1.5 * (date >= 2) - 2.0 * (date >= 4) + span
    spans = np.eye(3)[span]

    def rest(*columns):
        design = np.column_stack([*columns, spans])
        return np.sum((y - design @ np.linalg.lstsq(design, y)[0]) ** 2)

    full = rest(np.eye(5)[date][:, 1:])
    steps = [
        rest(*(date >= j + 1 for j in places)) - full + 2 * len(places) * np.log(60)
        for k in (1, 2, 3, 4)
        for places in combinations(range(4), k)
    ]

    dates = DateEffects.of(100.0 * date, span, y)
    forms = fitted_forms(dates, dates.covariance(1.0, 0.0))

    assert forms["constant"].cost == pytest.approx(rest() - full, rel=1e-8)
    assert forms["linear"].cost == pytest.approx(
        rest(date) - full + np.log(60), rel=1e-8
    )
    assert forms["steps"].cost == pytest.approx(min(steps), rel=1e-8)


def test_between_the_dates_of_a_line_the_truth_lies_in_the_interval():
    """400 gauges that drift evenly; any day between the first and last calibration.

    Between dates u is the larger of its neighbours', so it is more than 95 %.
    """
    rng = np.random.default_rng(10)
    frame = calibrations(rng, [(0, 0.03, 0.06)] * 400)
    day = rng.integers(0, 601, 400)

    shift = log_shift_at(
        fit_gauge_drift(frame),
        pl.DataFrame({"gauge_id": frame["gauge_id"].unique().sort()}).with_columns(
            date=pl.Series([on(d) for d in day])
        ),
    )
    error = shift["log_shift"] - (0.06 * day / 600 - 0.03)

    held = (error.abs() < 1.96 * shift["u_shift"]).to_numpy()
    assert 0.93 < held.mean() < 0.998


@pytest.mark.parametrize("days", [(0, 600), (0, 300, 600)], ids=["two", "three"])
def test_after_a_jump_at_an_unknown_moment_the_truth_lies_in_the_interval(days):
    """400 gauges that jump by 6 % at any moment between the last two calibrations.

    The error is 0.06 (f - 1) or 0.06 f, so 1.96 u hold it where f is 0.2 to 0.8 and
    nearly always elsewhere: the mean square is what u says.
    """
    rng = np.random.default_rng(11)
    change = (0.0,) * (len(days) - 1) + (0.06,)
    frame = calibrations(rng, [change] * 400, days)
    jump, day = rng.uniform(days[-2], 600, (2, 400)).astype(int)

    shift = log_shift_at(
        fit_gauge_drift(frame),
        pl.DataFrame({"gauge_id": frame["gauge_id"].unique().sort()}).with_columns(
            date=pl.Series([on(d) for d in day])
        ),
    )
    mean = 0.06 / len(days)  # readings on the last date are one part in so many
    error = shift["log_shift"].to_numpy() - (0.06 * (day >= jump) - mean)

    said = (shift["u_shift"] ** 2).mean()
    assert np.mean(error**2) == pytest.approx(said, rel=0.15)
    assert error.mean() == pytest.approx(0, abs=0.006)  # 4 standard errors


def test_a_levelled_gauge_keeps_its_repeatability_and_gets_its_ratio_back():
    """The naive curve of all dates together takes the jump for poor repeats."""
    rng = np.random.default_rng(12)
    frame = calibrations(rng, [(0, 0, 0.08)])
    fit = fit_gauge_drift(frame)

    curve = fit_gauges(levelled(frame, fit)).curves
    naive = fit_gauges(frame).curves
    at = log_shift_at(fit, dated(("g000", on(0)), ("g000", on(600))))
    ratio = curve["log_ratio"].to_numpy()[:, None] + at["log_shift"].to_numpy()

    assert curve["repeatability"][0] == pytest.approx(SD, rel=0.3)
    assert naive["repeatability"][0] > 3 * SD
    assert ratio == pytest.approx(
        -9 / np.array(SPANS_MM)[:, None] + [0, 0.08],
        abs=0.015,  # 4 standard errors
    )


def test_the_curves_of_a_day_are_those_of_a_gauge_calibrated_then():
    """After the last date of a jump: the last calibration's ratios, as unsure."""
    rng = np.random.default_rng(15)
    frame = calibrations(rng, [(0, 0, 0.08)])
    fit = fit_gauge_drift(frame)
    level = fit_gauges(levelled(frame, fit))

    now = as_on(level, fit, on(700)).curves
    alone = fit_gauges(frame.filter(pl.col("date") == on(600))).curves

    assert now.schema == level.curves.schema
    assert now["log_ratio"].to_numpy() == pytest.approx(
        alone["log_ratio"].to_numpy(), abs=0.02
    )
    assert (now["u_log_ratio"] >= level.curves["u_log_ratio"]).all()
    assert now["ratio_lo"].to_numpy() == pytest.approx(
        now["ratio"].to_numpy() - (now["ratio_hi"] - now["ratio"]).to_numpy(), rel=2e-3
    )
    assert (now["ratio"] * now["correction"]).to_numpy() == pytest.approx(1)


def test_the_curves_of_a_gauge_that_did_not_change_are_the_same_every_day():
    frame = calibrations(np.random.default_rng(13), [(0, 0, 0)])
    fit = fit_gauge_drift(frame)
    level = fit_gauges(frame)

    assert_frame_equal(as_on(level, fit, on(5_000)).curves, level.curves)


def test_a_gauge_that_did_not_change_is_left_alone():
    frame = calibrations(np.random.default_rng(13), [(0, 0, 0)])

    fit = fit_gauge_drift(frame)

    assert fit.gauges["form"].to_list() == ["constant"]
    assert fit.shifts.is_empty()
    assert fit.shifts.schema == GAUGE_SHIFTS
    assert_frame_equal(levelled(frame, fit), frame)


def test_beyond_its_calibrations_a_drifting_gauge_stays_and_grows_unsure():
    fit = fit_gauge_drift(
        calibrations(np.random.default_rng(14), [(0, 0.03, 0.06)], sd=1e-4)
    )

    at = log_shift_at(fit, dated(*(("g000", on(d)) for d in (-300, 0, 600, 900))))

    assert at["log_shift"].to_list() == pytest.approx(
        [-0.03, -0.03, 0.03, 0.03], abs=1e-3
    )
    assert at["u_shift"].to_list() == pytest.approx([0.03, 0, 0, 0.03], abs=1e-3)


def test_a_gauge_without_a_second_date_or_a_shared_span_gets_a_sentence():
    rng = np.random.default_rng(15)
    one = calibrations(rng, [(0,)], (0,))
    apart = calibrations(rng, [(0, 0.1)], (0, 300)).filter(
        (pl.col("date") == on(0)) == (pl.col("span_mm") < 200)
    )
    frame = pl.concat([one, apart.with_columns(gauge_id=pl.lit("h"))])

    fit = fit_gauge_drift(frame)

    assert fit.gauges.schema == GAUGE_DRIFT
    assert fit.gauges["note"].to_list() == [NO_CHANGE_SEEN, NOT_COMPARABLE]
    assert fit.gauges["form"].to_list() == [None, None]
    assert fit.found_off.is_empty()
    assert log_shift_at(fit, dated(("h", on(5)), ("?", on(5)))).row(0)[2:] == (0, 0)


@pytest.mark.parametrize("n", [1, 3])
def test_repeats_that_agree_to_the_digit_borrow_the_default(n):
    frame = calibrations(np.random.default_rng(16), [(0, 0.03)], (0, 300), n=n, sd=0)

    fit = fit_gauge_drift(frame, default_repeatability=0.01)

    # 4 spans x n readings a date, repeatability half of default where repeats say 0
    assert fit.found_off["u_log_change"][0] > 0.001
    assert fit.found_off["change_pct"][0] == pytest.approx(100 * np.expm1(0.03))


def test_the_order_of_rows_and_the_unit_are_of_no_matter():
    frame = calibrations(np.random.default_rng(17), [(0, 0, 0.08), (0, 0.02, 0.04)])
    other = frame.sample(fraction=1, shuffle=True, seed=1).with_columns(
        pl.col("reference_n", "reading_n") / NEWTONS_PER["lbf"]
    )

    fits = [fit_gauge_drift(f) for f in (frame, other)]

    assert_frame_equal(fits[0].gauges, fits[1].gauges, abs_tol=1e-6)
    assert_frame_equal(fits[0].shifts, fits[1].shifts, abs_tol=1e-9)
    assert_frame_equal(fits[0].found_off, fits[1].found_off, abs_tol=1e-9)


def test_a_change_in_all_spans_and_dates_alike_moves_nothing():
    frame = calibrations(np.random.default_rng(18), [(0, 0, 0.08)])
    shifted = frame.with_columns(pl.col("reading_n") * 1.2)

    assert_frame_equal(
        fit_gauge_drift(frame).shifts, fit_gauge_drift(shifted).shifts, abs_tol=1e-9
    )


def test_no_calibration_at_all_leaves_empty_frames():
    fit = fit_gauge_drift(pl.DataFrame(schema=CALIBRATIONS))

    assert fit.gauges.is_empty()
    assert log_shift_at(fit, dated(("g", on(0))))["u_shift"].to_list() == [0.0]


def test_a_reading_of_nothing_is_refused():
    frame = calibrations(np.random.default_rng(19), [(0, 0, 0)])

    with pytest.raises(FitError, match="no span, load or reading above 0"):
        fit_gauge_drift(frame.with_columns(reading_n=pl.lit(0.0)))
    with pytest.raises(StoreError, match="not what the model expects"):
        log_shift_at(fit_gauge_drift(frame), frame.drop("date"))
