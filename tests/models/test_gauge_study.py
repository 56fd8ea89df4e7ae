"""Gauge, person or repeat: where the variation of calibration readings comes from."""

import datetime as dt
from itertools import pairwise

import numpy as np
import polars as pl
import pytest
from polars.testing import assert_frame_equal

from fleetbelt.models.gauge_study import (
    GAUGE_STUDY,
    SOURCES,
    gauge_study,
    variance_components,
)
from fleetbelt.models.gauges import CALIBRATIONS
from fleetbelt.units import NEWTONS_PER

DAY = dt.date(2024, 3, 1)
TRUE_SD = {
    "gauge": 0.05,
    "technician": 0.012,
    "interaction": 0.006,
    "repeatability": 0.01,
}


def unbalanced(rng, *, n_gauges=10, n_people=6):
    """Each gauge at two spans, read by three of the people, once to three times."""
    person = rng.normal(0, TRUE_SD["technician"], n_people)
    rows = []
    for gauge in range(n_gauges):
        for span in (178.0, 305.0):
            ratio = rng.normal(-0.05, TRUE_SD["gauge"])
            for p in rng.choice(n_people, 3, replace=False):
                cross = rng.normal(0, TRUE_SD["interaction"])
                for _ in range(rng.integers(1, 4)):
                    noise = rng.normal(0, TRUE_SD["repeatability"])
                    read = 800 * np.exp(ratio + person[p] + cross + noise)
                    rows.append((f"g{gauge}", DAY, span, 800.0, read, f"t{p}"))
    return pl.DataFrame(rows, schema=CALIBRATIONS, orient="row")


def column(study, name):
    return dict(zip(study["source"], study[name], strict=True))


def test_on_balanced_data_the_components_are_those_of_the_analysis_of_variance():
    rng = np.random.default_rng(1)
    y = (
        rng.normal(0, 1, (7, 4, 3))
        + rng.normal(0, 3, (7, 1, 1))
        + rng.normal(0, 3, (4, 1))
        + rng.normal(0, 1, (7, 4, 1))
    )
    part, person, _ = np.indices(y.shape)

    found = variance_components(y.ravel(), part=part.ravel(), person=person.ravel())

    cell = y.mean(axis=2)
    of_part, of_person = cell.mean(axis=1, keepdims=True), cell.mean(axis=0)
    cross = cell - of_part - of_person + y.mean()
    ms_part, ms_person = 12 * of_part.var(ddof=1), 21 * of_person.var(ddof=1)
    ms_cross, ms_repeat = 3 * (cross**2).sum() / 18, y.var(axis=2, ddof=1).mean()
    assert found.part == pytest.approx((ms_part - ms_cross) / 12, rel=1e-9)
    assert found.person == pytest.approx((ms_person - ms_cross) / 21, rel=1e-9)
    assert found.interaction == pytest.approx((ms_cross - ms_repeat) / 3, rel=1e-9)
    assert found.repeatability == pytest.approx(ms_repeat, rel=1e-9)


def test_on_unbalanced_data_the_squares_are_those_of_dummy_regressions():
    """Each step's sum of squares against least squares on 0/1 columns."""
    rng = np.random.default_rng(2)
    part, person = rng.integers(0, 6, 60), rng.integers(0, 4, 60)
    y = rng.normal(0, 1, 60) + part + 2 * person
    one_part, one_person = (np.eye(k.max() + 1)[k] for k in (part, person))
    one_cell = np.eye(24)[part * 4 + person]
    designs = [np.ones((60, 1)), one_part, np.hstack([one_part, one_person]), one_cell]
    projections = [d @ np.linalg.pinv(d) for d in designs] + [np.eye(60)]
    rows = [b - a for a, b in pairwise(projections)]
    factors = [one_part, one_person, one_cell, np.eye(60)]
    expected = [[np.trace(z.T @ q @ z) for z in factors] for q in rows]
    solved = np.linalg.solve(expected, [y @ q @ y for q in rows])

    found = variance_components(y, part=part, person=person)

    assert [
        found.part,
        found.person,
        found.interaction,
        found.repeatability,
    ] == pytest.approx(solved, rel=1e-8)


def test_the_components_are_right_on_average():
    """200 unbalanced studies; the mean of each variance within 4 standard errors."""
    rng = np.random.default_rng(3)
    found = []
    for _ in range(200):
        sd = column(gauge_study(unbalanced(rng)), "sd_pct")
        found.append([sd[source] for source in TRUE_SD])

    variances = (np.array(found) / 100) ** 2
    standard_error = variances.std(axis=0, ddof=1) / np.sqrt(len(found))
    truth = np.array(list(TRUE_SD.values())) ** 2
    off = np.abs(variances.mean(axis=0) - truth)

    # The interaction's zeros are cut off, which lifts its mean a little.
    assert (off[[0, 1, 3]] < 4 * standard_error[[0, 1, 3]]).all()
    assert off[2] < 0.25 * truth[2]


def test_the_rows_are_the_contracts_and_the_shares_sum_to_one():
    study = gauge_study(unbalanced(np.random.default_rng(4)))
    sd, share = column(study, "sd_pct"), column(study, "share")

    assert study.schema == GAUGE_STUDY
    assert tuple(study["source"]) == SOURCES
    assert sum(share[s] for s in SOURCES[:4]) == pytest.approx(1)
    assert share["total"] == pytest.approx(1)
    assert share["reproducibility"] == pytest.approx(
        share["technician"] + share["interaction"]
    )
    assert sd["total"] ** 2 == pytest.approx(sum(sd[s] ** 2 for s in SOURCES[:4]))
    assert study["sd_n"].to_list() == pytest.approx(
        [8 * value for value in study["sd_pct"]]
    )


def test_the_order_of_rows_and_the_unit_are_of_no_matter():
    frame = unbalanced(np.random.default_rng(5))
    loads = pl.col("reference_n", "reading_n")
    other = frame.sample(fraction=1, shuffle=True, seed=1).with_columns(
        loads / NEWTONS_PER["lbf"]
    )

    columns = ["source", "sd_pct", "share"]
    assert_frame_equal(
        gauge_study(frame).select(columns),
        gauge_study(other).select(columns),
        rel_tol=1e-6,
    )


@pytest.mark.parametrize(
    "who", [pl.lit(None), pl.lit("t1"), pl.col("gauge_id")], ids=["no", "one", "own"]
)
def test_without_two_people_on_one_gauge_their_part_is_null(who):
    frame = unbalanced(np.random.default_rng(6)).with_columns(technician_id=who)

    share = column(gauge_study(frame), "share")

    assert [k for k, v in share.items() if v is None] == [
        "technician",
        "interaction",
        "reproducibility",
    ]
    assert share["gauge"] + share["repeatability"] == pytest.approx(1)


@pytest.mark.parametrize("rows", [0, 1, 3])
def test_without_repeats_every_source_is_null(rows):
    frame = unbalanced(np.random.default_rng(7)).unique(
        ["gauge_id", "span_mm"], keep="first", maintain_order=True
    )

    study = gauge_study(frame.head(rows))

    assert study["source"].to_list() == list(SOURCES)
    assert study["share"].to_list() == [None] * 6
    assert study["sd_pct"].to_list() == [None] * 6
