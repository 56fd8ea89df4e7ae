"""A run on what was run before leaves what stands, and makes anew what does not."""

import shutil
from datetime import date
from pathlib import Path
from typing import Any

import pytest

from fleetbelt import intake, pipeline
from fleetbelt.intake import Outcome
from fleetbelt.store import state
from fleetbelt.store.database import connect
from tests.fleets import services, write_fleet
from tests.ingest.folders import contents

DAY = {"date": "2020-03-01", "odometer_mi": 12_000, "reading_found": 120}


@pytest.fixture(scope="module")
def once(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A place with records and what a run on them gave out."""
    place = tmp_path_factory.mktemp("once")
    pipeline.run(write_fleet(place / "records", services=services({})), place / "out")
    return place


@pytest.fixture
def place(once: Path, tmp_path: Path) -> Path:
    """The same, to be changed."""
    return shutil.copytree(once, tmp_path, dirs_exist_ok=True)


def written(out: Path) -> dict[str, tuple[int, int]]:
    """Every file given out by its name, with its place on the disk and its time."""
    return {
        str(path.relative_to(out)): (path.stat().st_ino, path.stat().st_mtime_ns)
        for folder in ("pages", "tables")
        for path in sorted((out / folder).rglob("*"))
        if path.is_file()
    }


def run_again(place: Path, **options: Any) -> tuple[Outcome, bool]:
    """Run; return what came of it, and whether the results stood."""
    words: list[str] = []
    outcome = pipeline.run(
        place / "records", place / "out", say=words.append, **options
    )
    return outcome, any(text.startswith("unchanged") for text in words)


def test_a_run_on_unchanged_files_leaves_everything_as_it_stands(place: Path):
    before = written(place / "out")

    again, stood = run_again(place)

    assert stood
    assert written(place / "out") == before
    assert again.pages[0] == place / "out" / "pages" / "index.html"
    assert len(again.pages) == 7
    assert [who.split(":")[0] for who in again.headlines] == [
        "For the fleet manager",
        "For the shop owner",
        "For the analyst",
    ]
    assert all(file.rows_loaded == 0 for file in again.files)


def test_made_anew_from_the_same_records_everything_is_the_same(place: Path):
    outcome, _ = run_again(place)
    pages = {path: path.read_bytes() for path in outcome.pages}
    results = contents(outcome.database, "results")
    with connect(outcome.database) as connection:
        state.keep(connection, "another")
    for path in outcome.pages:
        path.unlink()

    _, stood = run_again(place)

    assert not stood
    assert contents(outcome.database, "results") == results
    assert {path: path.read_bytes() for path in outcome.pages} == pages


def test_one_thing_at_a_time_in_little_memory_everything_is_the_same(place: Path):
    ample = {path.name: path.read_bytes() for path in run_again(place)[0].pages}
    out = place / "little"

    little = pipeline.run(place / "records", out, memory="400MB")

    assert {path.name: path.read_bytes() for path in little.pages} == ample
    for csv in sorted((place / "out" / "tables").glob("*.csv")):
        if csv.name != "load_files.csv":  # holds when it was loaded
            assert (out / "tables" / csv.name).read_bytes() == csv.read_bytes()


@pytest.mark.parametrize("name", ["pages/index.html", "tables/belts.csv"])
def test_a_file_that_somebody_touched_is_written_again(name: str, place: Path):
    path = place / "out" / name
    good = path.read_bytes()
    path.write_bytes(b"spoilt")

    _, stood = run_again(place)

    assert stood
    assert path.read_bytes() == good


def test_one_more_record_makes_everything_anew(place: Path):
    before = written(place / "out")
    more = write_fleet(place / "more", services=services({}, DAY))
    (more / "services.csv").rename(place / "records" / "services_more.csv")

    _, stood = run_again(place)

    assert not stood
    assert not before.items() & written(place / "out").items()


@pytest.mark.parametrize(
    "chosen", [{"as_of": date(2020, 12, 31)}, {"pseudonyms": True}], ids=str
)
def test_another_choice_makes_the_results_anew(chosen: dict[str, Any], place: Path):
    _, stood = run_again(place, **chosen)

    assert not stood


def test_other_settings_make_the_results_anew(place: Path):
    (place / "records" / "fleetbelt.toml").write_text(
        "[measurement]\nreading_sd = 0.03\n"
    )

    _, stood = run_again(place)

    assert not stood


def test_packing_makes_the_pages_alone_anew(place: Path):
    before = written(place / "out")

    _, stood = run_again(place, pack=True)

    changed = {
        name for name, at in written(place / "out").items() if before[name] != at
    }
    assert stood
    assert {name.split("/")[0] for name in changed} == {"pages"}


def test_a_file_taken_back_and_in_again_has_accounts_of_its_own(place: Path):
    outcome, _ = run_again(place)
    with connect(outcome.database) as connection:
        ((sha256,),) = connection.sql(
            "select sha256 from raw.files where table_name = 'services'"
        ).fetchall()
    before = contents(outcome.database, "typed")["typed", "run_state"]

    intake.unload(outcome.database, sha256)
    _, stood = run_again(place)

    assert not stood
    assert contents(outcome.database, "typed")["typed", "run_state"] != before


@pytest.mark.parametrize("broken", ["facts.run_info", "store.export.write_tables"])
def test_a_failed_run_does_not_pass_for_a_done_one(
    broken: str, place: Path, monkeypatch: pytest.MonkeyPatch
):
    def fail(*_: object, **__: object) -> None:
        raise RuntimeError

    before = written(place / "out")
    chosen = {"as_of": date(2020, 12, 31)}
    with monkeypatch.context() as patch, pytest.raises(RuntimeError):
        patch.setattr(f"fleetbelt.{broken}", fail)
        run_again(place, **chosen)

    _, stood = run_again(place, **chosen)

    assert stood == (broken == "store.export.write_tables")
    assert "as_of,2020-12-31" in (place / "out/tables/run_info.csv").read_text()
    assert not before.items() & written(place / "out").items()
