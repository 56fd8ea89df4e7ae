"""Person or gauge: habits, what was left, who corrects, and the spread of settings."""

import numpy as np
import polars as pl
import pytest
from polars.testing import assert_frame_equal

from fleetbelt.errors import FitError, StoreError
from fleetbelt.models.technician_cells import CELLS
from fleetbelt.models.technicians import TECHNICIANS, fit_technicians
from tests.models.technician_fleets import (
    READING_SD,
    cells_of,
    dyestuff,
    fleet,
    one_cell,
    settings_of,
)


@pytest.fixture(scope="module")
def fleets():
    """Ten fleets of 62 technicians: 20,000 vehicles' worth of settings each."""
    return [fleet(np.random.default_rng(seed)) for seed in range(10)]


@pytest.fixture(scope="module")
def fits(fleets):
    return [fit_technicians(f.cells, reading_sd=READING_SD) for f in fleets]


def truth_pct(fleets):
    return np.concatenate([100 * np.expm1(f.habit) for f in fleets])


def column(fits, name):
    return np.concatenate([f.technicians[name].to_numpy() for f in fits])


def naive(fleets, settings):
    """Mean of a technician's settings, interval by their scatter over root n."""
    frames = [
        f.settings.group_by("technician_no", maintain_order=True)
        .agg(mean=settings.mean(), se=settings.std() / pl.len().sqrt())
        .sort("technician_no")
        for f in fleets
    ]
    mean, se = (
        np.concatenate([f[name].to_numpy() for f in frames]) for name in ("mean", "se")
    )
    return tuple(100 * np.expm1(mean + z * se) for z in (0, -1.96, 1.96))


def holds(rows, name, truth):
    lo, hi = (rows[f"{name}_{end}"].to_numpy() for end in ("lo", "hi"))
    return (lo <= truth) & (truth <= hi)


def rms_and_cover(truth, value, lo, hi):
    return (
        np.sqrt(np.mean((value - truth) ** 2)),
        np.mean((lo <= truth) & (truth <= hi)),
    )


def test_habits_are_right_to_a_point_and_their_intervals_hold(fleets, fits):
    truth = truth_pct(fleets)

    rms, cover = rms_and_cover(
        truth, *(column(fits, f"bias_{name}") for name in ("pct", "lo", "hi"))
    )

    assert truth.size >= 600
    assert rms < 1.0
    assert 0.93 <= cover <= 0.97


@pytest.mark.parametrize(
    "settings", [pl.col("d"), pl.col("d") + pl.col("rho_gs")], ids=["corrected", "raw"]
)
def test_the_naive_means_fail_the_same_check(fleets, settings):
    rms, cover = rms_and_cover(truth_pct(fleets), *naive(fleets, settings))

    assert rms > 1.0
    assert cover < 0.93


def test_who_corrects_is_known_where_it_can_be(fleets, fits):
    truth = np.concatenate([f.corrects for f in fleets])
    share, lo, hi = (column(fits, f"corrects_{name}") for name in ("share", "lo", "hi"))
    is_known = ~np.isnan(share)

    assert 0.2 < is_known.mean() < 1.0
    assert np.mean(truth[is_known] == (share[is_known] > 0.5)) >= 0.98
    held = (lo <= truth) & (truth <= hi)
    assert 0.90 < held[is_known].mean() <= 1.0  # 0 and 1 are the ends of the scale


def test_what_was_left_and_the_spread_hold_the_truth(fleets, fits):
    """The truth of what was left: the settings as made, the gauges' errors known."""
    left, spread = [], []
    for f in fleets:
        true_left = f.settings.group_by("technician_no").agg(pl.col("d").mean())
        left.append(true_left.sort("technician_no")["d"].to_numpy())
        spread.append(100 * f.spread)

    lo, hi = column(fits, "spread_lo"), column(fits, "spread_hi")
    truth = np.concatenate(spread)

    assert column(fits, "left_bias_pct") == pytest.approx(
        100 * np.expm1(np.concatenate(left)), abs=1e-9
    )
    assert 0.93 < np.mean((lo <= truth) & (truth <= hi)) < 0.97


def test_the_interval_of_what_was_left_allows_for_the_calibrations():
    """One span of one gauge; over 300 calibrations the truth is within in 95 %."""
    rng = np.random.default_rng(1)
    held = []
    for _ in range(300):
        d = -0.03 - rng.normal(0, 0.02) + rng.normal(0, 0.05, 400)
        frame = one_cell(d, rho=0.0, u=0.02)
        row = fit_technicians(frame, reading_sd=0.0).technicians.row(0, named=True)
        held.append(row["left_bias_lo"] < 100 * np.expm1(-0.03) < row["left_bias_hi"])

    assert np.mean(held) == pytest.approx(0.95, abs=0.05)  # 4 standard errors


