"""Pages: what they say, what they hold, what they refuse to run."""

import base64
import hashlib
import json
import re
from datetime import date, timedelta

import polars as pl
import pytest

from fleetbelt.models.proportions import wilson
from fleetbelt.render import NEEDED, document, records, render_pages
from fleetbelt.render.frames import Frames
from fleetbelt.render.island import json_island, table_data
from fleetbelt.render.section import (
    Column,
    Quantity,
    Table,
    digits_for,
    interval_columns,
    plain_text,
    said,
    sentence,
)
from tests.render import factory

PAGES = [f"{name}.html" for name in document.NAMES]
DATA = re.compile(r'type="application/json" id="data">(.*?)</script>', re.DOTALL)
POLICY = re.compile(r'Content-Security-Policy" content="([^"]+)"')


def _found(pattern, text) -> str:
    match = pattern.search(text)
    assert match is not None
    return str(match.group(1))


def _read(folder, name):
    return (folder / name).read_text(encoding="utf-8")


def test_every_page_is_written_and_nothing_else(pages):
    assert sorted(path.name for path in pages.iterdir()) == sorted([*PAGES, "talk"])


def test_the_same_frames_give_the_same_bytes(results, pages, tmp_path):
    shuffled = {name: results[name] for name in sorted(results, key=lambda n: n[::-1])}

    render_pages(shuffled, tmp_path)

    for name in PAGES:
        assert (tmp_path / name).read_bytes() == (pages / name).read_bytes()


def test_the_share_left_under_stands_with_its_counts_and_interval(results, pages):
    table = results["results.install_conformity"].filter(pl.col("by") == "all")
    k, n = table["under"].sum(), table["n"].sum()
    lo, hi = wilson(k, n)

    words = re.sub(r"<[^>]+>|\s+", " ", _read(pages, "fleet.html"))

    assert f"{k} of {n} installs ( {k / n:.0%}".replace("%", "\xa0%")[:-3] in words
    assert f"{lo:.0%}"[:-1] in words
    assert f"{hi:.0%}"[:-1] in words


def test_the_analyst_reads_how_many_belts_are_due_within_ninety_days(results, pages):
    belts = results["results.drift_by_belt"]
    facts = dict(results["results.run_info"].select("key", "value").rows())
    last = date.fromisoformat(facts["as_of"]) + timedelta(days=90)
    due = belts.filter(pl.col("retension_due_date") <= last).height

    words = " ".join(re.sub(r"<[^>]*>", "", _read(pages, "index.html")).split())
    assert due > 0
    assert f"{due} of {belts.height} running belts are due for retension" in words


def test_what_changed_since_the_last_run_stands_on_three_pages(results, pages):
    changes = results["results.watchlist_changes"]["change"]
    new, gone = (changes.eq(side).sum() for side in ("new", "gone"))

    said = f"as of 2026-05-31: {new} belts are new on the watchlist and {gone} are gone"
    for name in ("index.html", "fleet.html"):
        assert said in re.sub(r"</?span[^>]*>", "", _read(pages, name))
    data = json.loads(_found(DATA, _read(pages, "records.html")))
    since = data["sections"]["files"]["columns"][-1]
    assert (since["label"], "hidden" in since) == ("Since the last run", False)
    assert since["values"] == ["new"]


def test_a_first_run_says_that_there_is_nothing_to_compare_with(results, tmp_path):
    facts = results["results.run_info"].filter(pl.col("key") != "compared_with_as_of")

    render_pages(results | {"results.run_info": facts}, tmp_path)

    for name in ("index.html", "fleet.html"):
        assert "This is the first run on this database." in _read(tmp_path, name)


def test_every_table_and_figure_names_only_columns_that_are_there(pages):
    for name in PAGES:
        data = json.loads(_found(DATA, _read(pages, name)))
        parts = [*data["sections"].values(), *filter(None, [data.get("stories")])]
        for part in parts:
            columns = {column["name"] for column in part.get("columns", [])}
            text = json.dumps(part.get("figure", {}))
            used = {
                field
                for reference in re.findall(r'"\$([\w-]+)"', text)
                for field in reference.split("-")
            }
            assert used <= columns


def test_a_page_admits_only_its_own_scripts_and_style(pages):
    for name in PAGES:
        html = _read(pages, name)
        policy = _found(POLICY, html)
        scripts = re.findall(r"<script>(.*?)</script>", html, re.DOTALL)
        assert scripts
        for script in scripts:
            digest = hashlib.sha256(script.encode()).digest()
            assert base64.b64encode(digest).decode() in policy.replace("&#39;", "'")
        assert "default-src &#39;none&#39;" in policy
        assert "unsafe" not in policy


def test_no_page_names_anything_to_fetch(pages):
    for name in PAGES:
        html = re.sub(r"<script>.*?</script>", "", _read(pages, name), flags=re.DOTALL)
        assert not re.search(r"(src|href)=\"?(https?:)?//|@import|url\(", html)


@pytest.mark.parametrize("name", PAGES)
def test_hostile_text_leaves_no_markup_behind(hostile_pages, name):
    html = _read(hostile_pages, name)

    assert "<script>window.ran" not in html
    assert "<img src=x" not in html
    assert "<svg onload" not in html
    assert "<b>bold" not in html
    assert not re.search(r"[\u2028\u2029]", _found(DATA, html))


