"""Each switch of the generating model does what it says."""

from datetime import date
from pathlib import Path

import numpy as np
import polars as pl
import pytest

from fleetbelt.simulation import SimulationOptions, simulate
from tests.simulation.records import Drawn, read, readings, true_intervals


@pytest.fixture
def draw(tmp_path: Path):
    """Draw 400 vehicles with some options."""

    def drawn(**options) -> Drawn:
        chosen = SimulationOptions(**options)
        return read(
            simulate(tmp_path, n_vehicles=400, years=4.0, seed=8, options=chosen)
        )

    return drawn


def test_equal_technicians_differ_in_nothing_but_their_shop(draw):
    truth = draw(equal_technicians=True).truth["technicians"]

    assert truth.drop("technician_id", "depot").n_unique() == 1


def test_technicians_and_gauges_come_in_the_numbers_asked_for(draw):
    drawn = draw(n_technicians=3, n_gauges=7)

    assert drawn.truth["technicians"].height == 3
    assert drawn.files["gauges"].height == 7
    assert drawn.files["services"]["technician_id"].n_unique() == 3


def test_without_odd_gauges_each_gauge_is_calibrated_at_every_span(draw):
    drawn = draw(odd_gauges=False)

    spans = (
        drawn.files["calibrations"]
        .group_by("gauge_id")
        .agg(pl.col("span_mm").n_unique())
    )

    assert set(spans["gauge_id"]) == set(drawn.files["gauges"]["gauge_id"])
    assert set(spans["span_mm"]) == {5}
    assert "vibration" not in set(drawn.files["gauges"]["method"])


def test_true_gauges_read_true_at_every_span(draw):
    assert draw(gauge_error=False).truth["gauges"]["log_ratio"].abs().max() == 0.0


def test_without_noise_a_belt_loses_exactly_its_drift(draw):
    drawn = draw(process_sd=0.0, run_in_sd=0.0, slope_sd=0.0, reading_sd=0.0)
    rows = true_intervals(drawn).join(drawn.truth["models"], on="model")

    expected = pl.col("drift_per_1000_mi") * pl.col("miles") / 1e3
    expected = expected + pl.col("run_in_log") * pl.col("run_in")

    # whole odometers are written: up to a mile of drift
    assert rows.select((pl.col("lost") - expected).abs().max()).item() < 1e-5


def test_without_misc_removals_belts_only_fail_or_run(draw):
    drawn = draw(misc_removals=False)

    reasons = set(drawn.files["services"]["removal_reason"].drop_nulls())
    assert reasons == {"broken", "worn", "cracked", "noise"}
    assert set(drawn.truth["belts"]["end_state"]) == {"failed", "running"}


def test_without_a_life_effect_tension_leaves_life_alone(draw):
    drawn = draw(life_effect=False)

    assert drawn.truth["belts"]["log_time_ratio"].abs().max() == 0.0


def test_with_everything_recorded_each_reading_has_its_gauge_and_span(draw):
    rows = draw(unrecorded=False).files["services"].drop_nulls("reading_unit")

    assert rows["gauge_id"].null_count() == rows["span_mm"].null_count() == 0
    sets = rows.filter(pl.col("action").is_in(["install", "retension", "refit"]))
    assert sets["reading_left"].null_count() == 0


def test_the_wrong_range_is_worked_to_as_often_as_asked(draw):
    rows = draw(wrong_range_share=0.3).files["services"].drop_nulls("spec_applied")

    proper = np.where(rows["action"] == "install", "new", "used")

    assert (rows["spec_applied"].to_numpy() != proper).mean() == pytest.approx(
        0.3, abs=0.04
    )


@pytest.mark.parametrize(
    ("option", "table"), [("belt_frailty", "belts"), ("vehicle_frailty", "vehicles")]
)
def test_frailties_have_mean_one_and_the_variance_asked_for(draw, option, table):
    frailty = draw(**{option: 0.5}).truth[table]["frailty"]

    assert frailty.mean() == pytest.approx(1.0, abs=0.12)
    assert frailty.var() == pytest.approx(0.5, abs=0.2)


