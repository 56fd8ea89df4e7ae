"""The records say what the truth made them say, by the model that is later fitted."""

import numpy as np
import polars as pl
import pytest

from fleetbelt.simulation import scenario
from fleetbelt.simulation.arrays import SETTING, TARGET
from fleetbelt.simulation.scenario import DRIVES, MODELS
from tests.simulation.records import (
    PLACE,
    Drawn,
    readings,
    services_by_belt,
    true_intervals,
)

SIGMAS = 4.0  # a seeded draw; over some 60 comparisons 4 standard errors never chance


def standard_errors_from(values: pl.Series, expected: float = 0.0) -> float:
    """How many standard errors a mean lies from what it should be."""
    x = values.to_numpy()
    return float(abs(x.mean() - expected) / (x.std(ddof=1) / np.sqrt(x.size)))


@pytest.fixture(scope="module")
def intervals(fleet: Drawn) -> pl.DataFrame:
    return true_intervals(fleet).join(fleet.truth["models"], on="model")


def test_every_reading_has_its_truth_and_every_truth_its_reading(fleet: Drawn):
    seen = readings(fleet)

    assert seen.height > 80_000
    assert seen["true_tension_n"].null_count() == 0
    assert seen["date"].null_count() == 0


def test_a_reading_is_the_true_tension_by_the_gauge_with_2_percent_noise(fleet: Drawn):
    """The noise sd is r, and 0.26 of a graduation by rounding."""
    single = readings(fleet).filter(
        (pl.col("readings_averaged") == 1) & pl.col("reading_n").is_not_null()
    )

    noise = single.select(
        (pl.col("reading_n") / pl.col("true_tension_n")).log() - pl.col("log_ratio")
    ).to_series()

    assert standard_errors_from(noise) < SIGMAS
    assert noise.std() == pytest.approx(0.02, rel=0.015)


def test_a_mean_of_readings_is_as_sure_as_its_number(fleet: Drawn):
    several = readings(fleet).filter(
        (pl.col("readings_averaged") > 1) & pl.col("reading_n").is_not_null()
    )

    noise = several.select(
        ((pl.col("reading_n") / pl.col("true_tension_n")).log() - pl.col("log_ratio"))
        * pl.col("readings_averaged").sqrt()
    ).to_series()

    assert noise.std() == pytest.approx(0.02, rel=0.06)


def test_a_vibration_reading_is_the_frequency_of_the_span(fleet: Drawn):
    """T = 4 m L^2 f^2; 1 % of f, 1 % of L, 3 % of m: 4.1 % of tension."""
    mass = fleet.files["drives"].select("drive_id", "belt_mass_g_per_m")
    hertz = readings(fleet).filter(pl.col("reading_unit") == "Hz")
    hertz = hertz.join(mass, on="drive_id").drop_nulls(["belt_mass_g_per_m", "span_mm"])
    value = pl.coalesce(
        pl.when(pl.col("phase") == "found").then("reading_found"), "reading_left"
    )
    span_m, kg_per_m = pl.col("span_mm") / 1e3, pl.col("belt_mass_g_per_m") / 1e3

    noise = hertz.filter(pl.col("readings_averaged") == 1).select(
        (4.0 * kg_per_m * span_m**2 * value**2 / pl.col("true_tension_n")).log()
    )

    assert noise.to_series().std() == pytest.approx(0.041, rel=0.05)


@pytest.mark.parametrize("model", [m.name for m in MODELS])
def test_belts_lose_their_model_s_drift_and_their_own(
    intervals: pl.DataFrame, model: str
):
    rows = intervals.filter((pl.col("model") == model) & ~pl.col("run_in"))
    lost = pl.col("drift_per_1000_mi") + pl.col("drift_slope")

    rest = rows.select(
        (pl.col("lost") - lost * pl.col("miles") / 1e3) * pl.col("miles") / 1e3
    )

    assert rows.height > 5_000
    assert standard_errors_from(rest.to_series()) < SIGMAS


@pytest.mark.parametrize("model", [m.name for m in MODELS])
def test_new_belts_lose_their_model_s_run_in_once(intervals: pl.DataFrame, model: str):
    rows = intervals.filter((pl.col("model") == model) & pl.col("run_in"))
    lost = pl.col("drift_per_1000_mi") + pl.col("drift_slope")

    rest = rows.select(
        pl.col("lost") - pl.col("run_in_log") - lost * pl.col("miles") / 1e3
    )

    assert rows.height > 700
    assert standard_errors_from(rest.to_series()) < SIGMAS