def test_json_in_a_page_cannot_end_its_element():
    text = json_island({"a": "</script><!--&\u2028"})

    assert "<" not in text
    assert json.loads(text) == {"a": "</script><!--&\u2028"}


def test_a_number_that_is_too_large_for_a_whole_one_is_kept():
    frame = pl.DataFrame({"x": [6e210, 1.0]})

    found = table_data(Table(frame=frame, columns=(Column(name="x", kind="count"),)))

    assert found["columns"][0]["values"] == [6e210, 1.0]


def test_files_of_one_name_are_told_apart_by_their_hash(results):
    files = results["results.load_files"]
    older = files.filter(file="services.csv").with_columns(sha256=pl.lit("ab" * 32))
    frames = Frames({**results, "results.load_files": pl.concat([files, older])})

    sections = {section.key: section for section in records.page(frames).sections}

    def names(key: str) -> set[str]:
        table = sections[key].table
        assert table is not None
        return set(table.listed["file"])

    newer = "services.csv (00000000…)"
    assert {newer, "services.csv (abababab…)", "specs.csv"} < names("files")
    assert names("refused") == names("refused-rows") == names("replaced") == {newer}


def test_json_refuses_numbers_that_are_none():
    with pytest.raises(ValueError, match="not JSON compliant"):
        json_island(float("nan"))


@pytest.mark.parametrize("gone", NEEDED)
def test_pages_are_whole_without_any_one_table(results, gone, tmp_path):
    rest = {name: frame for name, frame in results.items() if name != gone}

    paths = render_pages(rest, tmp_path)

    assert [path.name for path in paths] == PAGES


def test_without_results_every_section_says_what_is_missing(tmp_path):
    render_pages({}, tmp_path)

    html = _read(tmp_path, "fleet.html")
    assert html.count('class="missing"') >= 3
    assert "No install has both a tension and a published range." in html


def test_without_calibrations_the_fleet_page_says_so(results, tmp_path):
    rest = {name: f for name, f in results.items() if name != "results.gauge_curves"}

    render_pages(rest, tmp_path)

    assert "No gauge was calibrated" in _read(tmp_path, "fleet.html")


def test_empty_tables_are_as_good_as_none(results, tmp_path):
    render_pages({name: frame.clear() for name, frame in results.items()}, tmp_path)

    assert 'class="missing"' in _read(tmp_path, "fleet.html")


def test_a_fleet_of_one_vehicle_draws_no_share(tmp_path):
    render_pages(factory.results(1), tmp_path)

    assert "so no share is drawn" in _read(tmp_path, "fleet.html")


def test_packed_pages_are_half_the_size_and_hold_the_same_data(
    results, pages, tmp_path
):
    render_pages(results, tmp_path, pack=True)

    whole, packed = (folder / "fleet.html" for folder in (pages, tmp_path))
    assert packed.stat().st_size < 0.6 * whole.stat().st_size


def test_a_page_that_would_be_too_large_is_packed(results, tmp_path, monkeypatch):
    monkeypatch.setattr(document, "MOST_BYTES", 1_600_000)

    render_pages(results, tmp_path)

    assert 'type="text/plain" id="packed"' in _read(tmp_path, "fleet.html")
    assert 'type="application/json" id="data"' in _read(tmp_path, "index.html")


def test_a_sentence_keeps_text_from_files_as_text():
    words = sentence(
        "{name} has {t}", name="{t}<b>", t=Quantity(value=5, kind="tension")
    )

    assert plain_text(words) == "{t}<b> has 5\xa0N"


@pytest.mark.parametrize(
    ("lo", "hi", "digits"), [(20, 30, 0), (1.0, 1.4, 1), (0.50, 0.54, 2), (3, 3, 0)]
)
def test_decimals_are_what_the_interval_supports(lo, hi, digits):
    assert digits_for(lo, hi) == digits


@pytest.mark.parametrize(
    ("kind", "lo", "hi", "text"),
    [
        ("distance", 54_321, 67_890, "61,000\xa0mi"),
        ("distance", 60_900, 61_700, "61,300\xa0mi"),
        ("tension", 61_000, 61_500, "61,256\xa0N"),
    ],
)
def test_only_distances_are_rounded_to_hundreds_and_thousands(kind, lo, hi, text):
    value, _ = said(61_256, lo, hi, kind=kind)

    assert value.text == text


def test_a_table_shows_the_decimals_that_its_intervals_support():
    frame = pl.DataFrame({"v": [2.0, 3.0], "lo": [1.9, 2.5], "hi": [2.1, 3.5]})
    columns = interval_columns("v", "lo", "hi", label="Rate", kind="number", digits=3)

    found = table_data(Table(frame=frame, columns=columns))["columns"]

    assert [column["digits"] for column in found] == [1, 1, 1]


@pytest.mark.parametrize("tables", ["results", "none"])
def test_every_link_leads_to_a_place_that_is_there(results, tmp_path, tables):
    render_pages(results if tables == "results" else {}, tmp_path)

    html = {path.name: path.read_text("utf-8") for path in tmp_path.glob("*.html")}
    places = {
        name: set(re.findall(r' id="([^"]+)"', text)) for name, text in html.items()
    }
    for name, text in html.items():
        for href in re.findall(r'<a [^>]*href="(?!\.\./tables/)([^"]+)"', text):
            page, _, place = href.partition("#")
            assert not place or place in places[page or name], f"{name}: {href}"
            assert not page or (tmp_path / page).is_file(), f"{name}: {href}"
