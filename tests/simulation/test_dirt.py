"""The planted dirt is what it says, where it says, and nothing else is touched."""

from pathlib import Path

import polars as pl
import pytest

from fleetbelt.simulation import SimulatedFleet, simulate


@pytest.fixture(scope="module")
def dirty(tmp_path_factory: pytest.TempPathFactory) -> SimulatedFleet:
    folder = tmp_path_factory.mktemp("dirty")
    return simulate(folder, n_vehicles=480, years=4.0, seed=4, with_dirt=True)


def lines(folder: Path, name: str) -> list[str]:
    return (folder / f"{name}.csv").read_text(encoding="utf-8").splitlines()


def test_there_are_many_kinds_of_dirt_and_few_of_each(dirty: SimulatedFleet):
    kinds = dirty.dirt.group_by("kind").len()

    assert dirty.dirt.height >= 50
    assert kinds.height >= 24
    assert kinds["len"].is_between(2, 4).all()


def test_under_a_fiftieth_of_any_file_is_dirt(dirty: SimulatedFleet):
    per_file = dirty.dirt.group_by("file").len()

    for name, n in per_file.rows():
        assert n < dirty.rows[name] / 50


def test_clean_rows_are_those_of_the_clean_fleet(dirty: SimulatedFleet, tmp_path: Path):
    clean = simulate(tmp_path, n_vehicles=480, years=4.0, seed=4)

    for name, n in clean.rows.items():
        before, after = lines(clean.folder, name), lines(dirty.folder, name)
        changed = {
            number
            for number, (a, b) in enumerate(zip(before, after, strict=False), start=1)
            if a != b
        } | set(range(n + 2, len(after) + 1))
        told = dirty.dirt.filter(pl.col("file") == name)
        once = told.filter(
            (pl.col("kind") == "conflicting_key") & (pl.col("line") <= n + 1)
        )
        assert changed == set(told["line"]) - set(once["line"]), name


def test_each_listed_row_shows_its_mistake(dirty: SimulatedFleet):
    """The text that the mistake leaves in the row."""
    shown = {
        "negative_odometer": ",-12,",
        "text_in_number": ",ok,|,see card",
        "unknown_vehicle": "V-99001",
        "unknown_drive": "C9-X",
        "unknown_gauge": "G-977",
        "impossible_date": "2023-02-30",
        "other_date_form": r",\d\d/\d\d/20\d\d,",
        "date_in_future": "2091-03-14",
        "missing_technician": "workshop,,",
        "unknown_action": "tightened",
        "recheck_too_early": ",recheck,.*,2,",
        "used_range_at_install": ",install,.*,used,",
        "new_range_on_used_belt": ",retension,.*,new,",
        "missing_odometer": ",,inspect",
        "decimal_comma": r'"\d+,\d"',
        "wrong_unit_word": ",N,",
        "unknown_noise": "sqeal",
        "unknown_accessory": ",fan,",
        "unknown_unit": ",lbs,",
        "span_in_inches": r",(6|7|8|9|10|11|12|13)\.\d,",
    }
    texts = {name: pl.Series(lines(dirty.folder, name)) for name in dirty.rows}

    for kind, pattern in shown.items():
        rows = dirty.dirt.filter(pl.col("kind") == kind)
        for file, line in rows.select("file", "line").rows():
            assert texts[file][line - 1 : line].str.contains(pattern).all(), kind


def test_a_duplicate_is_the_same_row_and_a_conflict_the_same_key(
    dirty: SimulatedFleet,
):
    services = lines(dirty.folder, "services")
    told = dirty.dirt.filter(pl.col("file") == "services")
    twice = told.filter(pl.col("kind") == "exact_duplicate")["line"]
    conflict = told.filter(pl.col("kind") == "conflicting_key")

    for line in twice:
        assert services.count(services[line - 1]) == 2
    rows = {services[line - 1] for line in conflict["line"]}
    assert len(rows) == conflict.height == 2 * conflict["key"].n_unique()


def test_the_list_of_dirt_is_kept_with_the_truth(dirty: SimulatedFleet):
    kept = pl.read_parquet(dirty.folder / "truth" / "dirt.parquet")

    assert kept.equals(dirty.dirt)


def test_a_fleet_too_small_for_every_mistake_gets_what_it_can_hold(tmp_path: Path):
    fleet = simulate(tmp_path, n_vehicles=3, years=1.0, seed=1, with_dirt=True)

    assert 0 < fleet.dirt.height < 60
    assert fleet.dirt.select("file", "line").is_unique().all()