def test_process_noise_is_q_an_interval_and_run_in_noise_comes_on_top(
    intervals: pl.DataFrame,
):
    """A recheck on the install's own mile has the run-in's noise alone."""
    lost = pl.col("drift_per_1000_mi") + pl.col("drift_slope")
    rest = intervals.with_columns(
        rest=pl.col("lost")
        - lost * pl.col("miles") / 1e3
        - pl.col("run_in_log") * pl.col("run_in")
    )
    is_same_mile = pl.col("miles") == 0

    later = rest.filter(~pl.col("run_in"))["rest"].std()
    at_once = rest.filter(pl.col("run_in") & is_same_mile)["rest"].std()
    first = rest.filter(pl.col("run_in") & ~is_same_mile)["rest"].std()

    assert later == pytest.approx(0.008, rel=0.02)
    assert at_once == pytest.approx(0.02, rel=0.15)
    assert first == pytest.approx(np.hypot(0.02, 0.008), rel=0.05)


def test_the_between_belt_spread_is_tau(fleet: Drawn):
    assert fleet.truth["belts"]["drift_slope"].std() == pytest.approx(0.002, rel=0.03)


def test_settings_are_target_habit_and_the_gauge_s_error_not_corrected(fleet: Drawn):
    """Each technician's mean rest is 0 within its error, its sd the person's spread."""
    index = {drive.drive_id: k for k, drive in enumerate(DRIVES)}
    model = {m.name: SETTING[k] for k, m in enumerate(MODELS)}
    left = readings(fleet).filter(
        (pl.col("phase") == "left") & pl.col("spec_applied").is_not_null()
    )
    drive = left["drive_id"].replace_strict(index).to_numpy()
    state = (left["spec_applied"] == "used").cast(pl.Int64).to_numpy()
    left = left.with_columns(
        aim=pl.Series(TARGET[drive, state])
        + left["model"].replace_strict(model, return_dtype=pl.Float64)
    ).join(fleet.truth["technicians"], on="technician_id")
    kappa = 1.0 - pl.col("corrects_share")

    rest = left.with_columns(
        rest=pl.col("true_tension_n").log()
        - pl.col("aim")
        - pl.col("habit_log")
        + kappa * pl.col("log_ratio")
    )
    people = rest.group_by("technician_id").agg(
        t=pl.col("rest").mean() / pl.col("rest").std() * pl.len().sqrt(),
        ratio=pl.col("rest").std() / pl.col("spread_log").first(),
        n=pl.len(),
    )

    assert people.height == 18
    assert people["n"].min() > 500  # type: ignore[operator]
    assert people["t"].abs().max() < SIGMAS  # type: ignore[operator]
    assert people["ratio"].is_between(0.9, 1.1).all()


def test_calibrations_show_each_gauge_s_ratio_at_each_span(fleet: Drawn):
    taken = fleet.files["calibrations"].join(
        fleet.truth["gauges"], on=["gauge_id", "span_mm"]
    )

    rest = taken.select(
        ((pl.col("reading") / pl.col("reference")).log() - pl.col("log_ratio"))
        / pl.col("repeatability")
    ).to_series()

    assert taken.height == fleet.files["calibrations"].height
    assert standard_errors_from(rest) < SIGMAS
    assert rest.std() == pytest.approx(1.0, rel=0.1)


@pytest.mark.parametrize("model", [m.name for m in MODELS])
def test_belt_lives_are_weibull_with_the_model_s_shape_and_scale(
    fleet: Drawn, model: str
):
    """(life / scale x time ratio)^shape of a fitted belt is exponential: mean, sd 1."""
    belts = fleet.truth["belts"].join(fleet.truth["models"], on="model")
    fitted = belts.filter((pl.col("model") == model) & (pl.col("number") > 0))
    scale_mi = pl.col("scale_mi") * pl.col("log_time_ratio").exp()

    unit = fitted.select((pl.col("life_mi") / scale_mi) ** pl.col("shape")).to_series()

    assert standard_errors_from(unit, expected=1.0) < SIGMAS
    assert unit.std() == pytest.approx(1.0, rel=0.15)


def test_a_belt_s_life_and_band_follow_its_true_tension_at_install(fleet: Drawn):
    belts = fleet.truth["belts"].drop_nulls("band")
    slack, excess = pl.col("slack_log"), pl.col("excess_log")

    ratio = belts.select(
        pl.max_horizontal(-2.0 * slack - 1.5 * excess, -1.2) - pl.col("log_time_ratio")
    ).to_series()
    sides = belts.group_by("band").agg(
        slack.min().alias("least"), slack.max().alias("most"), excess.max()
    )
    of = {row["band"]: row for row in sides.to_dicts()}

    assert ratio.abs().max() < 1e-12  # type: ignore[operator]
    assert 0.0 < of["under"]["least"] < of["under"]["most"] <= -np.log(0.85)
    assert of["loose"]["least"] > -np.log(0.85)
    assert of["in_spec"]["most"] == of["in_spec"]["excess_log"] == 0.0
    assert of["over"]["excess_log"] <= np.log(1.15) < of["tight"]["excess_log"]


