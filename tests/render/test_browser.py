"""Pages as a reader meets them: in a browser, without a network."""

import csv
import io
import re
from pathlib import Path

import numpy as np
import polars as pl
import pytest

from fleetbelt.models.proportions import wilson
from fleetbelt.render import document, render_pages
from tests.render import factory
from tests.render.reading import Reader

pytestmark = pytest.mark.browser
NAMES = list(document.NAMES)
AXE = Path(__file__).parents[1] / "vendor" / "axe.min.js"
RULES = ["wcag2a", "wcag2aa", "wcag21aa", "wcag22aa", "best-practice"]


@pytest.fixture
def open_page(browser):
    """Open a page; afterwards nothing may have been said or asked for."""
    contexts, readers = [], []

    def open_one(folder, name="fleet", fragment="", **options):
        options = {"viewport": {"width": 1400, "height": 900}} | options
        contexts.append(browser.new_context(**options))
        readers.append(Reader(contexts[-1]))
        return readers[-1].open(folder, name, fragment)

    yield open_one
    for reader in readers:
        assert reader.heard == []
        # Pictures and files that a page makes out of its own data come from nowhere.
        outside = [u for u in reader.asked if not u.startswith(("data:", "blob:"))]
        assert outside == []
    for context in contexts:
        context.close()


def _open_everything(page):
    for closed in page.locator("details").all():
        closed.evaluate("(details) => { details.open = true; }")
    if page.locator(".open").count():
        page.locator(".open").first.click()


def _column(page, table, name):
    place = page.locator(f"[data-table={table}] thead th").evaluate_all(
        "(cells, name) => cells.findIndex((cell) => cell.dataset.column === name)", name
    )
    return page.locator(
        f"[data-table={table}] tbody tr td:nth-child({place + 1})"
    ).all_inner_texts()


@pytest.mark.parametrize("name", NAMES)
@pytest.mark.parametrize("width", [390, 1400])
def test_a_page_opens_in_silence_and_fits_its_screen(open_page, pages, name, width):
    page = open_page(pages, name, viewport={"width": width, "height": 900})

    assert page.evaluate("document.documentElement.scrollWidth") <= width


@pytest.mark.parametrize("name", NAMES)
@pytest.mark.parametrize(("scheme", "width"), [("light", 1400), ("dark", 390)])
def test_axe_finds_nothing(browser, pages, name, scheme, width):
    context = browser.new_context(
        bypass_csp=True, color_scheme=scheme, viewport={"width": width, "height": 900}
    )
    page = Reader(context).open(pages, name)
    _open_everything(page)
    page.evaluate(AXE.read_text(encoding="utf-8"))

    found = page.evaluate(f"axe.run({{runOnly: {RULES}, resultTypes: ['violations']}})")

    context.close()
    assert [(v["id"], v["nodes"][0]["html"][:200]) for v in found["violations"]] == []


def test_a_vehicle_found_by_its_number_opens_its_own_record(open_page, pages, results):
    row = results["results.vehicle_results"].sort("noise_lo").row(0, named=True)
    page = open_page(pages)

    page.locator("[data-table=vehicles] input[type=search]").fill(row["vehicle_id"])
    page.locator("[data-table=vehicles] .open").click()

    record = page.locator("[data-table=vehicles] .evidence")
    words = record.inner_text().replace("\xa0", " ")
    assert f"Vehicle {row['vehicle_id']}" in words
    assert f"{row['complaints']} complaint" in words
    assert "let expect 3.0" in words
    assert "0.60 % per 1,000 mi" in words
    belts = record.locator("tbody tr td:first-child").all_inner_texts()
    assert sorted(belts) == [f"{row['vehicle_id']}/D1/{k}" for k in (1, 2, 3)]
    assert f"vehicle={row['vehicle_id']}" in page.url


