"""Output folders appear whole or not at all."""

from pathlib import Path

import pytest

from fleetbelt.errors import InputError
from fleetbelt.store.folders import whole_folder


def test_a_folder_appears_with_all_its_files(tmp_path: Path):
    with whole_folder(tmp_path / "pages") as new:
        (new / "a.html").write_text("a")

        assert not (tmp_path / "pages").exists()

    assert (tmp_path / "pages" / "a.html").read_text() == "a"


def test_a_failure_leaves_the_last_good_folder(tmp_path: Path):
    with whole_folder(tmp_path / "pages") as new:
        (new / "a.html").write_text("good")

    with pytest.raises(RuntimeError), whole_folder(tmp_path / "pages") as new:
        (new / "a.html").write_text("half")
        raise RuntimeError

    assert (tmp_path / "pages" / "a.html").read_text() == "good"
    assert [path.name for path in tmp_path.iterdir()] == ["pages"]


def test_a_new_folder_replaces_the_old_one_whole(tmp_path: Path):
    for name in ("old.html", "new.html"):
        with whole_folder(tmp_path / "pages") as new:
            (new / name).touch()

    assert [path.name for path in (tmp_path / "pages").glob("*.html")] == ["new.html"]


def test_a_folder_of_somebody_else_is_left_alone(tmp_path: Path):
    (tmp_path / "pages").mkdir()
    (tmp_path / "pages" / "thesis.txt").write_text("mine")

    with (
        pytest.raises(InputError, match="not fleetbelt's"),
        whole_folder(tmp_path / "pages"),
    ):
        pass

    assert (tmp_path / "pages" / "thesis.txt").read_text() == "mine"
