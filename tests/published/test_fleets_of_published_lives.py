"""Published lives as CSV fleets: intake, SQL and models together give the numbers.

Each item is a vehicle with one belt, fitted at mile 0; its end is a `remove`. An item
still running is removed for another reason at the mile its test ended.
"""

from collections.abc import Sequence

import polars as pl
import pytest

from tests.conftest import Compute, Table
from tests.fleets import SERVICE, VEHICLE, Row

FAN_BELTS = ((77, 47, 81, 56, 80), (62, 60, 43, 71, 37))
NIST_TYPE_I = ((54, 187, 216, 240, 244, 335, 361, 373, 375, 386), (500,) * 10)
SHOCK_ABSORBERS = (
    (6700, 9120, 12200, 13150, 14300, 17520, 20100, 20900, 22700, 26510, 27490),
    (
        6950,
        7820,
        8790,
        9660,
        9820,
        11310,
        11690,
        11850,
        11880,
        12140,
        12870,
        13330,
        13470,
        14040,
        17540,
        17890,
        18450,
        18960,
        18980,
        19410,
        20100,
        20150,
        20320,
        23490,
        27410,
        27890,
        28100,
    ),
)


def fleet_of(compute: Compute, ends: tuple[Sequence[int], Sequence[int]]) -> Table:
    """Compute a fleet whose belts broke, or were taken off sound, at these miles."""
    broke, sound = ends
    items = [(miles, "broken") for miles in broke]
    items += [(miles, "other_work") for miles in sound]
    vehicles: list[Row] = []
    services: list[Row] = []
    for number, (miles, reason) in enumerate(items):
        vehicle = {"vehicle_id": f"V{number}"}
        vehicles.append({**VEHICLE, **vehicle})
        first = {**SERVICE, **vehicle, "service_id": f"A{number}", "odometer_mi": 0}
        last = {**first, "service_id": f"B{number}", "odometer_mi": miles}
        services.append({**first, "action": "install", "removal_reason": None})
        services.append(
            {
                **last,
                "action": "remove",
                "date": "2024-01-01",
                "removal_reason": reason,
            }
        )
    return compute(vehicles=vehicles, services=services)


def curve_at(table: Table, miles: Sequence[int]) -> list[float]:
    curve = table("results.life_curve").filter(model="all", band="all")
    steps = curve.filter(pl.col("miles").is_in([float(mile) for mile in miles])).sort(
        "miles"
    )
    assert steps["miles"].to_list() == list(miles)
    return steps["survival"].to_list()


def fit_of(table: Table) -> dict[str, float]:
    fits = table("results.life_by_group").filter(model="all", band="all")
    return fits.row(0, named=True)


def test_ten_fan_belts(compute: Compute):
    """Conover (1999), p. 91, as printed in the documentation of scipy.stats.ecdf."""
    table = fleet_of(compute, FAN_BELTS)

    survival = curve_at(table, (47, 56, 77, 80, 81))
    assert survival == pytest.approx([0.875, 0.75, 0.5, 0.25, 0.0], abs=1e-9)


def test_twenty_units_of_nist_tested_for_500_hours(compute: Compute):
    """NIST/SEMATECH e-Handbook 8.4.1.3: shape 1.7207, scale 606.5280."""
    table = fleet_of(compute, NIST_TYPE_I)

    fit = fit_of(table)
    assert (fit["n"], fit["failures"]) == (20, 10)
    assert fit["shape"] == pytest.approx(1.720797, rel=1e-5)
    assert fit["scale_mi"] == pytest.approx(606.52756, rel=1e-5)
    assert curve_at(table, NIST_TYPE_I[0]) == pytest.approx(
        [1 - 0.05 * k for k in range(1, 11)], abs=1e-9
    )


def test_vehicle_shock_absorbers(compute: Compute):
    """O'Connor (1985), p. 85; Meeker and Escobar (1998), ch. 8 (values from memory)."""
    table = fleet_of(compute, SHOCK_ABSORBERS)

    fit = fit_of(table)
    assert (fit["n"], fit["failures"]) == (38, 11)
    assert fit["shape"] == pytest.approx(3.160470314535, rel=1e-5)
    assert fit["scale_mi"] == pytest.approx(27718.718128515, rel=1e-5)
    assert (fit["shape_lo"], fit["shape_hi"]) == pytest.approx(
        (2.0087, 4.9726), abs=1e-3
    )
    assert (fit["scale_lo"], fit["scale_hi"]) == pytest.approx(
        (22347.77, 34380.49), rel=1e-5
    )
    assert fit["b10_mi"] == pytest.approx(13600.0347, rel=1e-5)
    assert fit["median_mi"] == pytest.approx(24683.6255, rel=1e-5)
    assert curve_at(table, SHOCK_ABSORBERS[0]) == pytest.approx(
        [
            0.973684,
            0.945046,
            0.908698,
            0.870836,
            0.827294,
            0.783752,
            0.71844,
            0.628635,
            0.53883,
            0.431064,
            0.287376,
        ],
        abs=1e-6,
    )
