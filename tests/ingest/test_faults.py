"""What the machine refuses: one sentence, exit code 3, and nothing changed."""

import subprocess
import sys
from pathlib import Path

import duckdb
import pytest

from fleetbelt.errors import PlaceError
from fleetbelt.store.places import place_errors
from tests.ingest.folders import HEADINGS, contents, folder, service

resource = pytest.importorskip("resource", reason="limits on file size are POSIX")


def run(*arguments: object, largest_file: int = -1) -> subprocess.CompletedProcess[str]:
    """Run fleetbelt in a process that may write no file larger than this."""
    program = (
        "import resource\n"
        f"resource.setrlimit(resource.RLIMIT_FSIZE, ({largest_file}, -1))\n"
        "from fleetbelt.cli import main\n"
        "main()\n"
    )
    return subprocess.run(
        [sys.executable, "-c", program, *map(str, arguments)],
        capture_output=True,
        text=True,
        check=False,
    )


@pytest.fixture
def database(tmp_path: Path) -> Path:
    """A database that holds a load."""
    path = tmp_path / "fleet.duckdb"
    assert run("load", folder(tmp_path / "a"), "--db", path).returncode == 0
    return path


@pytest.mark.parametrize(
    ("n_rows", "limit", "place"),
    [(20_000, 10**6, "/tmp"), (18_000, 1_300_000, "fleet.duckdb")],  # noqa: S108
    ids=["no room for the copy", "no room for the database"],
)
def test_a_full_disk_ends_the_load_and_changes_nothing(
    tmp_path, database, n_rows, limit, place
):
    before = contents(database, "raw", "typed")
    lines = [service(f"A{n}", shop=f"Shop {n * 7919}") for n in range(n_rows)]
    more = folder(tmp_path / "b", services_b=f"{HEADINGS}\n{''.join(lines)}")

    result = run("load", more, "--db", database, largest_file=limit)

    assert result.returncode == 3
    assert "Traceback" not in result.stderr
    assert "do not suffice" in result.stderr
    assert place in result.stderr
    assert contents(database, "raw", "typed") == before


def test_an_interrupted_query_is_an_interruption(tmp_path):
    with pytest.raises(KeyboardInterrupt), place_errors(tmp_path):
        raise RuntimeError("Query interrupted")  # noqa: EM101 (the engine's words)


@pytest.mark.parametrize(
    "error",
    [
        duckdb.FatalException(
            "FATAL Error: Failed to create checkpoint because of error: No space left"
        ),
        duckdb.TransactionException("Failed to commit: No space left"),
    ],
)
def test_a_full_disk_is_told_from_the_engines_other_failures(tmp_path, error):
    with (
        pytest.raises(PlaceError, match=r"suffice: (Failed to commit: )?No space"),
        place_errors(tmp_path),
    ):
        raise error
    with pytest.raises(type(error), match="else"), place_errors(tmp_path):
        raise type(error)("something else")  # noqa: EM101


def test_memory_used_up_is_the_places_fault(tmp_path):
    with pytest.raises(PlaceError, match="memory is used up"), place_errors(tmp_path):
        raise MemoryError


def test_any_other_fault_stays_what_it_is(tmp_path):
    with pytest.raises(RuntimeError, match="else"), place_errors(tmp_path):
        raise RuntimeError("else")  # noqa: EM101


def test_a_file_that_cannot_be_read_is_named(tmp_path, database):
    before = contents(database, "raw", "typed")
    place = folder(tmp_path / "b")
    (place / "services_b.csv").symlink_to("services_b.csv")  # a loop: never readable

    result = run("load", place, "--db", database)

    assert result.returncode == 3
    assert "The file cannot be read" in result.stderr
    assert "services_b.csv" in result.stderr
    assert contents(database, "raw", "typed") == before


@pytest.mark.parametrize(
    "arguments",
    [
        ("load", "{a}", "--db", "{here}/nowhere/fleet.duckdb"),
        ("load", "{a}", "--db", "{a}/services.csv/fleet.duckdb"),
        ("load", "{a}", "--db", "{here}"),
        ("run", "{a}", "--out", "{a}/services.csv"),
        ("check", "{a}/services.csv/nothing", "--suggest"),
    ],
)
def test_a_place_that_cannot_be_one_is_named(tmp_path, arguments):
    place = folder(tmp_path / "a")
    before = sorted(tmp_path.rglob("*"))

    result = run(*(text.format(a=place, here=tmp_path) for text in arguments))

    assert result.returncode == (2 if arguments[0] == "check" else 3)
    assert "Traceback" not in result.stderr
    assert len(result.stderr.splitlines()) == 3
    assert str(tmp_path) in result.stderr
    assert sorted(tmp_path.rglob("*")) == before


def test_words_of_a_file_cannot_steer_the_terminal(tmp_path):
    lines = service("A1", action="\x1b[2Jgone\x07")
    place = folder(tmp_path / "a", services_b=f"{HEADINGS}\n{lines}")
    (place / "services_b.csv").rename(place / "services_\x1b[2J.csv")

    result = run("check", place)

    assert "\\x1b[2Jgone\\x07" in result.stdout
    assert "services_\\x1b[2J.csv" in result.stdout
    assert "\x1b" not in result.stdout + result.stderr


def test_unload_of_a_database_that_is_not_there_makes_none(tmp_path):
    result = run("unload", "--db", tmp_path / "fleet.duckdb", "--file", "abc")

    assert result.returncode == 2
    assert "no such database" in result.stderr
    assert not list(tmp_path.iterdir())
