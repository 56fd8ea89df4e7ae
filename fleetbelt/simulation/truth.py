"""The truth of an invented fleet, as frames that tests hold results against."""

from typing import Final

import numpy as np
import polars as pl

from fleetbelt.simulation import scenario
from fleetbelt.simulation.arrays import HIGH, LOW, NEW, SPAN_MM, USED
from fleetbelt.simulation.belts import BASES, END_STATES
from fleetbelt.simulation.crew import CALIBRATED_SPANS_MM, METHODS, Crew
from fleetbelt.simulation.history import BlockHistory
from fleetbelt.simulation.noise import RATE_PER_1000_MI
from fleetbelt.simulation.options import SimulationOptions
from fleetbelt.simulation.records import (
    STATES,
    BlockRecords,
    Numbering,
    dates,
    gauge_ids,
    service_ids,
    technician_ids,
    vehicle_ids,
    words,
)
from fleetbelt.simulation.scenario import DRIVES, MODELS, NOISES
from fleetbelt.simulation.tables import Columns, FloatArray, IntArray
from fleetbelt.simulation.visits import INSTALL
from fleetbelt.simulation.world import World

BANDS: Final = ("loose", "under", "in_spec", "over", "tight")


def fleet_truth(crew: Crew, options: SimulationOptions) -> dict[str, pl.DataFrame]:
    """Return what is true of the fleet: models, gauges, technicians, parameters."""
    return {
        "models": _models(),
        "gauges": _gauges(crew),
        "technicians": _technicians(crew),
        "parameters": _parameters(options),
    }


def _models() -> pl.DataFrame:
    return pl.DataFrame(
        {
            "model": [m.name for m in MODELS],
            "drift_per_1000_mi": [m.drift for m in MODELS],
            "run_in_log": [m.run_in for m in MODELS],
            "setting_log": [m.setting for m in MODELS],
            "shape": [m.shape for m in MODELS],
            "scale_mi": [m.scale_mi for m in MODELS],
        }
    )


def _gauges(crew: Crew) -> pl.DataFrame:
    """List each gauge at each span that is calibrated or met on a vehicle."""
    n = crew.gauges.shop.size
    spans_mm = np.unique(np.concatenate([CALIBRATED_SPANS_MM, SPAN_MM.ravel()]))
    gauge, span_mm = np.repeat(np.arange(n), spans_mm.size), np.tile(spans_mm, n)
    is_early = np.zeros(gauge.size, dtype=np.bool_)
    return pl.DataFrame(
        {
            "gauge_id": gauge_ids(gauge),
            "method": words(METHODS, crew.gauges.method[gauge]),
            "span_mm": span_mm,
            "log_ratio": crew.gauges.log_ratio(gauge, span_mm, is_early),
            "jump_log": crew.gauges.jump[gauge],
            "repeatability": crew.gauges.repeatability[gauge],
            "n_calibrations": crew.gauges.n_calibrations[gauge],
        }
    )


def _technicians(crew: Crew) -> pl.DataFrame:
    t, n = crew.technicians, crew.technicians.shop.size
    return pl.DataFrame(
        {
            "technician_id": technician_ids(np.arange(n)),
            "depot": words(scenario.DEPOTS, t.shop),
            "habit_log": t.habit,
            "corrects_share": t.corrects,
            "spread_log": t.spread,
            "recheck_share": t.rechecks,
            "margin_log": t.margin,
            "slip_log": t.slip,
        }
    )


def _parameters(options: SimulationOptions) -> pl.DataFrame:
    known = {
        "reading_sd": options.reading_sd,
        "process_sd": options.process_sd,
        "run_in_sd": options.run_in_sd,
        "slope_sd": options.slope_sd,
        "habit_mean": scenario.HABIT_MEAN,
        "habit_sd": scenario.HABIT_SD,
        "breaks_on_road": scenario.BREAKS_ON_ROAD,
        "life_dose_slack": scenario.LIFE_DOSE_SLACK * options.life_effect,
        "life_dose_excess": scenario.LIFE_DOSE_EXCESS * options.life_effect,
        "noise_now": options.noise_now,
        "belt_frailty": options.belt_frailty,
        "vehicle_frailty": options.vehicle_frailty,
        "operator_sd": options.operator_sd,
        "hot_effect": options.hot_effect,
        "urban_drift": options.urban_drift,
        "gauge_jump": options.gauge_jump,
        "bearing_dose_excess": scenario.BEARING_DOSE_EXCESS,
    }
    kinds = (*NOISES, "bearing", "other_fault")
    known |= {
        f"{kind}_per_1000_mi": rate
        for kind, rate in zip(kinds, RATE_PER_1000_MI.tolist(), strict=True)
    }
    known |= {
        f"{noise}_dose_{side}": dose
        for side, doses in (
            ("slack", scenario.NOISE_DOSE_SLACK),
            ("excess", scenario.NOISE_DOSE_EXCESS),
        )
        for noise, dose in zip(NOISES, doses, strict=True)
    }
    return pl.DataFrame(
        {"name": list(known), "value": [float(value) for value in known.values()]}
    )


