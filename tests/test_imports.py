"""Imports run one way, and starting up stays light."""

import ast
import os
import subprocess
import sys
from pathlib import Path

import pytest

import fleetbelt

PACKAGE = Path(fleetbelt.__file__).parent
HEAVY = {"duckdb", "polars", "numpy", "scipy", "plotly", "jinja2"}
HEAVY |= {"xlsxwriter", "icalendar"}
ALLOWED = {
    "contract": set(),
    "belt": {"errors", "units"},
    "models": {"errors", "units", "belt"},
    "store": {"errors", "contract", "resources"},
    "ingest": {"errors", "units", "contract", "settings", "resources", "store"},
    "steps": {"errors", "contract", "settings", "models", "store"},
    "render": {"errors", "units", "contract", "resources", "belt", "models"},
    "takeaway": {"contract", "store"},
    "bench": {"errors", "units", "contract", "settings", "resources", "store"}
    | {"belt", "models", "render", "intake", "pipeline"},
    "simulation": {"errors", "units", "contract"},
}


def imported(path: Path) -> set[str]:
    """Every module a file imports, dotted."""
    modules: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            modules |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            modules.add(node.module or "")
            if node.module == "fleetbelt":
                modules |= {f"fleetbelt.{alias.name}" for alias in node.names}
    return modules


@pytest.mark.parametrize("room", ALLOWED)
def test_a_room_imports_only_from_the_rooms_below_it(room: str):
    for path in (PACKAGE / room).rglob("*.py"):
        ours = {
            name.split(".")[1] for name in imported(path) if name[:10] == "fleetbelt."
        }

        assert ours - {room} <= ALLOWED[room], path.name


@pytest.mark.parametrize("room", ["belt", "models"])
def test_the_statistics_know_no_engine_and_no_page(room: str):
    for path in (PACKAGE / room).rglob("*.py"):
        tops = {name.split(".")[0] for name in imported(path)}

        assert not tops & {"duckdb", "plotly", "typer", "jinja2"}, path.name


@pytest.mark.parametrize(
    "call", ["import fleetbelt", "import fleetbelt.cli", "from fleetbelt import cli"]
)
def test_starting_up_imports_no_heavy_library(call: str):
    code = f"{call}; import sys; print(' '.join(sys.modules))"
    answer = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True
    )

    assert not HEAVY & set(answer.stdout.split())


def test_a_run_loads_fits_and_pages_only_where_it_makes_them():
    code = "import fleetbelt.pipeline, sys; print(' '.join(sys.modules))"
    answer = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True
    )

    loaded = set(answer.stdout.split())
    assert not loaded & {"scipy", "jinja2", "xlsxwriter", "icalendar"}


def test_a_sum_of_products_is_the_same_however_many_threads_the_user_sets():
    code = (
        "import fleetbelt, numpy as np; x = np.sqrt(np.arange(1e6)); print(x @ (x + 1))"
    )
    answers = {
        subprocess.run(
            [sys.executable, "-c", code],
            env={**os.environ, "OPENBLAS_NUM_THREADS": n, "OMP_NUM_THREADS": n},
            capture_output=True,
            text=True,
            check=True,
        ).stdout
        for n in ("1", "8")
    }

    assert len(answers) == 1