def test_a_technician_moved_to_other_gauges_keeps_the_same_habit(fleets):
    """He lets all the gauges' error through: what he leaves moves, the habit stays.

    His old gauges read 15 % and 5 % high, his new ones 10 % low and true.
    """
    rng = np.random.default_rng(2)
    frames = [fleets[0].settings]
    for number, rhos in ((100, (0.15, 0.05)), (101, (-0.10, 0.0))):
        for rho in rhos:
            d = 0.01 - rho + rng.normal(0, 0.05, 300)
            gs_no = 1000 + round(1000 * rho)
            frames.append(settings_of(d, number=number, gs_no=gs_no, rho=rho, u=0.004))

    found = fit_technicians(cells_of(pl.concat(frames)), reading_sd=READING_SD)
    old, new = found.technicians.filter(pl.col("technician_no") >= 100).rows(named=True)

    assert old["left_bias_pct"] - new["left_bias_pct"] < -14
    for row in (old, new):
        assert row["bias_pct"] == pytest.approx(1.0, abs=1.5)  # 3 standard errors
        assert row["corrects_share"] < 0.2


def test_where_technicians_do_not_differ_none_is_detectable():
    """Equal habits by chance spread less than the settings' scatter would have it."""
    frame = dyestuff([0.0300, 0.0301, 0.0299, 0.0302, 0.0298], 0.0025)

    found = fit_technicians(frame, reading_sd=0.05)
    rows = found.technicians

    assert found.habit_sd == 0.0
    assert "No spread of habits" in found.notes[0]
    assert rows["bias_pct"].to_list() == pytest.approx([100 * np.expm1(0.03)] * 5)
    assert (rows["bias_lo"] < rows["bias_pct"]).all()
    assert (rows["bias_hi"] > rows["bias_pct"]).all()
    assert rows["spread_pct"].to_list() == [0.0] * 5


def test_with_no_true_spread_the_intervals_still_hold():
    """Twenty fleets of 31 equal technicians."""
    held = []
    for seed in range(20):
        f = fleet(
            np.random.default_rng(seed), n=31, n_gauges=24, settings=300, habit_sd=0
        )
        rows = fit_technicians(f.cells, reading_sd=READING_SD).technicians
        held.append(holds(rows, "bias", 100 * np.expm1(f.habit)))

    assert np.concatenate(held).mean() > 0.93


def test_in_shops_of_five_the_intervals_hold():
    """120 shops on their own: the fleet to lean on is five people."""
    held = []
    for seed in range(120):
        f = fleet(np.random.default_rng(seed), n=5, n_gauges=4, n_shops=1, settings=300)
        rows = fit_technicians(f.cells, reading_sd=READING_SD).technicians
        held.append(holds(rows, "bias", 100 * np.expm1(f.habit)))

    assert 0.92 < np.concatenate(held).mean() < 0.985


def test_one_technician_with_one_gauge_gets_nulls_and_sentences():
    d = np.random.default_rng(6).normal(-0.05, 0.05, 50)

    found = fit_technicians(one_cell(d, rho=-0.08, u=0.004), reading_sd=0.02)
    row = found.technicians.row(0, named=True)

    assert found.technicians.schema == TECHNICIANS
    nulls = [name for name, value in row.items() if value is None]
    assert nulls == [
        *("bias_pct", "bias_lo", "bias_hi"),
        *("corrects_share", "corrects_lo", "corrects_hi"),
    ]
    assert row["left_bias_pct"] == pytest.approx(100 * np.expm1(d.mean()))
    assert found.mean_habit is None
    assert found.mean_corrects is None
    assert "one gauge ratio" in found.notes[0]
    assert "1 of 1 technicians" in found.notes[1]


def test_with_a_true_gauge_what_one_technician_leaves_is_the_habit():
    d = np.random.default_rng(7).normal(-0.05, 0.05, 50)

    found = fit_technicians(one_cell(d, u=0.004), reading_sd=0.02)
    row = found.technicians.row(0, named=True)

    assert row["bias_pct"] == pytest.approx(row["left_bias_pct"])
    assert row["corrects_share"] is None
    assert found.mean_corrects is None
    assert "one technician" in found.notes[0]


