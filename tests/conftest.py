"""What many tests share: small fleets taken the whole way, and the sample fleet."""

from collections.abc import Callable
from datetime import UTC, date, datetime
from pathlib import Path

import polars as pl
import pytest

from fleetbelt import ingest, pipeline
from fleetbelt.intake import Outcome
from fleetbelt.resources import bundled
from fleetbelt.settings import load_settings
from fleetbelt.store import frames
from fleetbelt.store.database import connect
from tests.fleets import Row, write_fleet

Table = Callable[[str], pl.DataFrame]
Compute = Callable[..., Table]


def computed(folder: Path, database: Path, as_of: date | None = None) -> Table:
    """Take a folder of CSV files the way up to the results; return a reader."""
    settings = load_settings(folder)
    with connect(database) as connection:
        ingest.load(connection, folder, settings, now=datetime(2026, 1, 1, tzinfo=UTC))
        pipeline.compute(connection, settings, as_of)

    def table(name: str) -> pl.DataFrame:
        with connect(database, read_only=True) as connection:
            return frames.read(connection, f"from {name}")

    return table


@pytest.fixture
def compute(tmp_path: Path) -> Compute:
    """Compute a fleet given as rows; returns a reader of its tables."""

    def compute_fleet(
        *, as_of: date | None = None, settings: str = "", **tables: list[Row]
    ) -> Table:
        folder = write_fleet(tmp_path / "records", **tables)
        if settings:
            (folder / "fleetbelt.toml").write_text(settings, encoding="utf-8")
        return computed(folder, tmp_path / "fleet.duckdb", as_of)

    return compute_fleet


@pytest.fixture(scope="session")
def sample(tmp_path_factory: pytest.TempPathFactory) -> Outcome:
    """The bundled sample fleet, run once for all tests."""
    out = tmp_path_factory.mktemp("sample")
    return pipeline.run(bundled("sample_data"), out)
