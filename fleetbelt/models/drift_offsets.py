"""What gauges without a calibration show too much, by the belts they share."""

from typing import Final

import numpy as np
import polars as pl

from fleetbelt.models.arrays import FloatArray, IntArray
from fleetbelt.models.drift import DriftFit
from fleetbelt.models.drift_filter import (
    DRIFT,
    LEVEL,
    RUN_IN,
    BeltSums,
)
from fleetbelt.models.drift_likelihood import Pooled
from fleetbelt.models.drift_readings import (
    blocks_of_belts,
    copies_of_belts,
    rows_of_belts,
)
from fleetbelt.models.drift_runs import Runs

LEAST_BELTS: Final = 20  # that a cell read: a few would be told by their own readings
LEAST_GAIN: Final = 0.5  # of the assumed sd; a cell that gains less stays as it is

OFFSETS: Final = pl.Schema(
    {
        "cell_no": pl.Int64(),
        "n_belts": pl.Int64(),  # belts read in it
        "assumed_sd": pl.Float64(),  # of its log correction, before; the greatest
        "offset": pl.Float64(),  # log of shown over true, less the correction in use
        "offset_sd": pl.Float64(),
        "is_used": pl.Boolean(),  # told well enough to put its readings right
    }
)


def cell_offsets(
    readings: pl.DataFrame, cell_no: pl.Series, fit: DriftFit
) -> pl.DataFrame:
    """Estimate what each cell of readings with an assumed correction shows too much.

    Parameters
    ----------
    readings : polars.DataFrame
        What the model was fitted to, as `checked_readings` returns them.
    cell_no : polars.Series, int, shape (n_rows,)
        Cell of each row whose correction errs alike throughout the cell (one gauge at
        one span); null elsewhere.
    fit : DriftFit
        The fit; its coefficients and spreads are held.

    Returns
    -------
    polars.DataFrame
        One row per cell, to `OFFSETS`.

    Notes
    -----
    A belt that was read by a gauge whose correction is known, before or after, tells
    what another gauge showed too much. The offset of a cell is one more coefficient of
    the model, with a normal prior of the sd that its correction was assumed to have;
    its own readings then err by r alone, those of other cells as assumed. The estimate
    is the best linear unbiased predictor [1]_ given the other coefficients.

    References
    ----------
    .. [1] Robinson, G. K. (1991), *Statist. Sci.* 6, 15-32.
    """
    frame = readings.with_columns(cell_no=cell_no)
    cells = (
        frame.drop_nulls("cell_no")
        .group_by("cell_no")
        .agg(
            n_belts=pl.col("belt_no").n_unique(),
            assumed_sd=pl.col("u_apart").max(),
        )
        .filter(pl.col("assumed_sd") > 0)
        .sort("cell_no")
    )
    n_cells = int(cells["cell_no"].to_numpy().max(initial=-1)) + 1
    information, score = np.zeros((2, n_cells))
    for block in blocks_of_belts(frame):
        told = _told_by(block, fit, n_cells)
        information += told[0]
        score += told[1]
    place = cells["cell_no"].to_numpy()
    var = 1.0 / (information[place] + 1.0 / cells["assumed_sd"].to_numpy() ** 2)
    gain = 1.0 - pl.col("offset_sd") / pl.col("assumed_sd")
    return (
        cells.with_columns(
            offset=pl.Series(var * score[place], dtype=pl.Float64),
            offset_sd=pl.Series(np.sqrt(var), dtype=pl.Float64),
        )
        .with_columns(is_used=(pl.col("n_belts") >= LEAST_BELTS) & (gain >= LEAST_GAIN))
        .select(pl.col(name).cast(kind) for name, kind in OFFSETS.items())
    )


def _told_by(
    block: pl.DataFrame, fit: DriftFit, n_cells: int
) -> tuple[FloatArray, FloatArray]:
    """Information and score of each cell's offset, from some belts."""
    _, n_rows = rows_of_belts(block["belt_no"].to_numpy())
    in_cell = np.flatnonzero(block["cell_no"].is_not_null())
    if not in_cell.size:
        return np.zeros(n_cells), np.zeros(n_cells)
    belt = np.repeat(np.arange(n_rows.size), n_rows)[in_cell]
    cell = block["cell_no"].to_numpy()[in_cell].astype(np.int64)
    of_cell, places = np.divmod(np.unique(cell * n_rows.size + belt), n_rows.size)
    copies = copies_of_belts(block, places)
    own_no = pl.Series(of_cell)[copies["belt_no"].to_numpy()]
    is_own = (copies["cell_no"] == own_no).fill_null(value=False)
    rows = copies.with_columns(u_apart=pl.when(is_own).then(0.0).otherwise("u_apart"))
    shows = is_own.to_numpy()
    runs = Runs.of(
        rows,
        clock=fit.clock,
        effects=fit.effects,
        shown=[(shows, shows)],
    )
    cross = _less_the_known(BeltSums.of(runs, fit.spreads).cross, fit, runs.model)
    pooled = Pooled.of(cross, fit.spreads.slope, of_cell, n_cells)
    return pooled.information[:, -1, -1], pooled.score[:, -1]


def _less_the_known(cross: FloatArray, fit: DriftFit, model: IntArray) -> FloatArray:
    """Take what drift and run-in loss explain off the innovations."""
    beta, lam = fit.theta[model].T
    cross = cross.copy()
    known = beta * cross[DRIFT] + lam * cross[RUN_IN]
    cross[LEVEL, DRIFT:] -= known[DRIFT:]
    cross[DRIFT:, LEVEL] = cross[LEVEL, DRIFT:]
    return cross


def put_right(
    readings: pl.DataFrame, cell_no: pl.Series, offsets: pl.DataFrame
) -> pl.DataFrame:
    """Take the offsets that are used off the readings of their cells.

    Parameters
    ----------
    readings : polars.DataFrame
        To `READINGS`, with whatever other columns.
    cell_no : polars.Series, int, shape (n_rows,)
        Cell of each row, or null.
    offsets : polars.DataFrame
        To `OFFSETS`.

    Returns
    -------
    polars.DataFrame
        The readings, put right and with the uncertainty that is left.
    """
    used = offsets.filter("is_used")
    if used.is_empty():
        return readings
    cell = cell_no.fill_null(-1).to_numpy()
    place = np.full(cell.max() + 2, -1, dtype=np.int32)  # the last of none
    place[used["cell_no"].to_numpy()] = np.arange(used.height)
    rows = np.flatnonzero((place >= 0)[cell])
    off, sd = (used[name].gather(place[cell[rows]]) for name in ("offset", "offset_sd"))
    shown = ("found_log", "left_log", "set_level")
    changes = {name: readings[name].gather(rows) - off for name in shown}
    changes["u_apart"] = sd
    return readings.with_columns(
        readings[name].clone().scatter(rows, values.cast(readings[name].dtype))
        for name, values in changes.items()
    )
