"""The printed sheet: one page a vehicle, in A4 and Letter, safe and complete."""

import os
import re
import subprocess
from typing import Any

import pytest

from fleetbelt.bench.question import Question, answer
from fleetbelt.bench.records import Records
from fleetbelt.bench.sheet import sheet_html, write_sheet
from fleetbelt.bench.week import answers
from tests.bench_sheet.conftest import HOSTILE
from tests.render.conftest import FLAGS, _chromium


def sheets(records: Records, *questions: dict[str, Any]) -> str:
    asked = [Question(**question) for question in questions]
    return sheet_html(records, answers(records, asked))


PLAIN: dict[str, Any] = {"gauge_id": "A", "vehicle_id": "V1", "span": "300mm"}
WILD = {"gauge_id": HOSTILE, "vehicle_id": f"V9{HOSTILE}", "span": "195mm"}
MANY = (
    PLAIN,
    {**PLAIN, "readings": (120, 90, 130)},
    {**PLAIN, "span": "6in"},
    {**PLAIN, "gauge_id": "hertz"},
    {**PLAIN, "vehicle_id": "V3"},
    WILD,
    {**WILD, "readings": tuple(range(300, 340)), "span": "90mm"},
)


@pytest.fixture(scope="module")
def plain(records):
    return sheets(records, PLAIN)


@pytest.fixture(scope="module")
def targets(records):
    return answer(records, Question(**PLAIN)).targets


def test_the_sheet_says_first_what_the_gauge_must_show(plain, targets):
    text = re.sub(r"\s+", " ", re.sub(r"<style>.*?</style>|<[^>]+>", " ", plain))

    assert "Gauge A on span 1, crankshaft-alternator, 300 mm (11.8 in), must show" in (
        text
    )
    new, used = re.findall(r"BELT, [A-Z -]+ ([\d.]+) lbf between ([\d.]+)", text)
    assert float(new[0]) == pytest.approx(targets["new"].target, abs=0.25)
    assert float(used[0]) == pytest.approx(targets["used"].target, abs=0.25)


@pytest.mark.parametrize(
    "words",
    [
        "Engine off, key out",
        "where the maker's procedure calls for it",
        "vehicle on rated stands",
        "30 minutes after stopping",
        "hot parts cool",
        "store energy",
        "two revolutions",
        "Read three times: the mean counts",
        "run the engine 5 minutes",
        "lock and pivot bolts",
        "not a repair instruction",
        "local codes and licensed practice come first",
        "fleet handbook p. 41",
    ],
)
def test_the_steps_and_the_cautions_stand_on_it(plain, words):
    assert words in plain.replace("&#39;", "'")


@pytest.mark.parametrize(
    "blank", ["date", "odometer", "technician", "found 1 2 3", "left, mean"]
)
def test_there_are_blanks_to_fill_in(plain, blank):
    assert f"<th>{blank}</th>" in plain


def test_text_from_the_records_stays_text(records):
    html = sheets(records, *MANY)

    assert "<script" not in html
    assert "&lt;script&gt;" in html
    assert "default-src 'none'" in html


def test_a_vehicle_without_a_number_has_a_page_that_says_why(records):
    html = sheets(records, PLAIN, {**PLAIN, "span": "6in"})

    assert html.count('<article class="sheet">') == 2
    assert "NO NUMBER" in html
    assert "known loads from 95 to 180 lbf" in html


def test_a_drive_without_a_range_shows_no_number(records):
    assert (
        sheets(records, {**PLAIN, "vehicle_id": "V3"}).count(
            "no range published: no number"
        )
        == 2
    )


def test_no_slip_margin_is_made_up(plain):
    assert "How near an accessory comes is not said" in plain
    assert "slips from, used range" in plain


def test_a_sheet_replaces_the_older_one_whole(tmp_path):
    path = write_sheet(tmp_path / "sheet.html", "old")

    write_sheet(path, "new é")

    assert path.read_text("utf-8") == "new é"
    assert list(tmp_path.iterdir()) == [path]


@pytest.mark.browser
@pytest.mark.parametrize("paper", ["A4", "Letter"])
def test_every_vehicle_fits_one_page(records, tmp_path, paper):
    chromium = _chromium() or ""
    if not chromium:
        sentence = "No Chromium is installed, so no sheet was printed."
        pytest.fail(sentence) if os.environ.get("CI") else pytest.skip(sentence)
    html = sheets(records, *MANY).replace("@page {", f"@page {{ size: {paper};", 1)
    page, pdf = tmp_path / "sheet.html", tmp_path / "sheet.pdf"
    page.write_text(html, encoding="utf-8")

    subprocess.run(
        [chromium, *FLAGS, "--headless", f"--user-data-dir={tmp_path / 'profile'}",
         "--no-pdf-header-footer", f"--print-to-pdf={pdf}", page.as_uri()],
        check=True, capture_output=True, timeout=120,
    )  # fmt: skip

    printed = pdf.read_bytes()
    boxes = re.findall(rb"/MediaBox ?\[0 0 ([\d.]+) ([\d.]+)\]", printed)
    width_pt = {"A4": 595, "Letter": 612}[paper]
    assert len(re.findall(rb"/Type ?/Page\b", printed)) == len(MANY)
    assert {round(float(width)) for width, _ in boxes} == {width_pt}