def test_the_belts_of_the_truth_are_those_of_the_services(fleet: Drawn):
    services = services_by_belt(fleet)
    installs = services.filter(pl.col("action") == "install")
    belts = fleet.truth["belts"]

    both = installs.join(
        belts, left_on="service_id", right_on="install_service_id", how="full"
    ).filter(pl.col("number_right") > 0)

    assert both["service_id"].null_count() == 0
    assert both.height == installs.height
    assert (both["number"] == both["number_right"]).all()
    assert (both["odometer_mi"] == both["install_odometer_mi"]).all()


def test_a_failed_belt_ended_at_its_life_if_it_broke_and_no_sooner_if_found(
    fleet: Drawn,
):
    belts = fleet.truth["belts"].filter(pl.col("end_state") == "failed")
    ends = fleet.files["services"].select(
        "removal_reason", end_service_id="service_id", end_mi="odometer_mi"
    )

    ends = belts.join(ends, on="end_service_id").with_columns(
        over=pl.col("end_mi") - pl.col("install_odometer_mi") - pl.col("life_mi")
    )
    broken = ends.filter(pl.col("removal_reason") == "broken")
    found = ends.filter(pl.col("removal_reason") != "broken")

    assert ends.height == belts.height
    assert broken["is_breaking"].all()
    assert not found["is_breaking"].any()
    assert broken["over"].is_between(-1.0, 10.0).all()
    assert (found["over"] > -1.0).all()


def test_running_belts_have_not_failed(fleet: Drawn):
    running = fleet.truth["belts"].filter(pl.col("end_state") == "running")

    age_mi = running["end_odometer_mi"] - running["install_odometer_mi"]

    broken = running["is_breaking"] & (age_mi > running["life_mi"] + 1.0)
    assert not broken.any()


@pytest.mark.parametrize("kind", [*scenario.NOISES, "bearing", "other_fault"])
def test_noises_and_repairs_number_what_the_truth_expects(fleet: Drawn, kind: str):
    """A Poisson count lies within 4 roots of its expectation."""
    repairs, complaints = fleet.files["repairs"], fleet.files["complaints"]
    is_bearing = repairs["fault"] == "bearing"
    counts = {noise: (complaints["noise"] == noise).sum() for noise in scenario.NOISES}
    counts |= {"bearing": is_bearing.sum(), "other_fault": (~is_bearing).sum()}

    expected = float(fleet.truth["belts"][f"expected_{kind}"].sum())

    assert abs(float(counts[kind]) - expected) < SIGMAS * np.sqrt(expected)


def test_loose_belts_squeal_and_tight_ones_whine_and_cost_bearings(fleet: Drawn):
    main = fleet.truth["belts"].join(
        fleet.files["vehicles"], on=["vehicle_id", "drive_id"], how="semi"
    )
    rates = main.group_by("band").agg(
        pl.col("^expected_.*$").sum() / pl.col("miles").sum() * 1e5
    )

    of = {row["band"]: row for row in rates.to_dicts()}

    assert of["loose"]["expected_squeal"] > 4 * of["in_spec"]["expected_squeal"]
    assert of["tight"]["expected_whine"] > 2 * of["in_spec"]["expected_whine"]
    assert of["tight"]["expected_bearing"] > 2 * of["in_spec"]["expected_bearing"]
    assert 1.5 < of["loose"]["expected_squeal"] < 5.0  # one in 20,000 to 70,000 mi


def test_the_fleet_is_plausible(fleet: Drawn):
    belts, services = fleet.truth["belts"], fleet.files["services"]
    known = belts.drop_nulls("band")
    fitted = belts.filter(pl.col("number") > 0)
    daily_mi = fleet.truth["vehicles"]["daily_mi"]

    miles_a_visit = (
        services_by_belt(fleet)
        .filter(pl.col("action").is_in(["inspect", "retension"]))
        .select(pl.col("odometer_mi").diff().over(PLACE))
        .to_series()
    )

    assert 0.10 < known["band"].is_in(["loose", "under"]).mean() < 0.20  # type: ignore[operator]
    assert 70_000 < fitted["life_mi"].median() < 90_000  # type: ignore[operator]
    assert daily_mi.is_between(40.0, 120.0).all()
    assert 5_000 < miles_a_visit.median() < 9_000  # type: ignore[operator]
    assert 10.0 < services.height / 6_000 < 16.0
