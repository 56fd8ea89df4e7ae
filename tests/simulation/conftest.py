"""One clean fleet, drawn once for all tests of the simulation."""

import pytest

from fleetbelt.simulation import simulate
from tests.simulation.records import Drawn, read


@pytest.fixture(scope="session")
def fleet(tmp_path_factory: pytest.TempPathFactory) -> Drawn:
    """Draw 6,000 vehicles over 4 years."""
    folder = tmp_path_factory.mktemp("fleet")
    return read(simulate(folder, n_vehicles=6_000, years=4.0, seed=20))
