"""The readings of belts as the drift model takes them: narrow, numbered, in order."""

from typing import Final

import numpy as np
import polars as pl

from fleetbelt.models.drift_readings import checked_readings, rows_of_belts
from fleetbelt.store.frames import Read

GAUGES: Final = (
    "(select gauge_id, cast(row_number() over (order by gauge_id) - 1 as integer)"
    " as gauge_no from (select distinct gauge_id from history.gauge_uses"
    " where gauge_id is not null) as known)"
)
GAUGE_NAMES: Final = f"(select gauge_id from {GAUGES} order by gauge_no)"  # noqa: S608 -- our own names
WAY: Final = (
    "(select visit_key, belt_key, cast(visit_no as integer) as visit_no, odometer_mi,"
    " is_before_run_in, is_refit, resets, is_hot from history.drift_readings)"
)
TENSIONS: Final = (
    "(select visit_key, cast(found_log as float) as found_log,"  # noqa: S608 -- our own names
    " cast(left_log as float) as left_log,"
    " cast(least(n_averaged, 32767) as smallint) as n, gauge_no,"
    " cast(cell_mm as float) as cell_mm"
    f" from history.drift_readings left join {GAUGES} as gauges using (gauge_id))"
)
DOUBTS: Final = (
    "(select visit_key, cast(u_corr as float) as u_corr,"
    " cast(u_apart as float) as u_apart, cast(set_level as float) as set_level,"
    " is_frequency"
    " from history.drift_readings)"
)
BELTS: Final = (
    "(select cast(model_no as integer) as model_no, cast(duty_no as tinyint) as duty_no"
    " from history.drift_belts order by belt_no)"
)
_CELL_MM: Final = 2**20  # more than any span


def numbered_readings(
    read: Read, u_mass: float
) -> tuple[pl.DataFrame, pl.Series, pl.Series]:
    """Read what the drift model is fitted to; and the names of gauges and cells.

    As `checked_readings` returns them, with ``gauge_no`` and ``cell_no``: places in
    those names. A cell is a gauge at a span, whose readings share a correction.
    ``u_mass`` is the relative uncertainty of the mass of a belt read by frequency.

    A few columns at a time are read, put in order and given up, so that never more than
    a part of the visits is there twice.
    """
    way = _from_row_to_row(_in_order(read(WAY)), read(BELTS))
    tensions, gauges = _in_order(read(TENSIONS)), read(GAUGE_NAMES)["gauge_id"]
    cell_no, cells = _cells(tensions, gauges)
    n = {f"{phase}_n": tensions["n"] for phase in ("found", "left")}
    doubts = _one_mass_a_belt(_in_order(read(DOUBTS)), way, tensions, u_mass)
    whole = pl.concat([way, tensions, doubts], how="horizontal").with_columns(**n)
    readings = checked_readings(whole).with_columns(tensions["gauge_no"], cell_no)
    return readings, gauges, cells


def _in_order(visits: pl.DataFrame) -> pl.DataFrame:
    """Put visits in the order of their keys: belt by belt, and along each."""
    visits = visits.rechunk()  # picked from many pieces it takes twice as long
    keys = visits.drop_in_place("visit_key")
    order = np.argsort(keys.to_numpy()).astype(np.uint32)
    del keys
    return visits[order]


def _from_row_to_row(visits: pl.DataFrame, belts: pl.DataFrame) -> pl.DataFrame:
    """Say what lies between each of a belt's visits and the one before it."""
    belt_key, odometer_mi, is_before_run_in, is_refit = (
        visits[name].to_numpy()
        for name in ("belt_key", "odometer_mi", "is_before_run_in", "is_refit")
    )
    first, n_visits = rows_of_belts(belt_key)
    miles = np.maximum(np.diff(odometer_mi, prepend=0.0), 0.0).astype(np.float32)
    crosses_run_in = np.diff(is_before_run_in, prepend=False) & ~is_before_run_in
    miles[first], crosses_run_in[first] = 0.0, False
    refits = np.cumsum(is_refit, dtype=np.int32)
    refits_before = np.repeat((refits - is_refit)[first], n_visits)
    belt_no = np.repeat(np.arange(belts.height, dtype=np.int32), n_visits)
    return visits.select("visit_no", "resets", "is_hot").with_columns(
        pl.Series("belt_no", belt_no),
        *(pl.Series(each.name, np.repeat(each.to_numpy(), n_visits)) for each in belts),
        miles=pl.Series(miles),
        crosses_run_in=pl.Series(crosses_run_in),
        refitted=pl.Series(refits > refits_before),
    )


def _one_mass_a_belt(
    doubts: pl.DataFrame, way: pl.DataFrame, tensions: pl.DataFrame, u_mass: float
) -> pl.DataFrame:
    """Let the mass err alike along a belt that was never read but by frequency.

    Beside readings of another kind it errs apart from them.
    """
    by_frequency = doubts.drop_in_place("is_frequency").to_numpy()
    if not by_frequency.any():
        return doubts
    has_found, has_left = (
        tensions[f"{phase}_log"].is_not_null().to_numpy() for phase in ("found", "left")
    )
    belt_no = way["belt_no"].to_numpy()
    has_other = np.bincount(belt_no, (has_found | has_left) & ~by_frequency) > 0
    rows = np.flatnonzero(by_frequency & ~has_other[belt_no])
    u_apart, u_corr = (doubts[name].to_numpy().copy() for name in ("u_apart", "u_corr"))
    u_apart[rows] = np.sqrt(np.maximum(u_apart[rows] ** 2 - u_mass**2, 0.0))
    u_corr[rows] = u_mass
    return doubts.with_columns(u_apart=pl.Series(u_apart), u_corr=pl.Series(u_corr))


def _cells(origins: pl.DataFrame, gauges: pl.Series) -> tuple[pl.Series, pl.Series]:
    """Count the spans at which a gauge's correction errs alike; and name them."""
    cell_no = np.full(origins.height, -1, dtype=np.int32)
    in_cell = np.flatnonzero(origins["cell_mm"].is_not_null())
    gauge_no, cell_mm = (
        origins[name].to_numpy()[in_cell].astype(np.int64)
        for name in ("gauge_no", "cell_mm")
    )
    known, cell_no[in_cell] = np.unique(
        gauge_no * _CELL_MM + np.minimum(cell_mm, _CELL_MM - 1), return_inverse=True
    )
    of_gauge, mm = np.divmod(known, _CELL_MM)
    names = pl.DataFrame({"gauge": gauges[of_gauge], "mm": mm})
    numbers = pl.Series("cell_no", cell_no)
    return (
        pl.select(pl.when(numbers >= 0).then(numbers)).to_series(),
        names.select(pl.format("{} at {} mm", "gauge", "mm")).to_series(),
    )
