"""Output folders appear whole or not at all."""

import os
from pathlib import Path

import pytest

from fleetbelt.errors import InputError
from fleetbelt.store.folders import MARK, whole_folder


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


@pytest.mark.skipif(os.name != "posix", reason="modes of files are POSIX")
@pytest.mark.parametrize("mode", [0o755, 0o750, 0o700])
def test_who_may_read_the_place_may_read_the_new_folder(tmp_path: Path, mode: int):
    place = tmp_path / "out"
    place.mkdir()
    place.chmod(mode)
    before = os.umask(0o077)

    try:
        with whole_folder(place / "pages") as new:
            (new / "a.html").touch()
    finally:
        os.umask(before)

    assert (place / "pages").stat().st_mode & 0o777 == mode
    assert (place / "pages" / "a.html").stat().st_mode & 0o777 == mode & 0o644


def test_what_a_killed_run_had_begun_goes_and_nothing_else(tmp_path: Path):
    for name in (".pages-killed", ".tables-killed", ".pages-mine"):
        (tmp_path / name).mkdir()
    for name in (".pages-killed", ".tables-killed"):
        (tmp_path / name / MARK).touch()

    with whole_folder(tmp_path / "pages"):
        pass

    assert sorted(path.name for path in tmp_path.iterdir()) == [
        ".pages-mine",
        ".tables-killed",
        "pages",
    ]
