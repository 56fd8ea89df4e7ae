"""The drive on which the geometry, slip and hub-load checks are worked out."""

import numpy as np
import pytest

from fleetbelt.belt import Layout, Pulley, Running, pulley_friction, route_belt


@pytest.fixture(scope="session")
def pulleys() -> tuple[Pulley, ...]:
    """GEO-7: a crank, a back-side pump, an alternator and a compressor."""
    return (
        Pulley(name="crankshaft", x_mm=0, y_mm=0, diameter_mm=150),
        Pulley(name="water_pump", x_mm=95, y_mm=170, diameter_mm=110, side="back"),
        Pulley(name="alternator", x_mm=60, y_mm=330, diameter_mm=60),
        Pulley(name="compressor", x_mm=-200, y_mm=120, diameter_mm=120),
    )


@pytest.fixture(scope="session")
def drive(pulleys: tuple[Pulley, ...]) -> Layout:
    return route_belt(pulleys)


@pytest.fixture(scope="session")
def running() -> Running:
    """SLP-11: pulls of the pump, the alternator and the compressor, at 15 m/s."""
    pull_n = np.array([0.0, 80.0, 220.0, 150.0])
    return Running(pull_n=pull_n, belt_speed_m_s=15.0, mass_g_per_m=108.0)


@pytest.fixture(scope="session")
def friction(drive: Layout) -> np.ndarray:
    return pulley_friction(drive, ribbed=0.35, back=0.30, groove_deg=40.0)
