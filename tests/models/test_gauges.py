"""Ratios of reading to load, and the corrections that follow from them."""

import datetime as dt

import numpy as np
import polars as pl
import pytest
from polars.testing import assert_frame_equal
from scipy.interpolate import PchipInterpolator
from scipy.stats import t as student

from fleetbelt.errors import FitError, StoreError
from fleetbelt.models.gauges import (
    CALIBRATIONS,
    CORRECTIONS,
    GAUGE_CURVES,
    USES,
    corrections,
    fit_gauges,
)
from fleetbelt.units import NEWTONS_PER

DAY = dt.date(2024, 3, 1)
INCH = 25.4


def calibrations(*rows):
    """Rows of gauge, span in mm, known load and reading in N."""
    full = [(gauge, DAY, span, load, read, None) for gauge, span, load, read in rows]
    return pl.DataFrame(full, schema=CALIBRATIONS, orient="row")


def uses(*rows):
    return pl.DataFrame(rows, schema=USES, orient="row")


def random_calibrations(rng, *, n_gauges=12, spans_mm=(150.0, 200.0, 300.0), n=3):
    rows = []
    for gauge in range(n_gauges):
        for span in spans_mm:
            ratio = np.exp(rng.normal(-8 / span, 0.03))
            for load in rng.uniform(300, 900, n):
                read = load * ratio * np.exp(rng.normal(0, 0.01))
                rows.append((f"g{gauge:02d}", span, load, read))
    return calibrations(*rows)


def all_uses(n_gauges=12, spans_mm=(150.0, 170.0, 240.0, 300.0, 400.0, None)):
    return uses(*(("a", f"g{g:02d}", s) for g in range(n_gauges) for s in spans_mm))


def test_the_curves_are_those_of_a_slow_loop():
    frame = random_calibrations(np.random.default_rng(1))

    curves = fit_gauges(frame).curves

    assert curves.schema == GAUGE_CURVES
    for gauge in curves["gauge_id"].unique():
        readings: dict[float, list[float]] = {}
        for row in frame.filter(gauge_id=gauge).iter_rows(named=True):
            log_ratio = np.log(row["reading_n"] / row["reference_n"])
            readings.setdefault(row["span_mm"], []).append(log_ratio)
        ss = sum(np.var(v) * len(v) for v in readings.values())
        df = frame.filter(gauge_id=gauge).height - len(readings)
        for span, v in readings.items():
            half = student.ppf(0.975, df) * np.sqrt(ss / df / len(v))
            row = curves.row(
                by_predicate=(pl.col("gauge_id") == gauge)
                & (pl.col("span_mm") == span),
                named=True,
            )
            assert row["n"] == len(v)
            assert row["df"] == df
            assert row["ratio"] == pytest.approx(np.exp(np.mean(v)), rel=1e-12)
            assert row["correction"] == pytest.approx(1 / row["ratio"], rel=1e-12)
            assert row["repeatability"] == pytest.approx(np.sqrt(ss / df), rel=1e-9)
            assert row["ratio_lo"] == pytest.approx(np.exp(np.mean(v) - half), rel=1e-9)
            assert row["ratio_hi"] == pytest.approx(np.exp(np.mean(v) + half), rel=1e-9)


def test_intervals_of_the_ratio_hold_the_truth_19_times_in_20():
    rng = np.random.default_rng(2)
    n_gauges, n = 3000, 4
    gauge = np.repeat([f"g{i:04d}" for i in range(n_gauges)], n)
    read = 800 * 0.9 * np.exp(rng.normal(0, 0.01, gauge.size))
    frame = pl.DataFrame({"gauge_id": gauge, "reading_n": read}).with_columns(
        date=DAY, span_mm=178.0, reference_n=800.0, technician_id=None
    )

    curves = fit_gauges(frame).curves
    off = np.abs(curves["log_ratio"].to_numpy() - np.log(0.9))
    half = np.log((curves["ratio_hi"] / curves["ratio"]).to_numpy())

    tolerance = 4 * np.sqrt(0.95 * 0.05 / n_gauges)
    assert abs(np.mean(off < half) - 0.95) < tolerance
    assert abs(np.mean(off < half / 2) - 0.95) > tolerance
    assert abs(np.mean(off < half * 2) - 0.95) > tolerance


