"""The workshop's books: drives, pulleys, ranges, gauges and their calibrations."""

from datetime import date

import numpy as np
import polars as pl

from fleetbelt.simulation.crew import (
    METHODS,
    REFERENCE,
    RESOLUTION,
    UNITS,
    Crew,
    calibrate,
)
from fleetbelt.simulation.geometry import route
from fleetbelt.simulation.options import SimulationOptions
from fleetbelt.simulation.records import (
    dates,
    gauge_ids,
    technician_ids,
    words,
)
from fleetbelt.simulation.scenario import DEPOTS, DRIVES, HANDBOOK, LAYOUTS, Drive
from fleetbelt.simulation.tables import Rng

BULLETIN_DRIVE = "T7-A"  # has a second published range that disagrees by 4 %


def workshop_books(
    rng: Rng, crew: Crew, *, start: date, n_days: int, options: SimulationOptions
) -> dict[str, pl.DataFrame]:
    """Frames of the files that do not grow with the fleet."""
    return {
        "drives": _drives(),
        "specs": _specs(),
        "pulleys": _pulleys(),
        "gauges": _gauges(crew),
        "calibrations": _calibrations(rng, crew, start, n_days, options),
    }


def _drives() -> pl.DataFrame:
    lengths = [route(LAYOUTS[drive.layout]).belt_length_mm for drive in DRIVES]
    return pl.DataFrame(
        {
            "drive_id": [drive.drive_id for drive in DRIVES],
            "ribs": [drive.ribs for drive in DRIVES],
            "alternator_pulley": [drive.alternator_pulley for drive in DRIVES],
            "belt_mass_g_per_m": [drive.mass_g_per_m for drive in DRIVES],
            "belt_length_mm": np.round(lengths).astype(np.int64),
            "part_number": [drive.part_number for drive in DRIVES],
            "description": [f"{drive.layout} layout" for drive in DRIVES],
        }
    )


def _specs() -> pl.DataFrame:
    rows = [row for drive in DRIVES if drive.page for row in _spec_rows(drive)]
    names = ("drive_id", "belt_state", "tension_min", "tension_max", "unit", "source")
    return pl.DataFrame(rows, schema=names, orient="row")


def _spec_rows(drive: Drive) -> list[tuple[str, str, float, float, str, str]]:
    source = f"{HANDBOOK} p. {drive.page}"
    rows = [
        (drive.drive_id, state, float(r.low), float(r.high), r.unit, source)
        for state, r in (("new", drive.new), ("used", drive.used))
    ]
    if drive.drive_id == BULLETIN_DRIVE:
        low, high = round(drive.new.low * 1.04), round(drive.new.high * 1.04)
        bulletin = "Workshop bulletin 12"
        rows.append(
            (drive.drive_id, "new", float(low), float(high), drive.new.unit, bulletin)
        )
    return rows


def _pulleys() -> pl.DataFrame:
    rows = [
        (drive.drive_id, position, name, float(x), float(y), float(d), side, access)
        for drive in DRIVES
        for position, (name, x, y, d, side, access) in enumerate(
            LAYOUTS[drive.layout], start=1
        )
    ]
    names = (
        "drive_id", "position", "accessory", "x_mm", "y_mm", "diameter_mm", "side",
        "gauge_access",
    )  # fmt: skip
    return pl.DataFrame(rows, schema=names, orient="row")


def _gauges(crew: Crew) -> pl.DataFrame:
    gauges = crew.gauges
    return pl.DataFrame(
        {
            "gauge_id": gauge_ids(np.arange(gauges.shop.size)),
            "method": words(METHODS, gauges.method),
            "resolution": RESOLUTION[gauges.unit],
            "unit": words(UNITS, gauges.unit),
            "shop": words([f"{depot} workshop" for depot in DEPOTS], gauges.shop),
        }
    )


def _calibrations(
    rng: Rng, crew: Crew, start: date, n_days: int, options: SimulationOptions
) -> pl.DataFrame:
    taken = calibrate(rng, crew, n_days, options)
    unit = crew.gauges.unit[taken.gauge]
    frame = pl.DataFrame(
        {
            "gauge_id": gauge_ids(taken.gauge),
            "date": dates(start, taken.day),
            "span_mm": taken.span_mm.astype(np.int64),
            "reference": REFERENCE[unit],
            "reading": taken.reading,
            "unit": words(UNITS, unit),
            "technician_id": technician_ids(taken.technician),
            "run": taken.run,
        }
    )
    return frame.sort("date", "gauge_id", "span_mm", "run")
