"""How many of a technician's settings should still be in range when read again."""

from collections.abc import Callable
from typing import Final

import numpy as np
import polars as pl
from numpy.polynomial.hermite_e import hermegauss
from scipy.special import ndtr

from fleetbelt.models.arrays import FloatArray
from fleetbelt.models.gauges import checked_frame

SETTINGS_READ_AGAIN: Final = pl.Schema(
    {
        "technician_id": pl.String(),
        "has_held": pl.Boolean(),  # found in range
        "miles": pl.Float64(),  # from the setting to the next reading, mi
        "left_log": pl.Float64(),  # log of the left tension, N
        "log_min": pl.Float64(),  # of the range, N
        "log_max": pl.Float64(),
        "left_var": pl.Float64(),  # of the left reading, in readings
        "found_var": pl.Float64(),
        "left_gauge": pl.String(),  # null: not recorded
        "found_gauge": pl.String(),
        "left_u": pl.Float64(),  # standard uncertainty of its correction, less what
        "found_u": pl.Float64(),  # the two readings have in common
        "drift": pl.Float64(),  # log tension lost per 1,000 mi
        "belt_sd": pl.Float64(),  # between belts, of that
    }
)
HOLDS: Final = pl.Schema(
    {
        "technician_id": pl.String(),
        "hold_n": pl.Int64(),  # settings read again
        "held": pl.Int64(),  # of them in range
        "expected": pl.Float64(),  # sum of their chances p
        "variance": pl.Float64(),  # sum of p (1 - p)
        "doubt": pl.Float64(),  # sd of `expected` by the gauges' corrections
    }
)
_NODES, _WEIGHTS = hermegauss(9)


def holds(settings: pl.DataFrame, *, reading_sd: float) -> pl.DataFrame:
    """Return what held of each technician's settings, and what was to be expected.

    Parameters
    ----------
    settings : polars.DataFrame
        One row per setting left in range and read again, to `SETTINGS_READ_AGAIN`.
    reading_sd : float
        Field sd r of one reading, log tension.

    Returns
    -------
    polars.DataFrame
        One row per technician, to `HOLDS`.

    Raises
    ------
    StoreError
        If the frame lacks a column or holds another type.

    Notes
    -----
    The next reading is normal about ``left - drift miles`` with the variance of both
    readings, of both corrections and of the belt's own drift; p is its chance to lie in
    the range. A gauge's correction errs alike in all readings taken with it, so that a
    technician's count varies by more than its chances say: ``doubt**2`` adds up, over
    the gauges he set with and those read with next, the variance of the expected count
    as the gauge's error varies (Gauss-Hermite, nine points).
    """
    frame = checked_frame(settings, SETTINGS_READ_AGAIN, "the settings read again")
    left, found, own = (
        frame[name].to_numpy() for name in ("left_u", "found_u", "miles")
    )
    own = frame["belt_sd"].to_numpy() * own / 1000
    readings = (frame["left_var"] + frame["found_var"]).to_numpy() * reading_sd**2
    variance = readings + own**2 + left**2 + found**2
    chance = _chance(frame)
    p = pl.Series("p", chance(0.0 * own, variance), dtype=pl.Float64)
    by = (
        frame.with_columns(p)
        .group_by("technician_id")
        .agg(
            pl.len().cast(pl.Int64).alias("hold_n"),
            held=pl.col("has_held").sum().cast(pl.Int64),
            expected=_sum(pl.col("p")),
            variance=_sum(pl.col("p") * (1 - pl.col("p"))),
        )
        .sort("technician_id")
    )
    doubts = pl.concat(
        _doubt(
            frame.select("technician_id", gauge=gauge),
            [chance(z * u, variance - u**2) for z in _NODES],
        )
        for gauge, u in (("left_gauge", left), ("found_gauge", found))
    )
    together = doubts.group_by("technician_id").agg(doubt=_sum(pl.col("square")).sqrt())
    return by.join(
        together, on="technician_id", how="left", maintain_order="left"
    ).cast(HOLDS)


def _chance(frame: pl.DataFrame) -> Callable[[FloatArray, FloatArray], FloatArray]:
    """Return what gives the chance that the next reading is in range.

    It takes the shift by which all corrections are off, and the variance.
    """
    thousands = frame["miles"].to_numpy() / 1000
    mean = frame["left_log"].to_numpy() - frame["drift"].to_numpy() * thousands
    low, high = frame["log_min"].to_numpy() - mean, frame["log_max"].to_numpy() - mean

    def chance(shift: FloatArray, variance: FloatArray) -> FloatArray:
        sd = np.sqrt(np.maximum(variance, 1e-12))
        return np.asarray(ndtr((high - shift) / sd) - ndtr((low - shift) / sd))

    return chance


def _doubt(of: pl.DataFrame, chances: list[FloatArray]) -> pl.DataFrame:
    """Variance of each technician's expected count by each gauge's error."""
    names = [f"at_{k}" for k in range(len(chances))]
    sums = (
        of.with_columns(
            pl.Series(name, p, dtype=pl.Float64)
            for name, p in zip(names, chances, strict=True)
        )
        .group_by("technician_id", "gauge")
        .agg(_sum(pl.col(name)) for name in names)
    )
    at = sums.select(names).to_numpy()
    weight = _WEIGHTS / _WEIGHTS.sum()
    mean = at @ weight
    return sums.select(
        "technician_id",
        square=pl.Series((at - mean[:, None]) ** 2 @ weight, dtype=pl.Float64),
    )


def _sum(value: pl.Expr) -> pl.Expr:
    """Sum as whole numbers: the same in whatever order threads add."""
    return (value * 1e12).round().cast(pl.Int64).sum() / 1e12