def test_a_gauge_without_repeats_borrows_those_of_all_gauges():
    frame = calibrations(
        ("repeated", 178.0, 800.0, 700.0),
        ("repeated", 178.0, 800.0, 720.0),
        ("once", 178.0, 800.0, 790.0),
    )

    fit = fit_gauges(frame)
    borrowed = fit.curves.filter(gauge_id="once").row(0, named=True)

    assert borrowed["repeatability"] == pytest.approx(np.log(72 / 70) / np.sqrt(2))
    assert borrowed["df"] == 1
    assert fit.notes.select("gauge_id", "code").rows() == [("once", "no_repeats")]


def test_without_any_repeats_the_setting_is_used_with_a_normal_interval():
    frame = calibrations(("g", 178.0, 800.0, 760.0), ("g", 305.0, 800.0, 790.0))

    fit = fit_gauges(frame, default_repeatability=0.02)

    assert fit.curves["df"].to_list() == [None, None]
    assert fit.curves["u_log_ratio"].to_list() == [0.02, 0.02]
    assert fit.curves["ratio_hi"][0] == pytest.approx(
        0.95 * np.exp(0.02 * 1.959964), rel=1e-6
    )
    assert fit.notes["gauge_id"].to_list() == ["g"]
    assert "the setting" in fit.notes["detail"][0]


def test_repeats_that_agree_to_the_last_digit_only_show_the_step_of_the_scale():
    frame = calibrations(*[("g", 178.0, 800.0, 760.0)] * 3)

    fit = fit_gauges(frame)

    assert fit.curves["repeatability"].to_list() == [0.01]
    assert fit.notes.height == 1


def test_spans_within_a_millimetre_are_one_span():
    frame = calibrations(
        ("g", 177.8, 800.0, 720.0),
        ("g", 178.0, 800.0, 725.0),
        ("g", 178.8, 800.0, 715.0),
        ("g", 179.9, 800.0, 730.0),
    )

    curves = fit_gauges(frame).curves

    assert curves.select("span_mm", "n").rows() == [(178.0, 3), (179.9, 1)]


def test_the_order_of_rows_is_of_no_matter():
    frame = random_calibrations(np.random.default_rng(3))
    shuffled = frame.sample(fraction=1, shuffle=True, seed=4)

    assert_frame_equal(
        fit_gauges(frame).curves, fit_gauges(shuffled).curves, check_exact=True
    )


def test_the_unit_of_the_calibration_is_of_no_matter():
    frame = random_calibrations(np.random.default_rng(5))
    in_lbf = frame.with_columns(pl.col("reference_n", "reading_n") / NEWTONS_PER["lbf"])

    assert_frame_equal(
        fit_gauges(frame).curves, fit_gauges(in_lbf).curves, rel_tol=1e-9
    )


def test_a_corrected_reading_at_a_calibrated_span_is_the_true_tension():
    rng = np.random.default_rng(6)
    ratio = {(f"g{g}", s): rng.uniform(0.8, 1.1) for g in range(9) for s in (150, 300)}
    frame = calibrations(*((g, s, 800.0, 800.0 * r) for (g, s), r in ratio.items()))
    true_n = rng.uniform(300, 900, len(ratio))
    read_n = true_n * list(ratio.values())

    found = corrections(fit_gauges(frame), uses(*(("a", g, s) for g, s in ratio)))

    assert found["correction_source"].unique().to_list() == ["calibrated"]
    tension_n = read_n * found["correction"].to_numpy()
    log_tension = np.log(read_n) + found["log_correction"].to_numpy()
    assert tension_n == pytest.approx(true_n, rel=1e-12)
    assert np.exp(log_tension) == pytest.approx(true_n, rel=1e-12)