def block_truth(
    world: World, history: BlockHistory, records: BlockRecords, numbering: Numbering
) -> dict[str, pl.DataFrame]:
    """Return what is true of a block's vehicles, belts and readings."""
    return {
        "vehicles": _vehicles(world, numbering),
        "belts": _belts(world, history.belts, records, numbering),
        "readings": _readings(history.visits, records),
    }


def _vehicles(world: World, numbering: Numbering) -> pl.DataFrame:
    vehicles, number = world.vehicles, np.arange(world.vehicles.model.size)
    return pl.DataFrame(
        {
            "vehicle_id": vehicle_ids(numbering.vehicles + number),
            "daily_mi": vehicles.daily_mi,
            "frailty": vehicles.frailty,
            "last_date": dates(numbering.start, vehicles.last_day),
            "last_odometer_mi": vehicles.odometer(number, vehicles.last_day),
        }
    )


def band_codes(basis_x: FloatArray, drive: IntArray, basis: IntArray) -> IntArray:
    """Code the contract's bands of a true log tension at install; -1 is unknown."""
    state = np.where(basis == 1, NEW, USED)
    low, high = LOW[drive, state], HIGH[drive, state]
    edges = [low + np.log(0.85), low, high, high + np.log(1.15)]
    above = [basis_x >= edges[0], basis_x >= edges[1]]
    above += [basis_x > edges[2], basis_x > edges[3]]
    return np.where(basis > 0, np.sum(above, axis=0), -1)


def _belts(
    world: World, belts: Columns, records: BlockRecords, numbering: Numbering
) -> pl.DataFrame:
    """List each belt seen in the records; no install_service_id: not fitted there.

    ``expected_*`` are the mean counts over ``miles`` before any frailty.
    """
    place, service = belts["place"], np.append(records.service, -1)  # row -1: none
    drive, basis = world.places.drive[place], belts["basis"]
    expected = belts["expected"]
    kinds = (*NOISES, "bearing", "other_fault")
    is_new = world.vehicles.in_service[world.places.vehicle[place]] >= 0.0
    frame = pl.DataFrame(
        {
            "vehicle_id": vehicle_ids(numbering.vehicles + world.places.vehicle[place]),
            "drive_id": words([d.drive_id for d in DRIVES], drive),
            "model": words([m.name for m in MODELS], world.places.model[place]),
            "number": belts["number"],
            "install_service_id": service_ids(service[belts["install_row"]]),
            "end_service_id": service_ids(service[belts["end_row"]]),
            "is_age_known": (belts["number"] > 0) | is_new,
            "install_odometer_mi": belts["install_mi"],
            "miles": belts["end_mi"] - np.floor(belts["seen_from_mi"]),
            "drift_slope": belts["slope"],
            "run_in_loss_log": belts["run_in_loss"],
            "is_breaking": belts["is_breaking"],
            "life_mi": belts["life_mi"],
            "log_time_ratio": belts["log_time_ratio"],
            "basis": words(BASES, basis),
            "install_tension_n": pl.Series(np.exp(belts["basis_x"]), nan_to_null=True),
            "slack_log": belts["slack"],
            "excess_log": belts["excess"],
            "band": words(BANDS, band_codes(belts["basis_x"], drive, basis)),
            "frailty": belts["frailty"],
            "end_state": words(END_STATES, belts["end_state"]),
            "end_date": dates(numbering.start, belts["end_day"]),
            "end_odometer_mi": belts["end_mi"],
            "end_tension_n": np.exp(belts["end_x"]),
            **{f"expected_{kind}": expected[:, k] for k, kind in enumerate(kinds)},
        }
    )
    return frame.sort("vehicle_id", "drive_id", "number")


def _readings(visits: Columns, records: BlockRecords) -> pl.DataFrame:
    """List each reading that was written down, found before left.

    ``log_ratio`` is the gauge's true ratio on that span, known or not to the records.
    ``belt_state`` is that of the range that applies: new for an install's left.
    """
    parts = []
    for phase in ("found", "left"):
        is_read = ~np.isnan(visits[f"y_{phase}"]) & (records.service >= 0)
        action = visits["action"][is_read]
        is_new = (action == INSTALL) & (phase == "left")
        parts.append(
            pl.DataFrame(
                {
                    "service_id": service_ids(records.service[is_read]),
                    "phase": pl.Series([phase]).new_from_index(0, action.size),
                    "true_tension_n": np.exp(visits[f"x_{phase}"][is_read]),
                    "belt_state": words(STATES, np.where(is_new, NEW, USED)),
                    "log_ratio": visits["rho"][is_read],
                }
            )
        )
    return pl.concat(parts).sort("service_id", "phase")
