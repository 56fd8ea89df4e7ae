"""What a reader sees in a browser: names that can be read, units, rows to come."""

import re
from itertools import combinations

import polars as pl
import pytest

from fleetbelt.render import render_pages
from tests.render.reading import Reader

pytestmark = pytest.mark.browser
BOXES = """() => [...document.querySelectorAll("#in-range .textpoint text")]
    .map((text) => {
    const { left, right, top, bottom } = text.getBoundingClientRect();
    return [text.textContent, left, top, right, bottom];
})"""


@pytest.fixture(scope="module")
def crowded(results, tmp_path_factory):
    """Pages of a shop whose technicians do nearly as much, nearly as well."""
    people = results["results.technician_results"].head(1)
    alike = pl.concat(
        people.with_columns(
            technician_id=pl.lit(f"T-{n:02}"),
            settings=pl.lit(150 + n % 5, dtype=pl.Int64),
            in_spec_share=pl.lit(0.8 + n // 5 * 0.004),
            in_spec_standing=pl.lit("worse" if n == 13 else "as_expected"),
        )
        for n in range(20)
    )
    apart = people.with_columns(settings=pl.lit(900, dtype=pl.Int64))
    known = results["results.plan_assumptions"]
    cost = known.head(1).with_columns(
        key=pl.lit("under_cost_per_1000mi"),
        value=pl.lit(1.609344),
        unit=pl.lit("currency per 1,000 mi"),
    )
    jobs = results["results.work_plan"].with_columns(
        reason=pl.lit("past its best age of 38,800 mi")
    )
    out = tmp_path_factory.mktemp("crowded")
    changed = {
        "results.technician_results": pl.concat([apart, alike]),
        "results.plan_assumptions": pl.concat([known, cost]),
        "results.work_plan": jobs,
    }
    render_pages(results | changed, out)
    return out


@pytest.mark.parametrize("width", [1400, 390])
def test_no_name_beside_a_dot_covers_another_and_who_stands_out_is_named(
    browser, crowded, width
):
    context = browser.new_context(viewport={"width": width, "height": 900})
    page = Reader(context).open(crowded, "workshop")
    boxes = [box for box in page.evaluate(BOXES) if box[0]]
    context.close()

    assert "T-13" in [name for name, *_ in boxes]
    assert 3 < len(boxes) < 21
    for (_, *one), (_, *other) in combinations(boxes, 2):
        apart = (one[2] <= other[0] + 1 or other[2] <= one[0] + 1
                 or one[3] <= other[1] + 1 or other[3] <= one[1] + 1)  # fmt: skip
        assert apart


def test_costs_reasons_and_spans_follow_the_units_chosen(browser, pages, crowded):
    context = browser.new_context()
    page = Reader(context).open(crowded, "plan", "#distance=km&tension=lbf")
    costs = page.locator("#assumptions").inner_text()
    reasons = page.locator("#jobs").inner_text()
    drives = Reader(context).open(pages, "gauges", "#tension=lbf").inner_text("main")
    context.close()

    assert "1.00 EUR per 1,000 km" in costs
    assert "past its best age of 62,400 km" in reasons
    assert not re.search(r"\d mi\b", costs + reasons)
    assert re.search(r"\d\sin\b", drives)
    assert not re.search(r"\d\smm\b", drives)


def test_the_button_says_how_many_rows_come(browser, pages, results):
    n = results["results.watchlist"].height
    context = browser.new_context(viewport={"width": 1400, "height": 900})
    page = Reader(context).open(pages, "fleet")
    words = page.locator("[data-table=watchlist] .more").text_content()
    context.close()

    assert words == f"Show {min(200, n - 25)} more"