def test_one_gauge_calibrated_otherwise_moves_its_own_corrections_only():
    frame = random_calibrations(np.random.default_rng(7))
    is_it = pl.col("gauge_id") == "g05"
    moved = frame.with_columns(
        pl.when(is_it).then(pl.col("reading_n") * 1.1).otherwise("reading_n")
    )
    asked = pl.concat([all_uses(), uses(("a", None, 200.0), ("a", "never", 200.0))])

    before, after = (corrections(fit_gauges(f), asked) for f in (frame, moved))
    changed = before["correction"] != after["correction"]

    assert changed.to_list() == [g == "g05" for g in asked["gauge_id"]]


def test_between_two_spans_the_log_ratio_is_straight_in_one_over_the_span():
    frame = calibrations(("g", 150.0, 800.0, 720.0), ("g", 300.0, 800.0, 792.0))
    span, x = 200.0, (1 / 200 - 1 / 300) / (1 / 150 - 1 / 300)
    in_span = (300 - 200) / (300 - 150)
    y = np.log([0.9, 0.99])
    expected = x * y[0] + (1 - x) * y[1]
    model = abs(expected - (in_span * y[0] + (1 - in_span) * y[1])) / np.sqrt(3)
    knots = 0.01 * np.hypot(x, 1 - x)

    found = corrections(fit_gauges(frame), uses(("a", "g", span))).row(0, named=True)

    assert found["correction_source"] == "between_spans"
    assert found["log_correction"] == pytest.approx(-expected, rel=1e-12)
    assert found["u_corr"] == pytest.approx(np.hypot(model, knots), rel=1e-9)


def test_the_knots_scatter_is_carried_through_the_curve():
    """Against 4,000 curves through knots drawn with their own uncertainty."""
    rng = np.random.default_rng(8)
    spans, ratio = np.array([150.0, 200.0, 300.0, 450.0]), [0.85, 0.92, 0.96, 0.985]
    frame = calibrations(
        *(
            ("g", s, 800.0, 800 * r * k)
            for s, r in zip(spans, ratio, strict=True)
            for k in (0.997, 1.003)
        )
    )
    fit = fit_gauges(frame)
    at = np.array([160.0, 180.0, 240.0, 280.0, 350.0, 420.0])
    y, u = fit.curves["log_ratio"].to_numpy(), fit.curves["u_log_ratio"].to_numpy()
    drawn = rng.normal(y, u, (4000, 4))
    curves = PchipInterpolator(1 / spans[::-1], drawn[:, ::-1], axis=1)(1 / at)
    curve = PchipInterpolator(1 / spans[::-1], y[::-1])(1 / at)
    lines = [
        curve,
        np.interp(at, spans, y),
        np.interp(1 / at, 1 / spans[::-1], y[::-1]),
    ]
    model = np.ptp(lines, axis=0) / np.sqrt(3)

    found = corrections(fit, uses(*(("a", "g", s) for s in at)))

    assert found["log_correction"].to_numpy() == pytest.approx(-curve, rel=1e-12)
    assert found["u_corr"].to_numpy() == pytest.approx(
        np.hypot(curves.std(axis=0), model), rel=0.05
    )


def test_between_the_spans_the_curve_never_overshoots_them():
    fit = fit_gauges(random_calibrations(np.random.default_rng(9)))
    spans = np.linspace(150, 300, 61)

    found = corrections(fit, uses(*(("a", "g03", s) for s in spans)))
    knots = fit.curves.filter(gauge_id="g03")
    for low, high in ((150, 200), (200, 300)):
        ends, inside = (
            f.filter(pl.col("span_mm").is_between(low, high))["correction"].to_numpy()
            for f in (knots, found)
        )

        assert inside.min() >= ends.min() - 1e-12
        assert inside.max() <= ends.max() + 1e-12


@pytest.mark.parametrize(
    ("span_mm", "source"),
    [
        (149.0, "calibrated"),
        (151.0, "calibrated"),
        (151.1, "between_spans"),
        (148.9, "beyond_spans"),
        (301.1, "beyond_spans"),
        (None, "pooled"),
    ],
)
def test_a_millimetre_decides_where_a_correction_comes_from(span_mm, source):
    fit = fit_gauges(
        calibrations(("g", 150.0, 800.0, 720.0), ("g", 300.0, 800.0, 792.0))
    )

    found = corrections(fit, uses(("a", "g", span_mm)))

    assert found["correction_source"].to_list() == [source]


