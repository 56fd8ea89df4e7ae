"""One headless Chromium for all page tests, and pages to open in it."""

import os
import shutil
from pathlib import Path

import pytest

from fleetbelt.render import render_pages
from tests.render import factory

FLAGS = [
    "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
    "--disable-background-networking", "--disable-component-update", "--disable-sync",
]  # fmt: skip


def _chromium() -> str | None:
    names = ("chromium", "chromium-browser", "google-chrome", "microsoft-edge")
    return next((path for name in names if (path := shutil.which(name))), None)


@pytest.fixture(scope="session")
def browser():
    path = _chromium()
    if path is None:
        sentence = "No Chromium is installed, so the pages were not opened in one."
        pytest.fail(sentence) if os.environ.get("CI") else pytest.skip(sentence)
    sync_api = pytest.importorskip("playwright.sync_api")
    with sync_api.sync_playwright() as driver:
        chromium = driver.chromium.launch(executable_path=path, args=FLAGS)
        yield chromium
        chromium.close()


@pytest.fixture(scope="session")
def results():
    return factory.results()


@pytest.fixture(scope="session")
def pages(results, tmp_path_factory) -> Path:
    out: Path = tmp_path_factory.mktemp("pages")
    render_pages(results, out)
    return out


@pytest.fixture(scope="session")
def hostile_pages(results, tmp_path_factory) -> Path:
    out: Path = tmp_path_factory.mktemp("hostile")
    render_pages(factory.hostile(results), out)
    return out
