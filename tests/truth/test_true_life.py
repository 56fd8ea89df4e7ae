"""Lives, exposures and noise, held against their truth."""

from collections.abc import Sequence

import numpy as np
import polars as pl
import pytest

from fleetbelt.models.estimates import Estimate
from fleetbelt.models.life import fit_weibull
from fleetbelt.models.lives import End, Lives
from fleetbelt.simulation import simulate
from fleetbelt.steps.life import as_lives
from tests.conftest import computed
from tests.truth.conftest import KnownFleet


@pytest.fixture(scope="module")
def in_range(fleet: KnownFleet) -> pl.DataFrame:
    """Belts left in range live as their model does: no effect of tension on them."""
    return (
        fleet.results("results.life_by_group")
        .filter(band="in_spec")
        .join(fleet.truth("models"), on="model", suffix="_true")
    )


@pytest.mark.parametrize(
    ("found", "lo", "hi", "truth"),
    [
        ("shape", "shape_lo", "shape_hi", "shape_true"),
        ("scale_mi", "scale_lo", "scale_hi", "scale_mi_true"),
    ],
)
def test_belt_life_is_that_of_each_model(
    in_range: pl.DataFrame, found: str, lo: str, hi: str, truth: str
):
    log = {name: in_range[name].log().to_numpy() for name in (found, lo, hi, truth)}
    z = (log[found] - log[truth]) / ((log[hi] - log[lo]) / 3.92)

    assert z.size == 6
    assert np.abs(z).max() < 3.5
    assert abs(together(z)) < 3.5


def test_ten_per_cent_have_failed_by_b10(in_range: pl.DataFrame):
    shape, scale_mi = in_range["shape_true"], in_range["scale_mi_true"]
    truth = scale_mi.to_numpy() * (-np.log(0.9)) ** (1 / shape.to_numpy())
    log = {name: in_range[name].log().to_numpy() for name in ("b10_lo", "b10_hi")}
    z = (in_range["b10_mi"].log().to_numpy() - np.log(truth)) / (
        (log["b10_hi"] - log["b10_lo"]) / 3.92
    )

    assert np.abs(z).max() < 3.5


def test_dropping_the_belts_that_did_not_fail_fails_the_same_check(
    fleet: KnownFleet, in_range: pl.DataFrame
):
    """The naive way: the mean of those that were seen to fail."""
    failed = fleet.results("marts.lives").filter(
        pl.col("band") == "in_spec", pl.col("ending").is_in(["exact", "interval"])
    )
    z = []
    for row in in_range.iter_rows(named=True):
        miles = failed.filter(model=row["model"])["upper_mi"].to_numpy()
        fit = fit_weibull(Lives.of(np.full(miles.size, End.EXACT), miles))
        assert fit.scale_mi is not None
        z.append(standard_errors_off(fit.scale_mi, row["scale_mi_true"]))

    assert abs(together(z)) > 3.5


def standard_errors_off(found: Estimate, truth: float) -> float:
    return float(np.log(found.value / truth) / (np.log(found.hi / found.lo) / 3.92))


def together(z: Sequence[float]) -> float:
    """Standard errors that all models together are off on the same side."""
    return float(np.sum(z) / len(z) ** 0.5)


def test_belts_and_their_fittings_are_those_that_were(fleet: KnownFleet):
    found = fleet.results("results.belts")
    truth = fleet.truth("belts")

    both = found.join(truth, on="belt_id", suffix="_true")
    assert both.height == found.height
    assert truth.height - found.height < 10
    same = both["install_service_id"].eq_missing(both["install_service_id_true"])
    assert same.mean() > 0.999  # type: ignore[operator]


def ratio(frame: pl.DataFrame, found: str, truth: str) -> float:
    return float(frame.select(pl.col(found).sum() / pl.col(truth).sum()).item())


def test_the_miles_under_observation_are_exact(fleet: KnownFleet):
    """A running belt is under observation to its last odometer, not its last mile."""
    found = fleet.results("marts.belt_miles").filter(pl.col("entry_mi").is_not_null())
    both = found.join(fleet.truth("belts"), on="belt_id", suffix="_true")
    ended = both.filter(pl.col("end_service_id").is_not_null())

    assert ratio(ended, "miles", "miles_true") == pytest.approx(1, abs=1e-3)
    assert 0.98 < ratio(both, "miles", "miles_true") <= 1


def test_squeal_is_heard_as_often_as_it_was_made(fleet: KnownFleet):
    found = fleet.results("marts.belt_miles").filter(pl.col("entry_mi").is_not_null())
    both = found.join(fleet.truth("belts"), on="belt_id")

    expected = float(both["expected_squeal"].sum())
    assert abs(ratio(both, "squeal", "expected_squeal") - 1) < 3.5 * expected**-0.5