def test_a_heading_sorts_the_watchlist_up_and_down(open_page, pages):
    page = open_page(pages)
    button = page.locator("[data-table=watchlist] th[data-column=tension_n] button")

    button.click()
    up = [float(t.split("\xa0")[0]) for t in _column(page, "watchlist", "tension_n")]
    button.click()
    down = [float(t.split("\xa0")[0]) for t in _column(page, "watchlist", "tension_n")]

    assert up == sorted(up)
    assert down == sorted(down, reverse=True)
    assert up[0] < down[0]
    sort = page.locator("th[data-column=tension_n]").get_attribute("aria-sort")
    assert sort == "descending"


def test_search_and_a_reason_narrow_the_watchlist(open_page, pages, results):
    page = open_page(pages)
    wanted = results["results.watchlist"].row(3, named=True)

    page.get_by_label("Find").first.fill(wanted["vehicle_id"].lower())
    found = _column(page, "watchlist", "vehicle_id")
    page.get_by_label("Find").first.fill("")
    page.get_by_label("Reason").select_option(wanted["reason"])
    reasons = {r.removesuffix(", new") for r in _column(page, "watchlist", "reason")}

    assert found == [wanted["vehicle_id"]]
    assert len(reasons) == 1


def test_a_row_opens_its_evidence_by_keyboard(open_page, pages, results):
    page = open_page(pages)
    first = results["results.watchlist"].sort("rank").row(0, named=True)
    visits = results["pages.belt_story"].filter(pl.col("belt_id") == first["belt_id"])

    page.locator(".open").first.focus()
    page.keyboard.press("Enter")
    page.wait_for_selector(".story .main-svg", state="attached")

    story = page.locator(".story")
    assert first["detail"] in story.inner_text()
    assert "What to do" in story.inner_text()
    assert "line" in story.inner_text()
    assert story.locator("tbody tr").count() == visits.height
    assert page.evaluate("document.activeElement.className") == "open"
    assert page.locator(".open").first.get_attribute("aria-expanded") == "true"


@pytest.mark.parametrize("name", sorted(set(NAMES) - {"method"}))
def test_in_pounds_and_kilometres_no_newton_and_no_mile_is_left(open_page, pages, name):
    page = open_page(pages, name, "#tension=lbf&distance=km")
    _open_everything(page)

    words = page.evaluate("""() => [document.querySelector("main").innerText,
        ...[...document.querySelectorAll("svg text")].map((t) => t.textContent)]""")

    text = "\n".join(words)
    left = re.findall(
        r".*(?:\d[ \u00a0](?:N|mi)\b|\((?:N|mi)\)|000[ \u00a0]mi\b).*", text
    )
    assert left == []


@pytest.mark.parametrize("group", ["depot", "model", "duty"])
@pytest.mark.parametrize("name", ["fleet", "workshop", "plan"])
def test_a_filter_reaches_every_table_or_the_table_says_that_it_does_not(
    open_page, pages, name, group
):
    page = open_page(pages, name)
    choice = page.locator(f"[data-filters] select[name={group}]")
    value = choice.locator("option").nth(1).get_attribute("value")

    def listed():
        return {
            table.get_attribute("data-table"): table.inner_text()
            for table in page.locator("[data-table]:visible").all()
        }

    _open_everything(page)
    before = listed()
    choice.select_option(value)
    after = listed()

    assert f"{group} {value}" in page.locator("[data-filter-words]").inner_text()
    for key, text in after.items():
        said = page.locator(f"[data-live='{key}']").inner_text()
        assert text != before[key] or "the filter does not change it" in said, key


def test_a_link_to_a_section_lands_there_once_all_is_drawn(open_page, pages):
    page = open_page(pages, "fleet", "#by-model")

    top = page.locator("#by-model").evaluate("(s) => s.getBoundingClientRect().top")
    assert -5 < top < 300


def test_a_shared_sort_opens_the_table_it_sorts(open_page, pages):
    page = open_page(pages, "fleet", "#by-model.sort=n+up")

    assert page.locator("#by-model details").get_attribute("open") is not None
    counts = _column(page, "by-model", "n")
    assert counts == sorted(counts, key=int)


