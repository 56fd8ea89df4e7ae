"""The bundled sample fleet is small, drawn by the recorded call, and worth reading."""

import polars as pl
import pytest

from fleetbelt.contract import INPUTS
from fleetbelt.resources import bundled
from fleetbelt.simulation import SimulatedFleet
from tests.simulation.sample import draw_sample, planted_dirt

NAMES = {f"{table.name}.csv" for table in INPUTS}


@pytest.fixture(scope="module")
def drawn(tmp_path_factory: pytest.TempPathFactory) -> SimulatedFleet:
    return draw_sample(tmp_path_factory.mktemp("sample"), truth=True)


@pytest.fixture(scope="module")
def installs(drawn: SimulatedFleet) -> pl.DataFrame:
    """Belts fitted in the records, with who fitted them and by which gauge."""
    services = pl.read_csv(drawn.folder / "services.csv", infer_schema=False)
    belts = pl.read_parquet(drawn.folder / "truth" / "belts.parquet")
    fitted = services.unique("service_id", keep="first").select(
        "technician_id", "gauge_id", "shop", install_service_id="service_id"
    )
    return belts.drop_nulls("band").join(fitted, on="install_service_id")


def share_under(installs: pl.DataFrame, where: pl.Expr) -> float:
    """Share truly left under, of belts that nobody rechecked."""
    chosen = installs.filter(where & (pl.col("basis") == "install"))
    return float(chosen.select((pl.col("slack_log") > 0).mean()).item())


def test_the_sample_is_a_fresh_draw_of_the_recorded_call(drawn: SimulatedFleet):
    folder = bundled("sample_data")

    for name in NAMES:
        assert (folder / name).read_bytes() == (drawn.folder / name).read_bytes(), name


def test_the_sample_holds_the_contract_s_files_and_no_truth():
    assert {path.name for path in bundled("sample_data").glob("*")} - NAMES <= {
        "fleetbelt.toml"
    }


def test_the_sample_is_small_but_large_enough(drawn: SimulatedFleet):
    size = sum(path.stat().st_size for path in bundled("sample_data").glob("*.csv"))
    vehicles = pl.read_csv(bundled("sample_data") / "vehicles.csv")

    assert size <= 4_000_000
    assert drawn.rows["services"] >= 6_000
    assert drawn.rows["vehicles"] == 480
    assert vehicles["model"].n_unique() == 6
    assert vehicles["depot"].n_unique() == 5


def test_the_sample_has_honest_dirt_of_many_kinds(drawn: SimulatedFleet):
    dirt = planted_dirt()

    assert dirt.equals(drawn.dirt)
    assert dirt.height >= 30
    assert dirt["kind"].n_unique() >= 10


def test_one_gauge_under_reads_on_short_spans_and_one_over_reads(
    drawn: SimulatedFleet,
):
    gauges = pl.read_parquet(drawn.folder / "truth" / "gauges.parquet")
    short = gauges.filter(pl.col("span_mm") == 178).sort("log_ratio")
    long = gauges.filter(pl.col("span_mm") == 400).sort("log_ratio")

    assert short["gauge_id"][0] == "G-03"
    assert short["log_ratio"][0] < -0.12
    assert short["log_ratio"][1] > -0.08
    assert long["gauge_id"][-1] == short["gauge_id"][-1] == "G-07"
    assert short["log_ratio"][-1] > 0.08


def test_belts_set_with_the_gauge_that_over_reads_are_loose(installs: pl.DataFrame):
    is_it = pl.col("gauge_id") == "G-07"

    assert share_under(installs, is_it) > 2 * share_under(installs, ~is_it)


def test_nobody_at_one_depot_corrects_the_gauge(drawn: SimulatedFleet):
    people = pl.read_parquet(drawn.folder / "truth" / "technicians.parquet")

    corrects = dict(people.group_by("depot").agg(pl.col("corrects_share").max()).rows())

    assert corrects.pop("Wexholt") == 0.0
    assert set(corrects.values()) == {1.0}


def test_one_technician_skips_the_recheck_and_one_sets_loose(
    drawn: SimulatedFleet, installs: pl.DataFrame
):
    people = pl.read_parquet(drawn.folder / "truth" / "technicians.parquet")
    is_checked = pl.col("basis") == "recheck"
    rechecked = installs.group_by("technician_id").agg(is_checked.mean()).sort("basis")

    assert rechecked["technician_id"][0] == "T-09"
    assert rechecked["basis"][0] < 0.1
    assert rechecked["basis"][1] > 0.2
    assert people.sort("habit_log")["technician_id"][0] == "T-11"
    assert share_under(installs, pl.col("technician_id") == "T-11") > 0.6
    assert share_under(installs, pl.col("technician_id") != "T-11") < 0.35
