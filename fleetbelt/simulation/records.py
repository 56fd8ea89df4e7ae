"""What the workshop wrote down of a block's history, as frames of the contract."""

from dataclasses import dataclass
from datetime import date
from typing import Any, Final

import numpy as np
import polars as pl
from numpy.typing import NDArray

from fleetbelt.simulation.arrays import MASS_KG_M
from fleetbelt.simulation.crew import HERTZ, UNITS, to_resolution
from fleetbelt.simulation.history import BlockHistory
from fleetbelt.simulation.noise import BEARING, N_NOISES
from fleetbelt.simulation.scenario import DEPOTS, DRIVES, DUTIES, MODELS, NOISES
from fleetbelt.simulation.tables import BoolArray, Columns, FloatArray, IntArray
from fleetbelt.simulation.visits import ACTIONS, REASONS, RECHECK
from fleetbelt.simulation.world import World
from fleetbelt.units import NEWTONS_PER

Codes = NDArray[Any]
STATES: Final = ("new", "used")
CONDITIONS: Final = ("cold_start", "wet", "heavy_load", "steady")
ACCESSORIES: Final = ("alternator", "water_pump", "idler", "compressor", "crankshaft")
FAULTS: Final = ("pulley", "seal", "electrical", "other", "bearing")
NOTES: Final = (
    "guard refitted",
    "belt glazed, customer told",
    'driver: "noisy when wet"',
    "adjuster bolt stiff; oiled",
)
LABOUR_MINUTES: Final = np.array([6.0, 16.0, 20.0, 45.0, 25.0, 10.0])  # by action
PER_UNIT_N: Final = np.array([NEWTONS_PER.get(unit, np.nan) for unit in UNITS])


@dataclass(frozen=True, slots=True, kw_only=True)
class Numbering:
    """How many vehicles, services, … the earlier blocks have used up."""

    start: date
    vehicles: int = 0
    services: int = 0
    complaints: int = 0
    repairs: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class BlockRecords:
    """Frames of one block, and for each visit its number among all services.

    ``service`` is -1 for a visit that the records do not hold.
    """

    frames: dict[str, pl.DataFrame]
    service: IntArray


def words(names: tuple[str, ...] | list[str], code: Codes) -> pl.Series:
    """Words for codes; a negative code is an empty cell."""
    index = pl.Series(np.where(code >= 0, code, 0), dtype=pl.UInt32)
    found = pl.Series(names, dtype=pl.String).gather(index)
    return pl.select(pl.when(pl.Series(code >= 0)).then(found)).to_series()


def numbered(prefix: str, number: Codes, width: int) -> pl.Series:
    """Ids such as V-000007 for number 6; a negative number is an empty cell."""
    digits = pl.Series(number + 1, dtype=pl.Int64).cast(pl.String).str.zfill(width)
    whole = pl.lit(prefix) + digits
    return pl.select(pl.when(pl.Series(number >= 0)).then(whole)).to_series()


def vehicle_ids(number: IntArray) -> pl.Series:
    """Ids of vehicles."""
    return numbered("V-", number, 6)


def service_ids(number: IntArray) -> pl.Series:
    """Ids of services."""
    return numbered("S-", number, 8)


def technician_ids(number: IntArray) -> pl.Series:
    """Ids of technicians."""
    return numbered("T-", number, 2)


def gauge_ids(number: IntArray) -> pl.Series:
    """Ids of gauges."""
    return numbered("G-", number, 2)


def dates(start: date, day: FloatArray | IntArray) -> pl.Series:
    """Calendar dates of days since the start; a missing day is an empty cell."""
    since_1970 = (start - date(1970, 1, 1)).days + np.floor(day)
    whole = pl.Series(since_1970, dtype=pl.Float64, nan_to_null=True)
    return whole.cast(pl.Int32).cast(pl.Date)


def _optional(value: Codes, is_known: BoolArray) -> pl.Series:
    return pl.select(pl.when(pl.Series(is_known)).then(pl.Series(value))).to_series()


def write_down(
    world: World, history: BlockHistory, numbering: Numbering
) -> BlockRecords:
    """Turn a block's history into the rows of the contract's files."""
    order = _kept_in_order(world, history, numbering.start)
    service = np.full(history.visits["place"].size, -1)
    service[order] = numbering.services + np.arange(order.size)
    frames = {
        "vehicles": _vehicles(world, numbering),
        "services": _services(world, history, order, numbering),
        "complaints": _complaints(world, history, numbering),
        "odometers": _odometers(world, numbering),
        "repairs": _repairs(world, history, numbering),
    }
    return BlockRecords(frames=frames, service=service)


