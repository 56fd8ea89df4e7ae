"""The commands that scripts rely on: what they print, where, and how they end."""

import json
import os
import re
import subprocess
import sys
from datetime import date
from pathlib import Path

import pytest

import fleetbelt
from fleetbelt.contract import INPUTS, RESULTS
from fleetbelt.intake import Outcome
from fleetbelt.resources import bundled
from fleetbelt.store.database import connect
from tests.fleets import services, write_fleet

Answer = subprocess.CompletedProcess[str]


def call(*arguments: object, cwd: Path | None = None) -> Answer:
    return subprocess.run(
        [sys.executable, "-m", "fleetbelt", *map(str, arguments)],
        capture_output=True,
        text=True,
        check=False,
        cwd=cwd,
        env={**os.environ, "NO_COLOR": "1"},
    )


def test_help_names_every_command():
    answer = call("--help")

    assert answer.returncode == 0
    commands = (
        "demo",
        "bench",
        "run",
        "load",
        "unload",
        "check",
        "simulate",
        "dictionary",
    )
    assert all(command in answer.stdout for command in commands)


def test_run_prints_one_json_object_and_words_go_to_stderr(tmp_path: Path):
    folder = write_fleet(tmp_path / "records")

    answer = call("run", folder, "--out", tmp_path / "out", "--json")

    facts = json.loads(answer.stdout)
    assert answer.returncode == 0
    assert facts["contract_version"] == "1"
    assert Path(facts["database"]) == tmp_path / "out" / "fleet.duckdb"
    assert all(Path(page).exists() for page in facts["pages"])
    assert {file["table_name"] for file in facts["files"]} == {
        "vehicles",
        "drives",
        "specs",
        "services",
    }
    assert all(
        file["rows_read"]
        == file["rows_loaded"] + file["rows_quarantined"] + file["rows_duplicate"]
        for file in facts["files"]
    )
    assert "loaded" in answer.stderr
    assert "drift  " not in answer.stderr, "stages are for who watches"


def test_load_takes_the_files_in_once(tmp_path: Path):
    folder, database = write_fleet(tmp_path / "records"), tmp_path / "fleet.duckdb"

    first = json.loads(call("load", folder, "--db", database, "--json").stdout)
    second = json.loads(call("load", folder, "--db", database, "--json").stdout)

    assert sum(file["rows_loaded"] for file in first["files"]) == 5
    assert sum(file["rows_loaded"] for file in second["files"]) == 0
    assert sum(file["rows_duplicate"] for file in second["files"]) == 5


def test_a_missing_column_ends_with_two_and_three_sentences(tmp_path: Path):
    folder = write_fleet(tmp_path / "records")
    text = (folder / "services.csv").read_text()
    (folder / "services.csv").write_text(text.replace("technician_id", "who", 1))

    answer = call("run", folder, "--out", tmp_path / "out")

    assert answer.returncode == 2
    assert "technician_id" in answer.stderr
    assert "services.csv" in answer.stderr
    assert "fix:" in answer.stderr
    assert "Traceback" not in answer.stderr


@pytest.mark.parametrize("arguments", [["run"], ["nonsense"], ["run", "x", "--huh"]])
def test_a_wrong_call_ends_with_two(arguments: list[str]):
    assert call(*arguments).returncode == 2


def test_a_folder_that_is_not_there_ends_with_an_error_and_no_traceback(
    tmp_path: Path,
):
    answer = call("run", tmp_path / "nowhere", "--out", tmp_path / "out")

    assert answer.returncode in (2, 3)
    assert "nowhere" in answer.stderr
    assert "Traceback" not in answer.stderr


def test_as_of_holds_now_at_a_day(tmp_path: Path):
    folder = write_fleet(
        tmp_path / "records",
        services=services({}, {"date": "2021-01-01", "odometer_mi": 20_000}),
    )
    out = tmp_path / "out"

    answer = call("run", folder, "--out", out, "--as-of", "2020-06-30")

    assert answer.returncode == 0
    assert "as_of,2020-06-30" in (out / "tables" / "run_info.csv").read_text()


@pytest.mark.parametrize("day", ["9999-12-31", "0001-01-01"])
def test_a_day_on_which_no_plan_can_begin_is_refused(tmp_path: Path, day: str):
    folder, out = write_fleet(tmp_path / "records"), tmp_path / "out"

    answer = call("run", folder, "--out", out, "--as-of", day)

    assert (answer.returncode, out.exists()) == (2, False)
    assert f"No records are of the year {int(day[:4])}." in answer.stderr


