"""How many of a technician's settings should still be in range when read again."""

from typing import Final

import numpy as np
import polars as pl
from numpy.polynomial.hermite_e import hermegauss
from scipy.special import ndtr

from fleetbelt.models.arrays import FloatArray, IntArray, sum_by
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
_WHOLE = 1e9  # sums of so many chances each stay whole numbers up to nine million


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
    names = frame["technician_id"].unique().sort()
    technician = _number(frame["technician_id"], names)
    left, found, miles = (
        frame[name].to_numpy() for name in ("left_u", "found_u", "miles")
    )
    own = frame["belt_sd"].to_numpy() * miles / 1000
    readings = (frame["left_var"] + frame["found_var"]).to_numpy() * reading_sd**2
    variance = readings + own**2 + left**2 + found**2
    mean = (frame["left_log"] - frame["drift"] * frame["miles"] / 1000).to_numpy()
    low, high = (frame[name].to_numpy() - mean for name in ("log_min", "log_max"))
    sd = _sd(variance)
    p = _between(low / sd, high / sd)
    square = np.zeros(names.len())
    for gauge, u in (("left_gauge", left), ("found_gauge", found)):
        errs = np.flatnonzero(u)  # elsewhere a gauge's error makes no difference
        gauges = frame[gauge].unique()
        both = technician * gauges.len() + _number(frame[gauge], gauges)
        pairs, pair = np.unique(both[errs], return_inverse=True)
        rest = _sd(variance[errs] - u[errs] ** 2)
        scaled = (x[errs] / rest for x in (low, high, u))
        by_pair = _squared_doubt(pair, *scaled)
        square += sum_by(pairs // gauges.len(), by_pair, names.len())
    return pl.DataFrame(
        {
            "technician_id": names,
            "hold_n": np.bincount(technician, minlength=names.len()),
            "held": _sum(technician, frame["has_held"].to_numpy(), names.len()),
            "expected": _sum(technician, p, names.len()),
            "variance": _sum(technician, p * (1 - p), names.len()),
            "doubt": np.sqrt(square),
        }
    ).cast(HOLDS)


def _number(column: pl.Series, words: pl.Series) -> IntArray:
    """Return which of the words each is."""
    number = column.replace_strict(words, range(words.len()))
    return number.to_numpy().astype(np.int64)


def _sd(variance: FloatArray) -> FloatArray:
    return np.sqrt(np.maximum(variance, 1e-12))


def _between(low: FloatArray, high: FloatArray) -> FloatArray:
    """Return the chance of a standard normal to lie between."""
    return np.asarray(ndtr(high) - ndtr(low))


def _squared_doubt(
    pair: IntArray, low: FloatArray, high: FloatArray, u: FloatArray
) -> FloatArray:
    """Variance of the expected count of each technician and gauge by its error.

    All in standard deviations of what varies beside it.
    """
    n = int(pair.max(initial=-1)) + 1
    at = np.array([_sum(pair, _between(low - z * u, high - z * u), n) for z in _NODES])
    weight = _WEIGHTS / _WEIGHTS.sum()
    return np.asarray(weight @ (at - weight @ at) ** 2)


def _sum(group: IntArray, value: FloatArray, n_groups: int) -> FloatArray:
    """Sum as whole numbers: the same in whatever order the rows come."""
    return sum_by(group, np.rint(value * _WHOLE), n_groups) / _WHOLE
