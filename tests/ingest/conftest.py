"""A database for each test."""

from collections.abc import Iterator
from pathlib import Path

import duckdb
import pytest

from fleetbelt.store.database import connect


@pytest.fixture
def database(tmp_path: Path) -> Iterator[duckdb.DuckDBPyConnection]:
    """A new database file, open."""
    with connect(tmp_path / "fleet.duckdb") as connection:
        yield connection