def _first_day_kept(world: World, start: date) -> int:
    opened = world.options.records_from
    return 0 if opened is None else (opened - start).days


def _kept_in_order(world: World, history: BlockHistory, start: date) -> IntArray:
    """Visits in the records, by date, vehicle and time.

    Before ``records_from`` only the fitting of belts that ran on past it is kept.
    """
    day, place = history.visits["day"], history.visits["place"]
    opened = _first_day_kept(world, start)
    is_kept = day >= opened
    late = history.belts["install_row"][history.belts["end_day"] >= opened]
    is_kept[late[late >= 0]] = True
    vehicle = world.places.vehicle[place]
    order = np.lexsort((place, day, vehicle, np.floor(day)))
    return order[is_kept[order]]


def _vehicles(world: World, numbering: Numbering) -> pl.DataFrame:
    vehicles, n = world.vehicles, world.vehicles.model.size
    is_retired = vehicles.last_day < world.n_days
    is_known = (vehicles.in_service >= 0) | (world.rng.random(n) < 0.9)
    return pl.DataFrame(
        {
            "vehicle_id": vehicle_ids(numbering.vehicles + np.arange(n)),
            "model": words([m.name for m in MODELS], vehicles.model),
            "drive_id": words([d.drive_id for d in DRIVES], vehicles.drive),
            "depot": words(DEPOTS, vehicles.depot),
            "duty": words(DUTIES, vehicles.duty),
            "in_service_date": dates(
                numbering.start, np.where(is_known, vehicles.in_service, np.nan)
            ),
            "retired_date": dates(
                numbering.start, np.where(is_retired, vehicles.last_day, np.nan)
            ),
        }
    )


def _services(
    world: World, history: BlockHistory, order: IntArray, numbering: Numbering
) -> pl.DataFrame:
    rng, n = world.rng, order.size
    v = {name: column[order] for name, column in history.visits.items()}
    place, action = v["place"], v["action"]
    is_read = ~np.isnan(v["y_found"]) | ~np.isnan(v["y_left"])
    is_sloppy = rng.random((2, n)) < np.array([[0.015], [0.02]])
    has_gauge, has_span = is_read & ~(is_sloppy & world.options.unrecorded)
    unit = world.crew.gauges.unit[v["gauge"]]
    applied = np.where(rng.random(n) < 0.93, v["applied"], -1)
    is_second = world.places.is_second[place] == 1
    drive = np.where(is_second | (rng.random(n) < 0.3), world.places.drive[place], -1)
    labour = np.round(LABOUR_MINUTES[action] * np.exp(0.2 * rng.standard_normal(n)))
    note = np.where(rng.random(n) < 0.02, rng.integers(0, len(NOTES), n), -1)
    return pl.DataFrame(
        {
            "service_id": service_ids(numbering.services + np.arange(n)),
            "date": dates(numbering.start, v["day"]),
            "vehicle_id": vehicle_ids(numbering.vehicles + world.places.vehicle[place]),
            "odometer_mi": np.floor(v["mi"]).astype(np.int64),
            "action": words(ACTIONS, action),
            "shop": _shops(world, v["technician"]),
            "technician_id": technician_ids(v["technician"]),
            "drive_id": words([d.drive_id for d in DRIVES], drive),
            "gauge_id": gauge_ids(np.where(has_gauge, v["gauge"], -1)),
            "span_mm": _optional(v["span_mm"].astype(np.int64), has_span),
            "reading_found": _shown(world, v, v["y_found"]),
            "reading_left": _shown(world, v, v["y_left"]),
            "reading_unit": words(UNITS, np.where(is_read, unit, -1)),
            "readings_averaged": _optional(v["n_averaged"], is_read),
            "run_minutes": _optional(rng.integers(5, 41, n), action == RECHECK),
            "spec_applied": words(STATES, applied),
            "removal_reason": words(REASONS, v["reason"]),
            "belt_temperature": words(
                ("cold", "hot"), np.where(is_read, v["is_hot"].astype(np.int64), -1)
            ),
            "labour_minutes": _optional(labour.astype(np.int64), rng.random(n) < 0.7),
            "note": words(NOTES, note),
        }
    )


def _shops(world: World, technician: IntArray) -> pl.Series:
    shop = world.crew.technicians.shop[technician]
    return words([f"{depot} workshop" for depot in DEPOTS], shop)


