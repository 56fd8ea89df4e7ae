"""How large the pages of a big fleet are, and how soon a browser has them ready.

Run by hand: ``python -m tests.bench.page_sizes [vehicles] [folder]``. Draws a fleet,
takes it the whole way, and prints for each page its bytes, whole and packed, and in
headless Chromium the first contentful paint, the moment when every table and figure
answers (``data-ready``) and the processor time of the page until then, each the middle
of five openings, in milliseconds.
"""

import shutil
import sys
import tempfile
from pathlib import Path
from statistics import median
from typing import Any

from playwright.sync_api import Browser, sync_playwright

from fleetbelt import pipeline
from fleetbelt.simulation import simulate
from tests.render.conftest import FLAGS

OPENINGS = 5
WATCH = """
    new PerformanceObserver((list) => {
        for (const entry of list.getEntries())
            if (entry.name.includes("contentful")) window.painted = entry.startTime;
    }).observe({ type: "paint", buffered: true });
    new MutationObserver((_, observer) => {
        if (document.documentElement?.dataset.ready !== "1") return;
        window.answers = performance.now();
        observer.disconnect();
    }).observe(document, { attributes: true, subtree: true });
"""


def made(n_vehicles: int, folder: Path) -> dict[str, list[Path]]:
    """Return the pages of a drawn fleet, whole and packed."""
    drawn = simulate(
        folder / "records", n_vehicles=n_vehicles, years=4.0, seed=1, with_dirt=True
    )
    pages = {}
    for kind, pack in {"whole": False, "packed": True}.items():
        out = folder / kind
        outcome = pipeline.run(drawn.folder, out, pack=pack)
        pages[kind] = list(outcome.pages)
    return pages


def opened(browser: Browser, page: Path) -> tuple[float, float, float]:
    """Return first paint, full answer and processor time of one opening, ms."""
    context = browser.new_context(viewport={"width": 1400, "height": 900})
    tab = context.new_page()
    session = context.new_cdp_session(tab)
    session.send("Performance.enable", {"timeDomain": "threadTicks"})
    tab.add_init_script(WATCH)
    tab.goto(page.as_uri())
    tab.wait_for_selector("html[data-ready='1']", state="attached")
    measured = session.send("Performance.getMetrics")["metrics"]
    work_s = next(m["value"] for m in measured if m["name"] == "TaskDuration")
    tab.wait_for_timeout(100)
    times: Any = tab.evaluate("[window.painted, window.answers]")
    context.close()
    return float(times[0]), float(times[1]), 1000 * work_s


def main() -> None:
    """Print a line a page."""
    n_vehicles = int(sys.argv[1]) if len(sys.argv) > 1 else 5000
    folder = Path(sys.argv[2] if len(sys.argv) > 2 else tempfile.mkdtemp())
    pages = made(n_vehicles, folder)
    sys.stdout.write(f"{n_vehicles:,} vehicles\n")
    sys.stdout.write("page                  bytes   painted      ready  processor\n")
    with sync_playwright() as driver:
        browser = driver.chromium.launch(
            executable_path=shutil.which("chromium"), args=FLAGS
        )
        for kind, paths in pages.items():
            for path in paths:
                openings = [opened(browser, path) for _ in range(OPENINGS)]
                times = [median(side) for side in zip(*openings, strict=True)]
                size = f"{path.stem + ', ' + kind:<17}{path.stat().st_size:>10,}"
                line = size + "".join(f"{time:>8.0f} ms" for time in times)
                sys.stdout.write(f"{line}\n")
        browser.close()


if __name__ == "__main__":
    main()
