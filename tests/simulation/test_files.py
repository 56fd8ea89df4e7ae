"""What the simulation writes follows the data contract to the letter."""

from datetime import date
from pathlib import Path

import numpy as np
import polars as pl
import pytest

from fleetbelt.belt.geometry import Pulley
from fleetbelt.belt.routing import route_belt
from fleetbelt.contract import INPUTS, input_table
from fleetbelt.errors import InputError
from fleetbelt.simulation import SimulationOptions, files, simulate
from fleetbelt.simulation.geometry import route
from fleetbelt.simulation.scenario import LAYOUTS
from tests.simulation.records import Drawn, read

NAMES = [table.name for table in INPUTS]


def bytes_of(folder: Path) -> dict[str, bytes]:
    return {
        path.relative_to(folder).as_posix(): path.read_bytes()
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }


def test_the_same_seed_gives_the_same_bytes(tmp_path: Path):
    for name, seed in (("one", 5), ("two", 5), ("other", 6)):
        simulate(tmp_path / name, n_vehicles=60, years=2.0, seed=seed, with_dirt=True)

    one, two, other = (bytes_of(tmp_path / name) for name in ("one", "two", "other"))
    assert one == two
    assert one["services.csv"] != other["services.csv"]


def test_the_truth_folder_does_not_change_the_records(tmp_path: Path):
    without = SimulationOptions(truth=False)

    simulate(tmp_path / "a", n_vehicles=60, years=2.0, seed=5)
    fleet = simulate(tmp_path / "b", n_vehicles=60, years=2.0, seed=5, options=without)

    known = {k: v for k, v in bytes_of(tmp_path / "a").items() if "truth" not in k}
    assert bytes_of(tmp_path / "b") == known
    assert fleet.truth is None


@pytest.mark.parametrize("name", NAMES)
def test_a_file_has_the_columns_words_and_limits_of_the_contract(
    fleet: Drawn, name: str
):
    frame = fleet.files[name]

    for column in frame.columns:
        rule = input_table(name).column(column)
        cells = frame[column]
        assert not (rule.is_required and cells.null_count()), column
        assert not rule.words or set(cells.drop_nulls()) <= set(rule.words), column
        assert rule.above is None or bool((cells.drop_nulls() > rule.above).all())
        assert rule.least is None or bool((cells.drop_nulls() >= rule.least).all())


@pytest.mark.parametrize("name", NAMES)
def test_a_file_has_every_column_with_each_distance_in_one_unit(
    fleet: Drawn, name: str
):
    written = set(fleet.files[name].columns)

    alone = {c.name for c in input_table(name).columns if not c.one_of}
    assert alone <= written
    for distance in {c.one_of for c in input_table(name).columns if c.one_of}:
        units = [c.name for c in input_table(name).columns if c.one_of == distance]
        assert len(written & set(units)) == 1


@pytest.mark.parametrize("name", NAMES)
def test_keys_are_unique(fleet: Drawn, name: str):
    frame, key = fleet.files[name], input_table(name).key
    stems = {c.name: c.one_of or c.name for c in input_table(name).columns}

    columns = [column for column in frame.columns if stems[column] in key]

    assert len(columns) == len(key)
    assert frame.select(columns).is_unique().all()


def test_every_code_word_of_the_actions_and_reasons_occurs(fleet: Drawn):
    services = fleet.files["services"]

    for column in ("action", "removal_reason", "reading_unit", "spec_applied"):
        words = set(input_table("services").column(column).words)
        assert set(services[column].drop_nulls()) == words


def test_rows_point_to_vehicles_drives_and_gauges_that_exist(fleet: Drawn):
    f = fleet.files

    for name in ("services", "complaints", "odometers", "repairs"):
        assert set(f[name]["vehicle_id"]) <= set(f["vehicles"]["vehicle_id"])
    for name in ("vehicles", "services", "complaints", "specs", "pulleys"):
        drives = set(f[name]["drive_id"].drop_nulls())
        assert drives <= set(f["drives"]["drive_id"])
    for name in ("services", "calibrations"):
        gauges = set(f[name]["gauge_id"].drop_nulls())
        assert gauges <= set(f["gauges"]["gauge_id"])


def test_no_odometer_runs_backwards(fleet: Drawn):
    """Over services, complaints, odometers and repairs of a vehicle together."""
    seen = pl.concat(
        fleet.files[name].select("vehicle_id", "date", "odometer_mi")
        for name in ("services", "complaints", "odometers", "repairs")
    )

    ranges = seen.group_by("vehicle_id", "date").agg(
        low=pl.col("odometer_mi").min(), high=pl.col("odometer_mi").max()
    )
    ranges = ranges.sort("vehicle_id", "date").with_columns(
        before=pl.col("high").shift(1).over("vehicle_id")
    )

    assert seen.height > 90_000
    assert ranges.filter(pl.col("low") < pl.col("before")).is_empty()