def test_beyond_the_spans_the_nearest_is_used_and_wholly_doubted():
    fit = fit_gauges(
        calibrations(("g", 150.0, 800.0, 720.0), ("g", 300.0, 800.0, 792.0))
    )

    found = corrections(fit, uses(("a", "g", 120.0), ("a", "g", 500.0)))

    assert found["correction"].to_list() == pytest.approx([1 / 0.9, 1 / 0.99])
    assert found["u_corr"].to_list() == pytest.approx(
        np.hypot(np.log([0.9, 0.99]), 0.01)
    )


def test_a_gauge_with_one_span_knows_no_other():
    fit = fit_gauges(calibrations(("g", 150.0, 800.0, 720.0)))

    found = corrections(fit, uses(("a", "g", 160.0), ("a", "g", None)))

    assert found["correction_source"].to_list() == ["beyond_spans", "pooled"]
    assert found["correction"].to_list() == pytest.approx([1 / 0.9, 1 / 0.9])
    assert found["u_corr"].to_list() == pytest.approx([np.hypot(np.log(0.9), 0.01)] * 2)


def test_with_an_unknown_span_the_spread_over_the_spans_is_the_doubt():
    fit = fit_gauges(
        calibrations(("g", 150.0, 800.0, 720.0), ("g", 300.0, 800.0, 792.0))
    )

    found = corrections(fit, uses(("a", "g", None))).row(0, named=True)

    assert found["correction"] == pytest.approx(1 / np.sqrt(0.9 * 0.99))
    assert found["u_corr"] == pytest.approx(np.std(np.log([0.9, 0.99]), ddof=1))


def test_an_uncalibrated_gauge_is_doubted_by_the_errors_of_its_shop():
    fit = fit_gauges(
        calibrations(("bad", 150.0, 800.0, 720.0), ("good", 150.0, 800.0, 792.0))
    )
    asked = uses(
        ("a", "bad", 150.0),
        ("a", None, 150.0),
        ("b", "never", 150.0),
        ("b", "good", None),
        ("c", "never", 150.0),
    )

    found = corrections(fit, asked)
    at_home = corrections(
        fit, asked, homes=pl.DataFrame({"shop": ["c"], "gauge_id": ["bad"]})
    )

    bad, good = np.log(0.9) ** 2, np.log(0.99) ** 2
    fleet = (bad + good + 2 * 0.08**2) / 4
    bad, good = (np.sqrt((own + 2 * fleet) / 3) for own in (bad, good))
    assert found["u_corr"].gather([1, 2, 4]).to_list() == pytest.approx(
        [bad, good, np.sqrt(fleet)]
    )
    assert found["correction"].gather([1, 2, 4]).to_list() == [1.0, 1.0, 1.0]
    assert found["correction_source"].gather([1, 2, 4]).to_list() == ["pooled"] * 3
    assert at_home["u_corr"][4] == pytest.approx(bad)


def test_one_gauge_that_is_right_says_little_of_the_others():
    fit = fit_gauges(calibrations(("right", 150.0, 800.0, 800.0)))

    found = corrections(fit, uses(("a", "right", 150.0), ("a", "never", 150.0)))

    assert found["u_corr"][0] < 0.02
    assert 0.05 < found["u_corr"][1] < 0.08


def test_without_any_calibration_the_setting_is_the_doubt():
    fit = fit_gauges(calibrations())

    found = corrections(fit, uses(("a", "g", 150.0)), uncalibrated_u=0.06)

    assert found.select(CORRECTIONS.names()).rows() == [(0.0, 1.0, 0.06, "none")]


def test_the_uses_come_back_in_their_order_with_their_own_columns():
    frame = random_calibrations(np.random.default_rng(10))
    asked = all_uses().sample(fraction=1, shuffle=True, seed=1).with_row_index("mine")

    found = corrections(fit_gauges(frame), asked)

    assert_frame_equal(found.select(asked.columns), asked)
    assert found.select(CORRECTIONS.names()).schema == CORRECTIONS
    assert found.select(CORRECTIONS.names()).null_count().sum_horizontal().item() == 0


