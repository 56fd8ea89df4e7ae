"""With --pseudonyms no technician's id is in anything that is given out."""

import os
import zipfile
from collections.abc import Iterator
from pathlib import Path

import polars as pl
import pytest

import fleetbelt
from fleetbelt import pipeline
from fleetbelt.errors import InputError, PlaceError
from fleetbelt.intake import Outcome
from fleetbelt.resources import bundled
from fleetbelt.store.database import connect
from fleetbelt.store.pseudonyms import key_beside, label
from tests.fleets import SERVICE, services, write_fleet


def bytes_given_out(out: Path) -> Iterator[tuple[str, bytes]]:
    """Every file under pages and tables, packed ones unpacked."""
    for path in sorted([*(out / "pages").rglob("*"), *(out / "tables").rglob("*")]):
        if path.suffix == ".parquet":
            yield path.name, pl.read_parquet(path).write_csv().encode()
        elif path.suffix == ".xlsx":
            with zipfile.ZipFile(path) as book:
                for member in book.namelist():
                    yield f"{path.name}/{member}", book.read(member)
        elif path.is_file():
            yield path.name, path.read_bytes()


@pytest.fixture(scope="module")
def hidden(tmp_path_factory: pytest.TempPathFactory) -> Outcome:
    out = tmp_path_factory.mktemp("hidden")
    return pipeline.run(bundled("sample_data"), out, pseudonyms=True)


def technicians(outcome: Outcome) -> list[str]:
    with connect(outcome.database, read_only=True) as connection:
        rows = connection.sql(
            "select technician_id from typed.services union "
            "select technician_id from typed.calibrations"
        ).fetchall()
    return sorted(name for (name,) in rows if name)


def test_no_id_stands_in_any_byte_of_any_file(hidden: Outcome):
    ids = technicians(hidden)
    out = hidden.database.parent
    given = dict(bytes_given_out(out))

    assert len(ids) >= 15
    assert {"workshop.html", "technician_results.csv", "quarantine.parquet"} <= set(
        given
    )
    found = {
        (name, technician_id)
        for name, content in given.items()
        for technician_id in ids
        if technician_id.encode() in content
    }
    assert found == set()


def test_the_same_check_finds_them_without_the_switch(sample: Outcome):
    ids = technicians(sample)
    named = {
        name
        for name, content in bytes_given_out(sample.database.parent)
        if any(technician_id.encode() in content for technician_id in ids)
    }

    assert {
        "workshop.html",
        "records.html",
        "fleet.html",
        "technician_results.csv",
        "technician_results.parquet",
        "quarantine.csv",
    } <= named


def test_results_are_the_same_but_for_the_labels(hidden: Outcome, sample: Outcome):
    key = key_beside(hidden.database)
    plain, labelled = (
        fleetbelt.open(run.database)["technician_results"] for run in (sample, hidden)
    )
    again = plain.with_columns(
        pl.col("technician_id").map_elements(
            lambda name: label(key, name), return_dtype=pl.String
        )
    ).sort("technician_id")

    columns = ["technician_id", "settings", "hold_n", "in_spec_share"]
    assert again.select(columns).equals(labelled.sort("technician_id").select(columns))
    off = (again["bias_pct"] - labelled.sort("technician_id")["bias_pct"]).abs()
    assert off.max() < 1e-4  # type: ignore[operator]


def test_the_key_is_its_owner_s_and_gives_the_same_labels_again(tmp_path: Path):
    database = tmp_path / "fleet.duckdb"

    key = key_beside(database)

    path = tmp_path / "fleet.pseudonyms.key"
    assert len(key) == 32
    if os.name == "posix":
        assert path.stat().st_mode & 0o777 == 0o600
    assert key_beside(database) == key
    assert label(key, "T-01") == label(key, "T-01")
    assert label(key, "T-01") != label(key, "T-02")
    assert label(bytes(32), "T-01") != label(key, "T-01")


@pytest.mark.skipif(os.name != "posix", reason="rights of files are POSIX's")
def test_a_key_that_others_can_read_is_refused(tmp_path: Path):
    key_beside(tmp_path / "fleet.duckdb")
    (tmp_path / "fleet.pseudonyms.key").chmod(0o644)

    with pytest.raises(PlaceError, match="can be read by others"):
        key_beside(tmp_path / "fleet.duckdb")


def test_a_file_that_is_no_key_is_refused(tmp_path: Path):
    path = tmp_path / "fleet.pseudonyms.key"
    path.write_text("secret\n")
    path.chmod(0o600)

    with pytest.raises(InputError, match="no key"):
        key_beside(tmp_path / "fleet.duckdb")


def test_texts_from_the_files_are_masked_and_the_database_keeps_them(tmp_path: Path):
    """A refused row, a replaced row, a note, a file named for a person, settings."""
    row = {**SERVICE, "service_id": "S1", "technician_id": "Zyx-7", "note": "Zyx-7 did"}
    folder = write_fleet(
        tmp_path / "records",
        services=[row, {**row, "service_id": "S2", "odometer_mi": "many"}],
    )
    (folder / "services.csv").rename(folder / "services_zyx-7.csv")
    (folder / "fleetbelt.toml").write_text(
        '[[file]]\nname = "services_Zyx-7.csv"\ndate_form = "ISO"\n'
        '[[file]]\nname = "services_later.csv"\n'
        'constants = { technician_id = "Zyx-7" }\n'
    )
    out = tmp_path / "out"
    first = pipeline.run(folder, out, pseudonyms=True)
    newer = pl.DataFrame([{**row, "odometer_mi": 10_500}]).drop("technician_id")
    newer.write_csv(folder / "services_later.csv")
    pipeline.run(folder, out, pseudonyms=True)

    given = dict(bytes_given_out(out))
    assert not [name for name, content in given.items() if b"zyx" in content.lower()]
    assert b"withheld" in given["quarantine.csv"]
    assert b"withheld" in given["superseded.csv"]
    tables = fleetbelt.open(first.database)
    assert "Zyx-7" in tables["quarantine"]["raw"][0]
    assert "Zyx-7" in tables["run_info"].filter(key="settings")["value"][0]


def test_where_there_is_no_technician_file_names_stay(tmp_path: Path):
    folder = write_fleet(tmp_path / "records", services=services({}))
    text = (folder / "services.csv").read_text()
    (folder / "services.csv").write_text(text.splitlines()[0])

    given = pipeline.run(folder, tmp_path / "out", pseudonyms=True)

    files = pl.read_csv(tmp_path / "out" / "tables" / "load_files.csv")["file"]
    assert sorted(files) == sorted(file.file for file in given.files)


def test_without_the_switch_a_later_run_shows_the_ids_again(tmp_path: Path):
    folder = write_fleet(tmp_path / "records", services=services({}))
    hidden = pipeline.run(folder, tmp_path / "out", pseudonyms=True)
    labelled = fleetbelt.open(hidden.database)["technician_results"]
    plain = pipeline.run(folder, tmp_path / "out")

    assert labelled["technician_id"].to_list() != ["T-01"]
    assert fleetbelt.open(plain.database)["technician_results"][
        "technician_id"
    ].to_list() == ["T-01"]
