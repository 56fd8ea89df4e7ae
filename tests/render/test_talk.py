"""The sheet for a talk: one person's numbers, an average, nobody else's name."""

from pathlib import Path

import pytest

from fleetbelt.render.frames import Frames
from fleetbelt.render.talk import file_names, links, write_sheets
from tests.render import factory


@pytest.fixture(scope="module")
def frames() -> Frames:
    return Frames(factory.results())


def test_a_sheet_names_its_technician_and_nobody_else(frames: Frames, tmp_path: Path):
    ids = list(links(frames))
    written = write_sheets(frames, tmp_path)

    assert [path.stem for path in written] == ids
    for who, path in zip(ids, written, strict=True):
        text = path.read_text(encoding="utf-8")
        assert who in text
        assert not [other for other in ids if other != who and other in text]
        assert "not for a ranking" in text
        assert "Average" in text


def test_where_few_work_no_average_gives_the_others_away(tmp_path: Path):
    results = factory.results()
    few = results["results.technician_results"].head(3)
    frames = Frames({**results, "results.technician_results": few})

    (first, *_) = write_sheets(frames, tmp_path)

    assert "no average: too few" in first.read_text(encoding="utf-8")


def test_file_names_are_plain_and_none_comes_twice():
    names = file_names(["T-01", "Ann B.", "Ann/B_", "../x"])

    assert names["T-01"] == "T-01.html"
    assert len(set(names.values())) == 4
    assert all("/" not in name and ".." not in name for name in names.values())


def test_ids_are_escaped(tmp_path: Path):
    results = factory.results()
    people = results["results.technician_results"]
    marked = people.with_columns(technician_id=people["technician_id"] + "<b>")
    frames = Frames({**results, "results.technician_results": marked})

    (first, *_) = write_sheets(frames, tmp_path)

    assert "<b>" not in first.read_text(encoding="utf-8")


def test_without_technicians_there_are_no_sheets(tmp_path: Path):
    assert write_sheets(Frames({}), tmp_path) == []
    assert links(Frames({})) == {}
