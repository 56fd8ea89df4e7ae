"""What tension does to life, noise and bearings, held against its truth.

Bands are measured, so some belts sit in a wrong one; the truth of a band is that of the
belts that were measured to be in it.
"""

import numpy as np
import polars as pl
import pytest

from tests.truth.conftest import KnownFleet

NOISES = ("squeal", "chirp", "whine", "rumble", "other")


def z_of_ratio(ratio: pl.Expr, truth: pl.Expr) -> pl.Expr:
    se = (pl.col("ratio_hi") / pl.col("ratio_lo")).log() / 3.92
    return (ratio / truth).log() / se


def test_the_time_ratio_of_each_band_covers_its_truth(fleet: KnownFleet):
    of_band = (
        fleet.results("marts.lives")
        .join(fleet.truth("belts"), on="belt_id", suffix="_true")
        .group_by("band")
        .agg(log=pl.col("log_time_ratio").mean())
    )
    reference = of_band.filter(band="in_spec")["log"][0]
    bands = (
        fleet.results("results.life_effects")
        .filter(term="band")
        .drop_nulls("ratio_lo")
        .join(of_band, left_on="level", right_on="band")
    )

    truth = (pl.col("log") - reference).exp()
    z = bands.select(z_of_ratio(pl.col("time_ratio"), truth)).to_series()
    assert bands.height == 5
    assert z.abs().max() < 3.5  # type: ignore[operator]
    assert bands.filter(level="loose")["ratio_hi"][0] < 0.85


def test_the_time_ratio_of_each_model_covers_its_truth(fleet: KnownFleet):
    models = (
        fleet.results("results.life_effects")
        .filter(term="model")
        .join(fleet.truth("models"), left_on="level", right_on="model")
    )
    reference = models.filter(time_ratio=1.0)["scale_mi"][0]
    others = models.drop_nulls("ratio_lo")

    truth = pl.col("scale_mi") / reference
    z = others.select(z_of_ratio(pl.col("time_ratio"), truth)).to_series()
    assert others.height == 5
    assert z.abs().max() < 3.5  # type: ignore[operator]


def test_that_shapes_differ_by_model_is_found(fleet: KnownFleet):
    """They do, from 1.9 to 3; duty and pulley do nothing in this fleet."""
    p = dict(fleet.results("results.life_tests").select("term", "p_value").iter_rows())

    assert p["shape_by_model"] < 1e-6
    assert p["band"] < 1e-6
    assert p["duty"] > 1e-3
    assert p["alternator_pulley"] > 1e-3


@pytest.fixture(scope="module")
def run(fleet: KnownFleet) -> pl.DataFrame:
    """Belts with their miles, and the events expected of them up to the last record."""
    belts = fleet.results("marts.belt_miles").join(
        fleet.truth("belts"), on="belt_id", suffix="_true"
    )
    seen = pl.col("miles") / pl.col("miles_true").clip(1)
    return belts.with_columns(pl.col("^expected_.*$") * seen)


@pytest.mark.parametrize("noise", NOISES)
def test_the_rate_of_each_band_covers_its_truth(
    fleet: KnownFleet, run: pl.DataFrame, noise: str
):
    truth = run.group_by("band").agg(expected=pl.col(f"expected_{noise}").sum())
    rates = (
        fleet.results("results.noise_rates")
        .filter(pl.col("band") != "all", model="all", noise=noise)
        .join(truth, on="band")
    )

    off = pl.col("complaints") - pl.col("expected")
    z = rates.select(off / (pl.col("expected") * pl.col("widening")).sqrt())
    assert rates.height == 6
    assert np.abs(z.to_numpy()).max() < 3.5


@pytest.mark.parametrize(
    ("fault", "expected"), [("bearing", "bearing"), ("other", "other_fault")]
)
def test_the_rate_of_repairs_of_each_band_covers_its_truth(
    fleet: KnownFleet, run: pl.DataFrame, fault: str, expected: str
):
    truth = run.group_by("band").agg(expected=pl.col(f"expected_{expected}").sum())
    rates = (
        fleet.results("results.repair_rates")
        .filter(pl.col("band") != "all", model="all", fault=fault)
        .join(truth, on="band")
    )

    off = pl.col("repairs") - pl.col("expected")
    z = rates.select(off / (pl.col("expected") * pl.col("widening")).sqrt())
    assert rates.height == 6
    assert np.abs(z.to_numpy()).max() < 3.5


def test_tight_belts_cost_bearings_and_nothing_else(fleet: KnownFleet):
    rates = fleet.results("results.repair_rates").filter(model="all")
    over = {
        row["fault"]: row for row in rates.filter(band="over").iter_rows(named=True)
    }

    assert over["bearing"]["ratio_lo"] > 1
    assert over["other"]["ratio_lo"] < 1 < over["other"]["ratio_hi"]


def test_the_avoidable_share_of_squeal_covers_its_truth(
    fleet: KnownFleet, run: pl.DataFrame
):
    """Had every belt squealed as those of its model that were measured in range."""
    known = run.filter(pl.col("band") != "unknown")
    sums = known.group_by("model").agg(
        miles=pl.col("miles").sum(),
        in_range=pl.col("miles").filter(pl.col("band") == "in_spec").sum(),
        heard=pl.col("expected_squeal").filter(pl.col("band") == "in_spec").sum(),
    )
    spared = float((sums["miles"] * sums["heard"] / sums["in_range"]).sum())
    truth = 1 - spared / float(known["expected_squeal"].sum())

    found = fleet.results("results.noise_avoidable").row(0, named=True)
    z = (found["share"] - truth) / ((found["share_hi"] - found["share_lo"]) / 3.92)
    assert abs(z) < 3.5
    assert found["share_lo"] > 0.05


def test_miles_to_the_last_service_give_rates_that_are_too_high(
    fleet: KnownFleet, run: pl.DataFrame
):
    """The naive way: a running belt is under observation to its last service."""
    seen = fleet.results("marts.lives").select("belt_id", "ending", "lower_mi")
    both = run.join(seen, on="belt_id").with_columns(
        expected=pl.sum_horizontal(f"expected_{noise}" for noise in NOISES)
    )
    naive = pl.when(pl.col("ending") == "running").then("lower_mi").otherwise("miles")
    heard, expected = float(both["complaints"].sum()), float(both["expected"].sum())
    share = both.select(naive.sum() / pl.col("miles").sum()).item()

    def z(miles_share: float) -> float:
        return float((heard / miles_share - expected) / expected**0.5)

    assert abs(z(1.0)) < 3.5
    assert z(share) > 3.5