def test_a_hot_belt_reads_differently_when_asked(draw):
    rows = readings(draw(hot_effect=0.03)).drop_nulls("reading_n")

    noise = rows.with_columns(
        noise=(pl.col("reading_n") / pl.col("true_tension_n")).log()
        - pl.col("log_ratio")
    )
    mean = dict(noise.group_by("belt_temperature").agg(pl.col("noise").mean()).rows())

    assert mean["hot"] == pytest.approx(0.03, abs=0.002)
    assert mean["cold"] == pytest.approx(0.0, abs=0.002)


def test_urban_vehicles_drift_faster_when_asked(draw):
    drawn = draw(urban_drift=2.0)
    duty = drawn.files["vehicles"].select("vehicle_id", "duty")
    rows = true_intervals(drawn).filter(~pl.col("run_in")).join(duty, on="vehicle_id")
    rows = rows.join(drawn.truth["models"], on="model")

    lost = pl.col("lost").sum() - (pl.col("drift_slope") * pl.col("miles")).sum() / 1e3
    expected = (pl.col("drift_per_1000_mi") * pl.col("miles")).sum() / 1e3
    factor = dict(rows.group_by("duty").agg(lost / expected).rows())

    assert factor["urban"] == pytest.approx(2.0, abs=0.03)
    assert factor["highway"] == pytest.approx(1.0, abs=0.03)


def test_a_gauge_that_jumps_shows_it_in_readings_and_calibrations(draw):
    drawn = draw(gauge_jump=0.08)
    rows = readings(drawn).filter(pl.col("gauge_id") == "G-01")
    truth = drawn.truth["gauges"].select("gauge_id", "span_mm", early="log_ratio")
    rows = rows.join(truth, on=["gauge_id", "span_mm"])
    taken = drawn.files["calibrations"].filter(pl.col("gauge_id") == "G-01")
    taken = taken.join(truth, on=["gauge_id", "span_mm"])
    half = date(2023, 6, 30)

    jump = rows.group_by(late=pl.col("date") > half).agg(
        (pl.col("log_ratio") - pl.col("early")).mean()
    )
    seen = taken.group_by(late=pl.col("date") > half).agg(
        ((pl.col("reading") / pl.col("reference")).log() - pl.col("early")).mean()
    )

    assert dict(jump.rows()) == pytest.approx({False: 0.0, True: 0.08}, abs=1e-12)
    assert dict(seen.rows()) == pytest.approx({False: 0.0, True: 0.08}, abs=0.005)


def test_settings_of_slipping_technicians_lose_a_tenth_at_once(draw):
    drawn = draw(n_slipping=2)

    assert drawn.truth["technicians"]["slip_log"].to_list()[:3] == [0.1, 0.1, 0.0]
    lost = true_intervals(drawn).filter(~pl.col("run_in"))["lost"].mean()
    kept = true_intervals(draw()).filter(~pl.col("run_in"))["lost"].mean()
    assert lost > kept + 0.002  # type: ignore[operator]


def test_operators_differ_in_calibrations_when_asked(draw):
    drawn = draw(operator_sd=0.05)
    taken = drawn.files["calibrations"].join(
        drawn.truth["gauges"], on=["gauge_id", "span_mm"]
    )

    by_reader = taken.group_by("technician_id").agg(
        ((pl.col("reading") / pl.col("reference")).log() - pl.col("log_ratio")).mean()
    )

    assert by_reader["reading"].std() > 0.02


def test_before_records_from_only_the_fitting_of_surviving_belts_is_written(draw):
    opened = date(2023, 7, 1)
    drawn = draw(records_from=opened)
    belts, services = drawn.truth["belts"], drawn.files["services"]

    early = services.filter(pl.col("date") < opened)
    fitted = belts.join(early, left_on="install_service_id", right_on="service_id")

    assert early.height > 50
    assert set(early["action"]) == {"install"}
    assert fitted.height == early.height
    assert (fitted["end_date"] >= opened).all()
    for name in ("complaints", "odometers", "repairs"):
        assert drawn.files[name]["date"].min() >= opened
