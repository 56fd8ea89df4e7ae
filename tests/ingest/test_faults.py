"""A full disk: one sentence, exit code 3, and nothing changed."""

import subprocess
import sys
from pathlib import Path

import pytest

from fleetbelt.errors import PlaceError
from fleetbelt.store.places import place_errors
from tests.ingest.folders import HEADINGS, folder, service
from tests.intake.kill import contents

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


def test_memory_used_up_is_the_places_fault(tmp_path):
    with pytest.raises(PlaceError, match="memory is used up"), place_errors(tmp_path):
        raise MemoryError


def test_any_other_fault_stays_what_it_is(tmp_path):
    with pytest.raises(RuntimeError, match="else"), place_errors(tmp_path):
        raise RuntimeError("else")  # noqa: EM101