def test_all_rows_lie_in_the_records_and_in_the_vehicle_s_service(fleet: Drawn):
    vehicles = fleet.files["vehicles"]
    first, last = date(2021, 6, 30), date(2025, 6, 30)

    for name in ("services", "complaints", "odometers", "repairs"):
        rows = fleet.files[name].join(vehicles, on="vehicle_id")
        retired = pl.col("retired_date").fill_null(last)
        started = pl.col("in_service_date").fill_null(first)
        assert rows["date"].min() >= first  # type: ignore[operator]
        assert rows["date"].max() <= last  # type: ignore[operator]
        assert rows.filter(pl.col("date") > retired).is_empty()
        assert rows.filter(pl.col("date") < started).is_empty()


def test_a_removal_reason_stands_where_a_belt_comes_off_and_nowhere_else(fleet: Drawn):
    place = ["vehicle_id", "drive_id"]
    main = fleet.files["vehicles"].select("vehicle_id", main="drive_id")
    services = fleet.files["services"].join(main, on="vehicle_id", how="left")
    services = services.with_columns(pl.col("drive_id").fill_null(pl.col("main")))
    services = services.sort("service_id").with_columns(
        before=pl.col("action").shift(1).over(place)
    )

    comes_off = (pl.col("action") == "remove") | (
        (pl.col("action") == "install") & pl.col("before").ne_missing(pl.lit("remove"))
    )
    wrong = services.filter(comes_off != pl.col("removal_reason").is_not_null())

    assert wrong.is_empty()


def test_readings_are_whole_graduations_of_the_gauge(fleet: Drawn):
    rows = fleet.files["services"].join(fleet.files["gauges"], on="gauge_id")

    steps = (rows["reading_left"] / rows["resolution"]).drop_nulls()

    assert (rows["reading_unit"] == rows["unit"]).all()
    np.testing.assert_allclose(steps, steps.round(), atol=1e-9)


def test_blocks_of_vehicles_follow_each_other_without_a_seam(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
):
    monkeypatch.setattr(files, "BLOCK_VEHICLES", 40)

    drawn = read(simulate(tmp_path, n_vehicles=100, years=2.0, seed=3))

    vehicles, services = drawn.files["vehicles"], drawn.files["services"]
    assert vehicles["vehicle_id"].to_list() == [f"V-{n:06d}" for n in range(1, 101)]
    numbers = [f"S-{n:08d}" for n in range(1, services.height + 1)]
    assert services["service_id"].to_list() == numbers
    assert set(services["vehicle_id"]) == set(vehicles["vehicle_id"])
    installs = services.filter(pl.col("action") == "install")["service_id"]
    fitted = drawn.truth["belts"]["install_service_id"].drop_nulls()
    assert set(installs) == set(fitted)


@pytest.mark.parametrize("layout", LAYOUTS)
def test_spans_and_belt_length_are_those_of_the_pulleys(layout: str):
    """Against the routing of `fleetbelt.belt`, written without sight of this one."""
    pulleys = [
        Pulley(name=name, x_mm=x, y_mm=y, diameter_mm=d, side=side)  # type: ignore[arg-type]
        for name, x, y, d, side, _ in LAYOUTS[layout]
    ]

    drawn, known = route(LAYOUTS[layout]), route_belt(pulleys)

    np.testing.assert_allclose(drawn.span_mm, known.span_mm, rtol=1e-12)
    assert drawn.belt_length_mm == pytest.approx(known.length_mm, rel=1e-12)


@pytest.mark.parametrize(
    ("call", "says"),
    [
        ({"n_vehicles": 0, "years": 4.0, "seed": 1}, "a fleet of 0 vehicles"),
        ({"n_vehicles": 5, "years": 0.1, "seed": 1}, "records of 0.1 years"),
        ({"n_vehicles": 5, "years": 4.0, "seed": -1}, "the seed -1"),
    ],
)
def test_a_fleet_that_cannot_be_is_refused(tmp_path: Path, call, says: str):
    with pytest.raises(InputError, match=says):
        simulate(tmp_path / "fleet", **call)

    assert not (tmp_path / "fleet").exists()


def test_one_vehicle_is_a_fleet(tmp_path: Path):
    drawn = read(simulate(tmp_path, n_vehicles=1, years=1.0, seed=1))

    assert drawn.files["vehicles"].height == 1
