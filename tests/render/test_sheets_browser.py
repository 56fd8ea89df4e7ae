"""The sheets that are handed out, in a browser: for a talk, and at the bench."""

from pathlib import Path

import pytest

from fleetbelt.bench import desk
from fleetbelt.intake import Outcome, silent
from tests.render.test_browser import AXE, RULES

pytestmark = pytest.mark.browser


def violations(browser, path: Path, scheme: str, width: int) -> list[str]:
    context = browser.new_context(
        bypass_csp=True, color_scheme=scheme, viewport={"width": width, "height": 900}
    )
    page = context.new_page()
    page.goto(path.as_uri())
    page.evaluate(AXE.read_text(encoding="utf-8"))
    found = page.evaluate(f"axe.run({{runOnly: {RULES}, resultTypes: ['violations']}})")
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    context.close()
    return [f"{v['id']}: {v['nodes'][0]['html'][:160]}" for v in found["violations"]]


@pytest.mark.parametrize(("scheme", "width"), [("light", 1400), ("dark", 390)])
def test_axe_finds_nothing_on_a_sheet_for_a_talk(browser, pages, scheme, width):
    path = min((pages / "talk").iterdir())

    assert violations(browser, path, scheme, width) == []


@pytest.fixture(scope="module")
def bench_sheet(sample: Outcome, tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("bench") / "sheet.html"
    call = desk.Call(
        gauge_id="G-03", vehicle_ids=("V-000001",), drive_id=None, span="178mm",
        belt=None, readings=(), week=None,
    )  # fmt: skip
    desk.answer(call, database=sample.database, folder=None, html=path, say=silent)
    return path


def test_axe_finds_nothing_on_the_bench_sheet(browser, bench_sheet):
    assert violations(browser, bench_sheet, "light", 1400) == []