def _shown(world: World, visits: Columns, y: FloatArray) -> pl.Series:
    """Convert to the number read, in the gauge's own unit and graduation."""
    unit, tension_n = world.crew.gauges.unit[visits["gauge"]], np.exp(y)
    mass_kg_m = MASS_KG_M[world.places.drive[visits["place"]]]
    span_m = visits["span_mm"] / 1e3
    hertz = np.sqrt(tension_n / (4.0 * mass_kg_m * span_m**2))
    value = np.where(unit == HERTZ, hertz, tension_n / PER_UNIT_N[unit])
    return pl.Series(to_resolution(value, unit), nan_to_null=True)


def _complaints(
    world: World, history: BlockHistory, numbering: Numbering
) -> pl.DataFrame:
    rng, opened = world.rng, _first_day_kept(world, numbering.start)
    is_noise = history.events["kind"] < N_NOISES
    place, mi = history.events["place"][is_noise], history.events["mi"][is_noise]
    kind, day = history.events["kind"][is_noise], world.day_at(place, mi)
    order = np.lexsort((mi, world.places.vehicle[place], np.floor(day)))
    order = order[day[order] >= opened]
    place, mi, kind, day = place[order], mi[order], kind[order], day[order]
    n, is_second = order.size, world.places.is_second[place] == 1
    drive = np.where(is_second | (rng.random(n) < 0.5), world.places.drive[place], -1)
    condition = np.where(kind <= 1, rng.integers(0, 3, n), 3)
    condition = np.where(rng.random(n) < 0.2, -1, condition)
    return pl.DataFrame(
        {
            "complaint_id": numbered("C-", numbering.complaints + np.arange(n), 7),
            "date": dates(numbering.start, day),
            "vehicle_id": vehicle_ids(numbering.vehicles + world.places.vehicle[place]),
            "odometer_mi": np.floor(mi).astype(np.int64),
            "noise": words(NOISES, kind),
            "drive_id": words([d.drive_id for d in DRIVES], drive),
            "condition": words(CONDITIONS, condition),
        }
    )


def _repairs(world: World, history: BlockHistory, numbering: Numbering) -> pl.DataFrame:
    rng, opened = world.rng, _first_day_kept(world, numbering.start)
    is_repair = history.events["kind"] >= BEARING
    place, mi = history.events["place"][is_repair], history.events["mi"][is_repair]
    kind, day = history.events["kind"][is_repair], world.day_at(place, mi)
    order = np.lexsort((mi, world.places.vehicle[place], np.floor(day)))
    order = order[day[order] >= opened]
    place, mi, kind, day = place[order], mi[order], kind[order], day[order]
    n = order.size
    fault = np.where(kind == BEARING, FAULTS.index("bearing"), rng.integers(0, 4, n))
    return pl.DataFrame(
        {
            "repair_id": numbered("R-", numbering.repairs + np.arange(n), 7),
            "date": dates(numbering.start, day),
            "vehicle_id": vehicle_ids(numbering.vehicles + world.places.vehicle[place]),
            "odometer_mi": np.floor(mi).astype(np.int64),
            "accessory": words(ACCESSORIES, rng.integers(0, len(ACCESSORIES), n)),
            "fault": words(FAULTS, fault),
        }
    )


def _odometers(world: World, numbering: Numbering) -> pl.DataFrame:
    """One reading a year, and one in each vehicle's last 45 days."""
    vehicles, rng, n = world.vehicles, world.rng, world.vehicles.model.size
    yearly = np.arange(0.0, world.n_days, 365.25) + rng.uniform(0.0, 365.25, (n, 1))
    last = vehicles.last_day - np.floor(
        rng.uniform(0.0, 45.0, n) * rng.integers(0, 2, n)
    )
    last = np.maximum(last, vehicles.first_day)
    day = np.concatenate([yearly, last[:, None]], axis=1)
    first = np.maximum(vehicles.first_day, _first_day_kept(world, numbering.start))
    is_kept = (day >= first[:, None]) & (day <= vehicles.last_day[:, None])
    vehicle, turn = np.nonzero(is_kept)
    day = day[vehicle, turn]
    order = np.lexsort((vehicle, np.floor(day)))
    vehicle, day = vehicle[order], day[order]
    return pl.DataFrame(
        {
            "vehicle_id": vehicle_ids(numbering.vehicles + vehicle),
            "date": dates(numbering.start, day),
            "odometer_mi": np.floor(vehicles.odometer(vehicle, day)).astype(np.int64),
        }
    ).unique(maintain_order=True)
