"""Copies of records go with their run, or at the start of the next one."""

import os
import tempfile

import pytest

from fleetbelt.store.workplace import workplace


@pytest.fixture
def temp(tmp_path, monkeypatch):
    """A folder for what is temporary."""
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path))
    return tmp_path


def test_a_workplace_is_its_owner_s_and_goes_at_the_end(temp):
    with workplace() as place:
        assert place.parent == temp
        if os.name == "posix":
            assert place.stat().st_mode & 0o777 == 0o700

    assert list(temp.iterdir()) == []


@pytest.mark.skipif(os.name != "posix", reason="locks that go with their process")
def test_what_a_killed_run_left_goes_and_nothing_else(temp):
    for name in ("fleetbelt-killed", "fleetbelt-new", "others"):
        (temp / name).mkdir()
        (temp / name / "0").write_text("V1,M1")
    for name in ("fleetbelt-killed", "others"):
        (temp / name / "held").touch()
    (temp / "fleetbelt-link").symlink_to(temp / "others")

    with workplace() as first, workplace() as second:
        assert {path.name for path in temp.iterdir()} == {
            *("fleetbelt-new", "fleetbelt-link", "others"),
            *(first.name, second.name),
        }
        assert (temp / "others" / "0").exists()
