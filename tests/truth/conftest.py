"""A fleet of 20,000 vehicles whose truth is known, computed once."""

from dataclasses import dataclass
from pathlib import Path

import polars as pl
import pytest

from fleetbelt.simulation import simulate
from tests.conftest import Table, computed


@dataclass(frozen=True, slots=True, kw_only=True)
class KnownFleet:
    """The results of a fleet, and its truth."""

    results: Table
    folder: Path

    def truth(self, name: str) -> pl.DataFrame:
        """Read a table of the truth; belts get the id that the results use."""
        frame = pl.read_parquet(self.folder / "truth" / f"{name}.parquet")
        if name != "belts":
            return frame
        parts = (pl.col("vehicle_id"), pl.col("drive_id"), pl.col("number"))
        return frame.with_columns(belt_id=pl.concat_str(parts, separator="/"))


@pytest.fixture(scope="session")
def fleet(tmp_path_factory: pytest.TempPathFactory) -> KnownFleet:
    folder = tmp_path_factory.mktemp("truth")
    simulate(folder / "records", n_vehicles=20_000, years=4, seed=31)
    results = computed(folder / "records", folder / "fleet.duckdb")
    return KnownFleet(results=results, folder=folder / "records")
