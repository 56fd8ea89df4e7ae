"""How many new belts of each kind will be needed, month by month."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from typing import Final

import numpy as np
import polars as pl
from scipy.special import ndtri

from fleetbelt.errors import InputError
from fleetbelt.models.arrays import FloatArray, IntArray
from fleetbelt.models.life import failure_probability

_EXACT_SD: Final = 10.0  # above it a count is taken as normal
_TAIL_SD: Final = 12.0  # no chance to speak of lies further out
_BLOCK: Final = 4096  # belts at a time

BELTS_IN_USE: Final = pl.Schema(
    {
        "drive_no": pl.Int64(),  # what the belts are counted by: a drive, a part
        "daily_mi": pl.Float64(),  # mi a day
        "age_mi": pl.Float64(),  # since fitting; null: not known
        "shape": pl.Float64(),  # Weibull life of its group; null: no fit
        "scale_mi": pl.Float64(),
        "planned_in_days": pl.Float64(),  # until a planned replacement; null: none
    }
)

PARTS: Final = pl.Schema(
    {
        "drive_no": pl.Int64(),
        "month": pl.Date(),  # its first day
        "planned": pl.Float64(),  # belts due to be replaced then, if they last
        "expected": pl.Float64(),  # belts needed, failures and planned together
        "lo": pl.Int64(),  # 95 % interval of the number
        "hi": pl.Int64(),
    }
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Count:
    """How many of some independent events will happen.

    Attributes
    ----------
    expected : float
        Mean number.
    lo, hi : int
        Limits of the number, both included.
    """

    expected: float
    lo: int
    hi: int


def poisson_binomial(p: FloatArray) -> tuple[int, FloatArray]:
    """Return the chances of each number of events, of which each has its own chance.

    Parameters
    ----------
    p : ndarray of float, shape (n_events,)
        Chances, 0 to 1.

    Returns
    -------
    tuple of int and ndarray of float
        The least number listed, and the chances of it and those that follow. What is
        not listed lies 12 standard deviations away.

    Notes
    -----
    The characteristic function ``Π (1 + p (e^{iω} - 1))`` at m frequencies, transformed
    back [1]_, gives the chances added up modulo m; with m wider than the bulk of the
    distribution that changes no digit.

    References
    ----------
    .. [1] Hong, Y. (2013), *Computational Statistics & Data Analysis* 59, 41-51.
    """
    mean, var = float(p.sum()), float((p * (1 - p)).sum())
    half = int(_TAIL_SD * np.sqrt(var)) + 20
    least = max(0, int(mean) - half)
    m = min(p.size, int(mean) + half) - least + 1
    turn = np.exp(-2j * np.pi * np.arange(m // 2 + 1) / m) - 1
    spectrum = np.ones(turn.size, dtype=complex)
    for start in range(0, p.size, _BLOCK):
        block = p[start : start + _BLOCK, None]
        spectrum *= np.prod(1 + block * turn, axis=0)
    chance = np.roll(np.fft.irfft(spectrum, m), -(least % m))
    return least, np.maximum(chance, 0.0)


def count_interval(p: FloatArray, *, confidence: float = 0.95) -> Count:
    """Return how many of some independent events will happen, with its interval.

    Parameters
    ----------
    p : ndarray of float, shape (n_events,)
        Chances, 0 to 1.
    confidence : float, default 0.95
        Least chance that the number lies within the limits.

    Returns
    -------
    Count
        Limits from the exact distribution where its standard deviation is at most 10,
        else from the normal with continuity correction.

    Raises
    ------
    InputError
        If a chance is not between 0 and 1.
    """
    if not np.all((p >= 0) & (p <= 1)):
        raise InputError(
            what="A chance lies outside 0 to 1, or is missing.",
            where="fleetbelt.models.plan_parts.count_interval",
            fix="pass chances of independent events.",
        )
    tail = (1 - confidence) / 2
    mean, sd = float(p.sum()), float(np.sqrt((p * (1 - p)).sum()))
    if sd > _EXACT_SD:
        half = float(-ndtri(tail)) * sd
        lo, hi = int(np.floor(mean - half + 0.5)), int(np.ceil(mean + half - 0.5))
        return Count(expected=mean, lo=max(lo, 0), hi=min(hi, p.size))
    least, chance = poisson_binomial(p)
    below, above = np.cumsum(chance), np.cumsum(chance[::-1])
    return Count(
        expected=mean,
        lo=least + int(np.argmax(below > tail)),
        hi=least + chance.size - 1 - int(np.argmax(above > tail)),
    )


def parts_needed(
    belts: pl.DataFrame,
    *,
    as_of: date,
    n_months: int = 6,
    confidence: float = 0.95,
    unions: Sequence[range] = (),
) -> pl.DataFrame:
    """Count the belts that failures and planned replacements will use up.

    Parameters
    ----------
    belts : polars.DataFrame
        One row per running belt, to `BELTS_IN_USE`.
    as_of : datetime.date
        The day on which 'now' stands; the first month is the rest of its month.
    n_months : int, default 6
        Months ahead.
    confidence : float, default 0.95
        Of the limits.
    unions : sequence of range
        Drives that are counted together as well, each a range of their numbers.

    Returns
    -------
    polars.DataFrame
        To `PARTS`, one row per drive and month; after them the unions, numbered on from
        the last drive.

    Raises
    ------
    InputError
        If a column is missing, or a drive or daily miles are.

    Notes
    -----
    A running belt is replaced once: where it fails, or as planned if it has not failed
    before. That a new belt fails within the same months is neglected, and so is what
    the fitted life itself is uncertain by. A belt without life or age fails never.
    """
    belts = _checked(belts)
    firsts, days = _months(as_of, n_months)
    counted = _slices(belts["drive_no"].to_numpy(), unions)
    planned_in = belts["planned_in_days"].fill_null(np.inf).to_numpy()
    gone = _used_up(belts, days[0])
    rows = []
    for first, begin, end in zip(firsts, days[:-1], days[1:], strict=True):
        before, gone = gone, _used_up(belts, end)
        used, due = gone - before, (planned_in >= begin) & (planned_in < end)
        for drive, of in counted:
            count = count_interval(used[of], confidence=confidence)
            planned = float(np.count_nonzero(due[of]))
            rows.append((drive, first, planned, count.expected, count.lo, count.hi))
    return pl.DataFrame(rows, PARTS, orient="row").sort("drive_no", "month")


def _slices(drive: IntArray, unions: Sequence[range]) -> list[tuple[int, slice]]:
    """Return the rows of each drive and, numbered on, of each union of drives."""
    if not drive.size:
        return []
    drives = np.unique(drive).tolist()
    after = drives[-1] + 1
    several = [*((no, range(no, no + 1)) for no in drives), *enumerate(unions, after)]
    return [
        (no, slice(*np.searchsorted(drive, [some.start, some.stop]).tolist()))
        for no, some in several
    ]


def _months(as_of: date, n_months: int) -> tuple[list[date], FloatArray]:
    """First days of the months, and days from now on which they begin and end."""
    numbers = range(as_of.month - 1, as_of.month + n_months)
    firsts = [date(as_of.year + m // 12, m % 12 + 1, 1) for m in numbers]
    days = np.array([(first - as_of).days for first in firsts], dtype=float)
    return firsts[:-1], np.maximum(days, 0.0)


def _used_up(belts: pl.DataFrame, day: float) -> FloatArray:
    """Chance that each belt is used up before a day."""
    daily, age, shape, scale, planned_in = (
        belts[name].fill_null(np.nan).to_numpy()
        for name in ("daily_mi", "age_mi", "shape", "scale_mi", "planned_in_days")
    )
    failed = failure_probability(age, daily * day, shape=shape, scale_mi=scale)
    return np.where(planned_in < day, 1.0, np.nan_to_num(failed))


def _checked(belts: pl.DataFrame) -> pl.DataFrame:
    missing = [name for name in BELTS_IN_USE if name not in belts.columns]
    if missing:
        raise _refusal(fault=f"lack columns: {', '.join(missing)}")
    belts = belts.select(pl.col(name).cast(t) for name, t in BELTS_IN_USE.items())
    if sum(belts.select("drive_no", "daily_mi").null_count().row(0)):
        raise _refusal(fault="lack a drive or daily miles")
    return belts.sort("drive_no", maintain_order=True)


def _refusal(*, fault: str) -> InputError:
    return InputError(
        what=f"The belts in use {fault}.",
        where="fleetbelt.models.plan_parts.BELTS_IN_USE",
        fix="pass one row per running belt to that schema.",
    )