def test_the_dictionary_names_every_table_and_column():
    text = call("dictionary").stdout

    for table in (*INPUTS, *RESULTS):
        assert table.name in text
        assert all(column.name in text for column in table.columns)


def test_a_simulated_fleet_runs(tmp_path: Path):
    drawn = call(
        "simulate", tmp_path / "fleet", "--vehicles", 40, "--years", 2, "--seed", 3
    )
    answer = call("run", tmp_path / "fleet", "--out", tmp_path / "out")

    assert (drawn.returncode, answer.returncode) == (0, 0)
    assert Path(answer.stdout.strip()).name == "index.html"


def test_check_says_how_each_file_was_understood_and_writes_nothing(tmp_path: Path):
    folder = write_fleet(tmp_path / "records")
    before = sorted(folder.iterdir())

    answer = call("check", folder)

    assert answer.returncode == 0
    assert "services.csv" in answer.stdout
    assert sorted(folder.iterdir()) == before


def test_unload_takes_one_file_back(tmp_path: Path):
    folder, database = write_fleet(tmp_path / "records"), tmp_path / "fleet.duckdb"
    call("run", folder, "--out", tmp_path / "out", "--db", database)
    listed = (tmp_path / "out" / "tables" / "load_files.csv").read_text()
    sha256 = next(
        line.split(",")[1] for line in listed.splitlines() if "services" in line
    )

    answer = call("unload", "--db", database, "--file", sha256)
    again = json.loads(call("load", folder, "--db", database, "--json").stdout)

    assert answer.returncode == 0
    loaded = {file["table_name"]: file["rows_loaded"] for file in again["files"]}
    assert loaded == {"vehicles": 0, "drives": 0, "specs": 0, "services": 1}


def test_the_demo_ends_with_the_path_of_a_page(sample: Outcome, tmp_path: Path):
    answer = call("demo", "--out", tmp_path / "demo")

    page = Path(answer.stdout.strip())
    assert answer.returncode == 0
    assert page.exists()
    assert page.read_bytes() == sample.pages[0].read_bytes()
    words = re.sub(r"<[^>]+>", "", page.read_text(encoding="utf-8"))
    shown = " ".join(words.replace("\xa0", " ").split())
    said = [line for line in answer.stderr.splitlines() if line.startswith("For the ")]
    assert len(said) >= 3
    assert all(line.partition(": ")[2] in shown for line in said)
    assert str(tmp_path / "demo" / "tables") in answer.stderr
    assert bundled("sample_data").is_dir()


def test_packed_pages_are_written_on_demand(tmp_path: Path):
    folder = write_fleet(tmp_path / "records")

    answer = call("run", folder, "--out", tmp_path / "out", "--pack")

    page = tmp_path / "out" / "pages" / "fleet.html"
    assert answer.returncode == 0
    assert 'type="text/plain" id="data"' in page.read_text(encoding="utf-8")


@pytest.mark.parametrize("is_there", [True, False])
def test_a_wrong_folder_leaves_nothing_behind(tmp_path: Path, is_there: bool):
    if is_there:
        (tmp_path / "records").mkdir()

    run = call("run", tmp_path / "records", "--out", tmp_path / "out")
    load = call("load", tmp_path / "records", "--db", tmp_path / "fleet.duckdb")

    assert (run.returncode, load.returncode) == (2, 2)
    assert not (tmp_path / "out").exists()
    assert not (tmp_path / "fleet.duckdb").exists()


def test_an_output_folder_of_somebody_else_is_refused_before_anything_is_loaded(
    tmp_path: Path,
):
    folder, out = write_fleet(tmp_path / "records"), tmp_path / "out"
    (out / "pages").mkdir(parents=True)
    (out / "pages" / "thesis.txt").write_text("mine")

    answer = call("run", folder, "--out", out)

    assert answer.returncode == 2
    assert [path.name for path in out.iterdir()] == ["pages"]
    assert (out / "pages" / "thesis.txt").read_text() == "mine"


def test_unload_keeps_the_settings_of_the_last_run(tmp_path: Path):
    folder, out = write_fleet(tmp_path / "records"), tmp_path / "out"
    (folder / "fleetbelt.toml").write_text("[belts]\nrecords_from = 2019-06-01\n")
    call("run", folder, "--out", out)
    files = fleetbelt.open(out / "fleet.duckdb")["load_files"]
    sha256 = files.filter(table_name="services")["sha256"].item()

    answer = call("unload", "--db", out / "fleet.duckdb", "--file", sha256)

    assert answer.returncode == 0
    with connect(out / "fleet.duckdb", read_only=True) as connection:
        found = connection.sql("select records_from from typed.settings").fetchall()
    assert found == [(date(2019, 6, 1),)]
