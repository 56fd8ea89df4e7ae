"""What is built is what works: the wheel in a venv of its own."""

import os
import subprocess
import sys
import sysconfig
import venv
from pathlib import Path

import pytest

CHECKOUT = Path(__file__).parents[1]


@pytest.fixture(scope="module")
def python(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A new venv's interpreter, with the wheel and, by a path file, the libraries.

    The path file adds the libraries' folder without its own path files, so that an
    editable install of the checkout is not seen.
    """
    folder = tmp_path_factory.mktemp("wheel")
    pip = [sys.executable, "-m", "pip", "--quiet", "--disable-pip-version-check"]
    build: list[str | Path] = [
        "wheel",
        "--no-deps",
        "--no-build-isolation",
        "--wheel-dir",
        folder,
    ]
    subprocess.run([*pip, *build, CHECKOUT], check=True)
    (wheel,) = folder.glob("fleetbelt-*.whl")
    venv.create(folder / "venv", with_pip=False)
    binaries = "Scripts" if os.name == "nt" else "bin"
    own = folder / "venv" / binaries / "python"
    install: list[str | Path] = [
        "--python",
        own,
        "install",
        "--no-deps",
        "--no-index",
        wheel,
    ]
    subprocess.run([*pip, *install], check=True)
    (site,) = (folder / "venv").rglob("site-packages")
    (site / "libraries.pth").write_text(sysconfig.get_path("purelib"))
    return own


def test_the_installed_wheel_runs_the_demo_from_another_folder(
    python: Path, tmp_path: Path
):
    environment = {k: v for k, v in os.environ.items() if k != "PYTHONPATH"}
    answer = subprocess.run(
        [python, "-m", "fleetbelt", "demo", "--out", "demo"],
        cwd=tmp_path,
        env=environment,
        capture_output=True,
        text=True,
        check=False,
    )

    assert answer.returncode == 0, answer.stderr
    assert (tmp_path / answer.stdout.strip()).read_text().startswith("<!doctype html>")


def test_it_is_the_wheel_that_ran(python: Path, tmp_path: Path):
    code = "import fleetbelt; print(fleetbelt.__file__)"
    answer = subprocess.run(
        [python, "-c", code], cwd=tmp_path, capture_output=True, text=True, check=True
    )

    assert Path(answer.stdout.strip()).is_relative_to(python.parents[1])