def test_no_uses_give_no_corrections():
    fit = fit_gauges(random_calibrations(np.random.default_rng(11)))

    assert corrections(fit, uses()).height == 0


def test_a_frame_without_a_column_is_refused():
    frame = calibrations(("g", 150.0, 800.0, 720.0)).drop("reading_n")

    with pytest.raises(StoreError, match="reading_n"):
        fit_gauges(frame)


@pytest.mark.parametrize("value", [0.0, -3.0, None, float("nan")])
@pytest.mark.parametrize("column", ["span_mm", "reference_n", "reading_n"])
def test_a_calibration_without_a_positive_value_is_refused(column, value):
    frame = calibrations(("g", 150.0, 800.0, 720.0)).with_columns(
        pl.lit(value, dtype=pl.Float64).alias(column)
    )

    with pytest.raises(FitError, match="1 calibrations have no span, load or reading"):
        fit_gauges(frame)


def simulated(rng, *, n_gauges=600, knots_in=(6, 8, 12, 18), n=3, n_uses=6):
    """Gauges whose error dies away with the span as a power between 2 and 3.5."""
    scale, power = rng.uniform(0.05, 0.13, n_gauges), rng.uniform(2, 3.5, n_gauges)
    offset = rng.normal(0, 0.015, n_gauges)

    def law(gauge, span_in):
        return -(offset[gauge] + scale[gauge] * (7 / span_in) ** power[gauge])

    knots = np.array(knots_in, dtype=float)
    gauge = np.repeat(np.arange(n_gauges), len(knots) * n)
    span = np.tile(np.repeat(knots, n), n_gauges)
    read = 800 * np.exp(law(gauge, span) + rng.normal(0, 0.01, gauge.size))
    frame = pl.DataFrame(
        {"gauge_id": gauge, "span_mm": span * INCH, "reading_n": read}
    ).with_columns(
        pl.format("g{}", pl.col("gauge_id").cast(pl.String).str.zfill(4)).alias(
            "gauge_id"
        ),
        date=DAY,
        reference_n=800.0,
        technician_id=None,
    )
    used = np.repeat(np.arange(n_gauges), n_uses)
    span_in = rng.uniform(knots[0], knots[-1], used.size)
    asked = uses(
        *(("a", f"g{g:04d}", s * INCH) for g, s in zip(used, span_in, strict=True))
    )
    return frame, asked, law(used, span_in), used, span_in


def test_between_four_spans_the_correction_is_calibrated_and_plainer_ones_are_not():
    """1 % bias would be a fifth of a used range; naive rules fail the same check."""
    knots = np.array([6.0, 8.0, 12.0, 18.0])
    frame, asked, truth, gauge, span_in = simulated(np.random.default_rng(12))
    fit = fit_gauges(frame)

    found = corrections(fit, asked)
    is_between = (found["correction_source"] == "between_spans").to_numpy()
    y = fit.curves["log_ratio"].to_numpy().reshape(-1, 4)[gauge]
    u = fit.curves["u_log_ratio"].to_numpy().reshape(-1, 4)[gauge]
    nearest = np.abs(span_in[:, None] - knots).argmin(axis=1)[:, None]
    right = np.clip(np.searchsorted(knots, span_in), 1, 3)
    w = (knots[right] - span_in) / (knots[right] - knots[right - 1])
    rows = np.arange(len(w))
    rules = {
        "curve": (-found["log_correction"].to_numpy(), found["u_corr"].to_numpy()),
        "straight": (
            w * y[rows, right - 1] + (1 - w) * y[rows, right],
            np.hypot(w * u[rows, right - 1], (1 - w) * u[rows, right]),
        ),
        "nearest": tuple(np.take_along_axis(a, nearest, axis=1)[:, 0] for a in (y, u)),
    }

    passed = {}
    for name, (log_ratio, standard) in rules.items():
        error = (log_ratio - truth)[is_between]
        held = np.mean(np.abs(error) < 1.96 * standard[is_between])
        passed[name] = abs(error.mean()) < 0.001 and 0.92 < held < 0.98
    assert passed == {"curve": True, "straight": False, "nearest": False}