@pytest.mark.parametrize(
    ("other", "n", "is_known"), [(0.0, 30, True), (0.0, 29, False), (0.045, 99, False)]
)
def test_who_corrects_takes_two_ratios_6_percent_apart_with_30_settings(
    other, n, is_known
):
    """Ratios of exp(0.1), and of 1 or exp(0.045) that are 10.5 or 5.7 % from it."""
    rng = np.random.default_rng(8)
    cells = pl.concat(
        [
            one_cell(rng.normal(0, 0.05, 40), gs_no=1, rho=0.1),
            one_cell(rng.normal(0, 0.05, n), gs_no=2, rho=other),
        ]
    )

    share = fit_technicians(cells, reading_sd=0.02).technicians["corrects_share"][0]

    assert (share is not None) == is_known


def test_technicians_each_with_a_model_of_their_own_are_not_told_apart():
    """Habit or model: the data say nothing, and the intervals say so."""
    rng = np.random.default_rng(9)
    cells = pl.concat(
        one_cell(rng.normal(0.05 * k, 0.05, 200), number=k, model=k) for k in range(2)
    )

    rows = fit_technicians(cells, reading_sd=0.02).technicians

    assert rows["bias_pct"][0] == pytest.approx(rows["bias_pct"][1])
    assert (rows["bias_lo"] < -5).all()
    assert (rows["bias_hi"] > 15).all()


def test_single_settings_lean_on_the_default_scatter():
    cells = pl.concat(one_cell(np.array([0.01 * k]), number=k) for k in range(4))

    rows = fit_technicians(cells, reading_sd=0.02).technicians

    assert rows["spread_pct"].to_list() == [None] * 4
    assert rows["left_bias_hi"][0] == pytest.approx(
        100 * np.expm1(1.96 * 0.06), rel=1e-3
    )


@pytest.fixture(scope="module")
def small():
    cells = fleet(np.random.default_rng(10), n=12, n_gauges=10, settings=200).cells
    return cells, fit_technicians(cells, reading_sd=READING_SD).technicians


def test_the_order_of_cells_is_of_no_matter(small):
    cells, rows = small
    other = cells.sample(fraction=1, shuffle=True, seed=1)

    assert_frame_equal(
        fit_technicians(other, reading_sd=READING_SD).technicians, rows, rel_tol=1e-12
    )


def test_other_numbers_for_people_gauges_and_models_change_nothing(small):
    cells, rows = small
    other = cells.with_columns(
        technician_no=100 - 7 * pl.col("technician_no"),
        gauge_no=9 - pl.col("gauge_no"),
        gs_no=-3 * pl.col("gs_no"),
        model_no=50 - pl.col("model_no"),
    )

    found = fit_technicians(other, reading_sd=READING_SD).technicians

    back = found.with_columns(technician_no=(100 - pl.col("technician_no")) // 7)
    assert_frame_equal(back.sort("technician_no"), rows, rel_tol=1e-5, abs_tol=1e-6)


def test_a_common_factor_on_all_tensions_moves_the_habits_by_it(small):
    cells, rows = small
    other = cells.with_columns(pl.col("mean_d") + np.log(1.02))

    found = fit_technicians(other, reading_sd=READING_SD).technicians

    for name in ("bias_pct", "bias_lo", "bias_hi", "left_bias_pct"):
        expected = 1.02 * (100 + rows[name]) - 100
        assert found[name].to_list() == pytest.approx(expected.to_list(), abs=1e-4)
    for name in ("corrects_share", "spread_pct"):
        assert_frame_equal(found.select(name), rows.select(name), abs_tol=1e-5)


@pytest.mark.parametrize(
    "change",
    [
        {"n": pl.lit(0)},
        {"ss_d": pl.lit(-1.0)},
        {"mean_d": pl.lit(float("nan"))},
        {"u_corr_gs": pl.lit(-0.1)},
        {"rho_gs": pl.col("mean_d")},
        {"model_no": pl.lit(None, pl.Int64)},
    ],
)
def test_impossible_cells_are_refused(small, change):
    with pytest.raises(FitError, match="cells of settings are impossible"):
        fit_technicians(small[0].with_columns(**change), reading_sd=READING_SD)


def test_a_frame_without_cells_or_columns_is_refused(small):
    with pytest.raises(FitError, match="0 of 0 cells"):
        fit_technicians(pl.DataFrame(schema=CELLS), reading_sd=READING_SD)
    with pytest.raises(StoreError, match="not what the model expects"):
        fit_technicians(small[0].drop("rho_gs"), reading_sd=READING_SD)
    with pytest.raises(FitError, match="reading sd is -1"):
        fit_technicians(small[0], reading_sd=-1)