def test_every_control_is_reached_by_keyboard_and_shows_its_focus(open_page, pages):
    page = open_page(pages, "fleet", viewport={"width": 1400, "height": 2000})
    wanted = page.locator("a, button, select, input, summary").locator("visible=true")
    count, seen = wanted.count(), set()

    for _ in range(count + 40):
        page.keyboard.press("Tab")
        seen.add(
            page.evaluate("""() => {
            const all = [...document.querySelectorAll("body *")];
            const at = document.activeElement;
            return [all.indexOf(at), getComputedStyle(at).outlineStyle].join(" ");
        }""")
        )

    focused = {place.split()[0] for place in seen if not place.startswith("-1")}
    assert len(focused) >= count
    assert not [place for place in seen - {"-1 none"} if place.endswith("none")]


def test_of_a_hundred_thousand_rows_the_page_holds_the_first_and_says_so(
    open_page, results, tmp_path
):
    listed = results["results.watchlist"]
    copies = -(-100_000 // listed.height)
    many = pl.concat([listed] * copies).head(100_000)
    rank = pl.int_range(1, many.height + 1)
    many = many.with_columns(rank=rank, belt_id=pl.format("{}-{}", "belt_id", rank))
    render_pages(results | {"results.watchlist": many}, tmp_path)

    page = open_page(tmp_path)
    page.locator("[data-table=watchlist] input[type=search]").fill("V-0")

    words = page.locator("#watchlist").inner_text()
    assert "The first 2,000 of 100,000 rows are in this page" in words
    assert "tables/watchlist.csv has all" in words
    assert page.locator("[data-table=watchlist] tbody tr").count() == 25
    assert (tmp_path / "fleet.html").stat().st_size < 3_000_000


def test_a_link_brings_the_same_view_again(open_page, pages, results):
    page = open_page(pages)
    depot = results["results.watchlist"]["depot"][0]
    page.locator("[data-filters] select[name=depot]").select_option(depot)
    page.locator("[data-tools] select[name=tension]").select_option("lbf")
    page.locator(".open").first.click()
    fragment = page.evaluate("location.hash")
    rows = _column(page, "watchlist", "vehicle_id")

    again = open_page(pages, "fleet", fragment)

    assert _column(again, "watchlist", "vehicle_id") == rows
    assert again.locator("[data-filters] select[name=depot]").input_value() == depot
    assert again.locator(".story").count() == 1
    assert "(lbf)" in again.locator("[data-table=watchlist] thead").first.inner_text()


def test_print_says_which_filter_was_chosen(open_page, pages, results):
    page = open_page(pages)
    page.emulate_media(media="print")
    assert not page.locator("[data-filters]").is_visible()

    depot = results["results.watchlist"]["depot"][0]
    page.locator("[data-filters] select[name=depot]").evaluate(
        "(list, depot) => { list.value = depot;"
        " list.dispatchEvent(new Event('change', { bubbles: true })); }",
        depot,
    )

    assert page.locator("[data-filters]").inner_text() == f"Only depot {depot}"


def test_units_change_every_number_and_axis(open_page, pages):
    page = open_page(pages, "fleet")
    page.locator(".open").first.click()
    page.wait_for_selector(".story .main-svg", state="attached")
    newtons = float(_column(page, "watchlist", "tension_n")[0].split("\xa0")[0])

    page.locator("[data-tools] select[name=tension]").select_option("lbf")
    page.locator("[data-tools] select[name=distance]").select_option("km")

    pounds = float(_column(page, "watchlist", "tension_n")[0].split("\xa0")[0])
    assert pounds == pytest.approx(newtons / 4.4482216152605, abs=0.5 / 4.448 + 0.05)
    titles = page.locator(".story .g-xtitle, .story .g-ytitle").all_text_contents()
    assert titles == ["Distance since fitting (km)", "Tension (lbf)"]
    assert "since fitting (km)" in page.locator(".story thead").inner_text()


def test_a_filter_adds_up_the_counts_and_applies_wilson(open_page, pages, results):
    page = open_page(pages)
    installs = results["marts.install_tension"]
    rng = np.random.default_rng(3)
    for _ in range(4):
        depot = str(rng.choice(installs["depot"].unique().sort().to_numpy()))
        duty = str(rng.choice(installs["duty"].unique().sort().to_numpy()))
        kept = installs.filter(pl.col("depot") == depot, pl.col("duty") == duty)
        k, n = kept["band"].is_in(["loose", "under"]).sum(), kept.height

        page.locator("[data-filters] select[name=depot]").select_option(depot)
        page.locator("[data-filters] select[name=duty]").select_option(duty)

        words = page.locator("[data-live=by-month]").inner_text().replace("\xa0", " ")
        if n < 10:
            assert f"With this filter: {n} installs, too few" in words
        else:
            lo, hi = (round(100 * float(limit)) for limit in wilson(k, n))
            assert f"{k} of {n} installs" in words
            assert f"95 % interval {lo} to {hi} %" in words


def test_without_a_filter_the_page_counts_as_python_did(open_page, pages, results):
    page = open_page(pages)
    python = page.locator("#by-model tbody").text_content()
    depots = results["marts.install_tension"]["depot"].unique().to_list()
    total = 0
    for depot in depots:
        page.locator("[data-filters] select[name=depot]").select_option(depot)
        cells = page.locator("#by-model tbody tr td:nth-child(3)").all_text_contents()
        total += sum(int(cell) for cell in cells)

    page.get_by_role("button", name="Clear the filter").click()

    assert total == results["marts.install_tension"].height
    assert page.locator("#by-model tbody").text_content() == python


def test_the_csv_holds_the_rows_shown_and_no_formula(open_page, hostile_pages):
    page = open_page(hostile_pages)

    with page.expect_download() as download:
        page.locator("[data-table=watchlist] .save").first.click()

    text = Path(download.value.path()).read_text(encoding="utf-8-sig")
    rows = list(csv.reader(io.StringIO(text)))
    shown = page.locator("[data-table=watchlist] [role=status]").inner_text()
    assert len(rows) - 1 == int(shown.split(" of ")[1].split()[0])
    assert any(cell.startswith("'=HYPERLINK") for row in rows for cell in row)
    assert not any(cell[:1] in "=+@" for row in rows[1:] for cell in row if cell)


@pytest.mark.parametrize("name", NAMES)
def test_hostile_text_is_shown_and_does_nothing(open_page, hostile_pages, name):
    page = open_page(hostile_pages, name, viewport={"width": 390, "height": 900})
    _open_everything(page)

    assert page.evaluate("window.ran") is None
    assert page.locator("img, svg image").count() == 0
    assert page.locator("main b, main a[href^='javascript']").count() == 0
    assert page.evaluate("document.documentElement.scrollWidth") <= 390
    assert page.locator("svg a").count() == 0


@pytest.mark.parametrize(
    ("name", "width"), [("fleet", 1400), *((name, 390) for name in NAMES)]
)
def test_print_has_no_cut_figure(open_page, pages, tmp_path, name, width):
    page = open_page(
        pages, name, viewport={"width": width, "height": 900}, color_scheme="dark"
    )
    if page.locator(".open").count():
        page.locator(".open").first.click()
        page.wait_for_selector(".story .main-svg", state="attached")

    page.pdf(path=str(tmp_path / "page.pdf"), format="A4", tagged=True)
    page.emulate_media(media="print")
    page.set_viewport_size({"width": 688, "height": 1000})
    page.evaluate("dispatchEvent(new Event('beforeprint'))")

    cut = page.evaluate("""() => [...document.querySelectorAll('.plot')]
        .filter((plot) => plot.querySelector('.main-svg'))
        .filter((plot) => {
            const [box, svg] = [plot, plot.querySelector('.main-svg')]
                .map((element) => element.getBoundingClientRect());
            return svg.right > 688.5 || svg.bottom > box.bottom + 1;
        }).length""")
    assert cut == 0
    assert page.evaluate("document.documentElement.scrollWidth") <= 688
    assert page.evaluate("getComputedStyle(document.body).backgroundColor") == (
        "rgb(255, 255, 255)"
    )


@pytest.fixture(scope="module")
def packed_pages(results, tmp_path_factory) -> Path:
    out: Path = tmp_path_factory.mktemp("packed")
    render_pages(results, out, pack=True)
    return out


@pytest.mark.parametrize("name", NAMES)
def test_a_packed_page_opens_in_silence_and_shows_the_same(
    open_page, pages, packed_pages, name
):
    page, packed = (open_page(folder, name) for folder in (pages, packed_pages))

    seen, seen_packed = (
        [opened.inner_text("main"), opened.locator(".main-svg").count()]
        for opened in (page, packed)
    )

    assert seen_packed == seen


def test_a_packed_page_says_when_a_browser_cannot_unpack_it(browser, packed_pages):
    context = browser.new_context()
    context.add_init_script("delete window.DecompressionStream")
    page = context.new_page()

    page.goto((packed_pages / "fleet.html").as_uri())

    words = page.locator("main > p.missing").inner_text()
    context.close()
    assert "cannot unpack" in words


def test_the_reader_may_choose_dark_on_a_light_device(open_page, pages):
    page = open_page(pages, color_scheme="light")
    before = page.evaluate("getComputedStyle(document.body).backgroundColor")

    page.locator("[data-tools] select[name=theme]").select_option("dark")

    after = page.evaluate("getComputedStyle(document.body).backgroundColor")
    assert (before, after) == ("rgb(251, 250, 247)", "rgb(20, 24, 29)")
    page.get_by_role("link", name="Records", exact=True).click()
    page.wait_for_url("**/records.html*")
    again = page.evaluate("getComputedStyle(document.body).backgroundColor")
    assert again == after


def test_a_filter_counts_the_weeks_again_and_leaves_one_models_curve(
    open_page, pages, results
):
    page = open_page(pages, "plan")
    fits = results["results.work_plan"].drop_nulls("week")
    depot = fits["depot"].mode().sort()[0]
    filters = page.locator("[data-filters]")

    filters.locator("select[name=depot]").select_option(depot)
    minutes = page.locator("#by-week tbody td:nth-child(4)").all_text_contents()
    filters.locator("select[name=depot]").select_option("")
    filters.locator("select[name=model]").select_option("Heron 6")
    curve = page.locator("#cost-curve tbody td:nth-child(1)").all_text_contents()
    drawn = page.locator("#cost-curve .scatterlayer .trace path.js-line").count()

    kept = fits.filter(pl.col("depot") == depot)
    assert sum(int(cell.replace(",", "")) for cell in minutes) == kept["minutes"].sum()
    assert set(curve) == {"Heron 6"}
    assert drawn == 1


def test_the_jobs_are_cards_on_a_phone(open_page, pages):
    page = open_page(pages, "plan", viewport={"width": 390, "height": 900})

    card = page.locator("[data-table=jobs] tbody tr").first

    assert card.bounding_box()["width"] <= 390
    assert "cards" in page.locator("[data-table=jobs] table").get_attribute("class")
    labels = card.locator("td").evaluate_all("cells => cells.map(c => c.dataset.label)")
    assert labels[:4] == ["Week from", "Vehicle", "Depot", "Job"]


@pytest.mark.parametrize("name", NAMES)
def test_pages_of_a_fleet_of_one_open_in_silence(open_page, tmp_path, name):
    render_pages(factory.results(1), tmp_path)

    page = open_page(tmp_path, name, viewport={"width": 390, "height": 900})

    assert page.evaluate("document.documentElement.scrollWidth") <= 390


@pytest.mark.parametrize("name", ["index", "fleet", "workshop", "records", "method"])
def test_pages_without_results_open_in_silence(open_page, tmp_path, name):
    render_pages({}, tmp_path)

    page = open_page(tmp_path, name)

    assert page.locator("h1").count() == 1