def test_loose_belts_squeal_more_and_tight_ones_whine_more(fleet: KnownFleet):
    rates = fleet.results("results.noise_rates").filter(model="all")

    def ratio_lo(band: str, noise: str) -> float:
        return float(rates.filter(band=band, noise=noise)["ratio_lo"].item())

    assert ratio_lo("loose", "squeal") > 2
    assert ratio_lo("under", "squeal") > 1.2
    assert ratio_lo("tight", "whine") > 1


def test_running_belts_count_to_the_last_odometer_of_their_vehicle(fleet: KnownFleet):
    found = fleet.results("marts.belt_miles").filter(pl.col("entry_mi").is_not_null())
    last = (
        fleet.results("history.odometer_points")
        .join(fleet.results("staging.vehicles"), on="vehicle_no")
        .group_by("vehicle_id")
        .agg(last_mi=pl.col("odometer_mi").max())
    )
    running = (
        found.join(fleet.truth("belts"), on="belt_id", suffix="_true")
        .filter(pl.col("end_service_id").is_null())
        .join(last, on="vehicle_id")
        .with_columns(miles_true=pl.col("last_mi") - pl.col("install_odometer_mi"))
    )

    assert running.height > 10_000
    assert ratio(running, "miles", "miles_true") == pytest.approx(1, abs=0.01)


def off_together(fleet: KnownFleet, *, is_exact: bool) -> float:
    """Standard errors that B10 of all models together is off, of all belts.

    ``is_exact`` takes a failure found at a visit for one that happened there.
    """
    belts = fleet.results("marts.lives").join(
        fleet.truth("belts").select("belt_id", "log_time_ratio"), on="belt_id"
    )
    share = as_lives(belts).broken_share
    z = []
    for row in fleet.truth("models").iter_rows(named=True):
        own = belts.filter(model=row["model"])
        lives = as_lives(own)
        is_found = (lives.end == End.INTERVAL) & is_exact
        again = Lives.of(
            np.where(is_found, End.EXACT, lives.end),
            np.where(is_found, lives.upper_mi, lives.lower_mi),
            lives.upper_mi,
            entry_mi=lives.entry_mi,
        )
        fit = fit_weibull(again, broken_share=share)
        assert fit.b10_mi is not None
        mean = own.select(pl.col("log_time_ratio").mean().exp()).item()
        truth = mean * row["scale_mi"] * (-np.log(0.9)) ** (1 / row["shape"])
        z.append(standard_errors_off(fit.b10_mi, truth))
    return together(z)


def test_taking_a_failure_for_dated_when_it_was_found_fails_the_same_check(
    fleet: KnownFleet,
):
    assert abs(off_together(fleet, is_exact=False)) < 3.5
    assert off_together(fleet, is_exact=True) > 3.5


@pytest.fixture(scope="module")
def late(tmp_path_factory: pytest.TempPathFactory) -> KnownFleet:
    """2,500 vehicles whose records are complete only from their third year on."""
    folder = tmp_path_factory.mktemp("late") / "records"
    simulate(folder, n_vehicles=2_500, years=4, seed=5)
    (folder / "fleetbelt.toml").write_text("[belts]\nrecords_from = 2024-01-01\n")
    return KnownFleet(results=computed(folder, folder / "late.duckdb"), folder=folder)


def test_belts_fitted_before_the_records_are_allowed_for(late: KnownFleet):
    """And the naive way, as if they had been seen from their fitting, fails."""
    belts = late.results("marts.lives")
    truth = late.truth("models")
    share = as_lives(belts).broken_share
    found: list[float] = []
    naive: list[float] = []
    for row in truth.iter_rows(named=True):
        lives = as_lives(belts.filter(band="in_spec", model=row["model"]))
        from_the_start = Lives.of(lives.end, lives.lower_mi, lives.upper_mi)
        b10 = row["scale_mi"] * (-np.log(0.9)) ** (1 / row["shape"])
        for z, those in ((found, lives), (naive, from_the_start)):
            fit = fit_weibull(those, broken_share=share)
            assert fit.b10_mi is not None
            z.append(standard_errors_off(fit.b10_mi, b10))

    assert belts.filter(pl.col("entry_mi") > 0).height > belts.height / 3
    assert np.abs(found).max() < 3.5
    assert abs(together(found)) < 3.5
    assert together(naive) > 3.5


def test_a_belt_left_loose_lasts_less(fleet: KnownFleet):
    bands = fleet.results("results.life_effects").filter(term="band")
    hi = dict(bands.select("level", "ratio_hi").iter_rows())

    assert hi["loose"] < 1.0
    assert hi["under"] < 1.0
