"""Cells of a regression: combinations of what belts had, and designs over them."""

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt
import polars as pl

from fleetbelt.models.arrays import FloatArray, IntArray, sum_by
from fleetbelt.models.design import Predictor, natural_spline

KNOTS = (-0.5, 0.0, 0.5, 1.0, 1.5)  # of the place in the range: 0 minimum, 1 maximum
FEW_KNOTS = (-0.5, 0.5, 1.5)  # where belts were left at few different places
_MANY_PLACES = 8
EVENTS_A_COLUMN = 5  # fewer, and neither ratios nor tests are to be trusted
MIDDLE = 0.5
FARTHEST = 25.0  # widths of the range; a record farther off is no belt
STEP = 0.05  # to which the place in the range is rounded
_DRAWN = (0.02, 0.98)  # quantiles of the places between which a curve is drawn
Levels = tuple[list[str], FloatArray]
"""Levels of a term, the one compared to first, and a column for each other."""


def cells_of(
    belts: pl.DataFrame, by: Sequence[str], weight: npt.ArrayLike = 1
) -> tuple[pl.DataFrame, IntArray]:
    """Return the combinations that occur, with their belts n, and which each row is.

    Parameters
    ----------
    belts : DataFrame
        What belts had; no nulls.
    by : sequence of str
        Its columns to combine.
    weight : array_like of int, shape (n_rows,) or a number
        Belts that a row stands for.

    Returns
    -------
    tuple of DataFrame and ndarray of int, shape (n_rows,)
        Sorted by ``by``, in that order.
    """
    levels = [belts[name].unique().sort() for name in by]
    shape = tuple(max(level.len(), 1) for level in levels)
    numbers = tuple(
        belts[name].replace_strict(level, range(level.len())).to_numpy().astype(int)
        for name, level in zip(by, levels, strict=True)
    )
    combination = np.ravel_multi_index(numbers, shape)
    weights = np.broadcast_to(np.asarray(weight, dtype=float), combination.shape)
    n = sum_by(combination, weights, int(np.prod(shape)))
    occurs = n > 0
    places = np.unravel_index(np.flatnonzero(occurs), shape)
    cells = pl.DataFrame(
        {
            name: level.gather(place)
            for name, level, place in zip(by, levels, places, strict=True)
        }
    ).with_columns(n=pl.Series(n[occurs], dtype=pl.Int64))
    return cells, (np.cumsum(occurs) - 1)[combination]


def indicators(cells: pl.DataFrame, term: str) -> Levels:
    """Return a term's levels, in_spec or the commonest known first, with columns."""
    sizes = cells.group_by(term).agg(pl.col("n").sum())
    first = (pl.col(term) == "in_spec", pl.col(term) != "unknown", pl.col("n"))
    levels = sizes.sort(*first, term, descending=[*[True] * 3, False])[term].to_list()
    of = cells[term].to_numpy()
    columns = [of == level for level in levels[1:]]
    return levels, np.array(columns, dtype=float).reshape(len(columns), cells.height).T


def constant(cells: pl.DataFrame) -> FloatArray:
    """Return the first column of every design."""
    return np.ones((cells.height, 1))


def affordable(
    cells: pl.DataFrame, terms: Sequence[str], events: float, *, columns: int = 1
) -> list[str]:
    """Return the terms, in this order, for which there are events enough.

    Parameters
    ----------
    cells : DataFrame
        Of all terms.
    terms : sequence of str
        The most wanted first.
    events : float
        Failures or complaints.
    columns : int, default 1
        Of the design before these terms.

    Returns
    -------
    list of str
        A term whose columns would leave fewer than `EVENTS_A_COLUMN` events for each is
        left out; a smaller one after it may still be in.

    References
    ----------
    .. [1] Vittinghoff, E. and McCulloch, C. E. (2007), *American Journal of
       Epidemiology* 165, 710-718: five to nine events a variable do.
    """
    chosen = []
    for term in terms:
        more = max(cells[term].n_unique() - 1, 0)
        if (columns + more) * EVENTS_A_COLUMN <= events:
            chosen.append(term)
            columns += more
    return chosen


def knots_for(cells: pl.DataFrame) -> tuple[float, ...]:
    """Return the knots of a spline through the places at which belts were left."""
    return KNOTS if cells["relative"].n_unique() >= _MANY_PLACES else FEW_KNOTS


def placed(belts: pl.DataFrame) -> pl.DataFrame:
    """Keep belts of known place in the range, rounded; far out ones are drawn in."""
    place = pl.col("relative").clip(KNOTS[0] - 0.5, KNOTS[-1] + 0.5)
    return belts.filter(pl.col("relative").is_not_null()).with_columns(
        relative=(place / STEP).round() * STEP
    )


def dose_design(
    cells: pl.DataFrame, others: Sequence[str], knots: tuple[float, ...]
) -> FloatArray:
    """Spline of the place in the range first, so that its columns are found again."""
    spline = natural_spline(cells["relative"].to_numpy(), knots)
    rest = [indicators(cells, term)[1] for term in others]
    return np.hstack([constant(cells), spline, *rest])


def dose_rows(
    predictor: Predictor | None,
    cells: pl.DataFrame,
    n_columns: int,
    knots: tuple[float, ...],
    ratio: str,
) -> list[dict[str, object]]:
    """Give ratios to the middle of the range, where belts are; none where not fitted.

    Parameters
    ----------
    predictor : Predictor or None
        Of a fit to `dose_design`.
    cells : DataFrame
        With ``relative`` and ``n``, that it was fitted to.
    n_columns : int
        Of the design.
    knots : tuple of float
        Of its spline.
    ratio : str
        Name of the column for the ratio.

    Returns
    -------
    list of dict
        A row a place in the range, `STEP` apart.
    """
    if predictor is None or cells.is_empty():
        return []
    first, last = (min(max(_quantile(cells, q), -FARTHEST), FARTHEST) for q in _DRAWN)
    if not first <= MIDDLE <= last:  # nothing there to compare to
        return []
    places = np.round(np.arange(first, last + STEP / 2, STEP), 2)
    spline = natural_spline(np.append(places, MIDDLE), knots)
    if not np.isin(1 + np.arange(spline.shape[1]), predictor.fitted.columns).all():
        return []
    rows = np.zeros((places.size + 1, n_columns))
    rows[:, 0], rows[:, 1 : 1 + spline.shape[1]] = 1.0, spline
    found = predictor.contrast(rows[:-1], rows[-1])
    if not np.isfinite(found[2]).all():
        return []
    names = ("relative", ratio, "ratio_lo", "ratio_hi")
    columns = [places, *found]
    return [
        dict(zip(names, row, strict=True))
        for row in zip(*(x.tolist() for x in columns), strict=True)
    ]


def _quantile(cells: pl.DataFrame, q: float) -> float:
    """Return the place of the belt nearest to a share of all, by their places."""
    sizes = cells.group_by("relative").agg(pl.col("n").sum()).sort("relative")
    up_to = sizes["n"].cum_sum().to_numpy()
    number = round(q * (int(up_to[-1]) - 1))
    return float(sizes["relative"][int(np.searchsorted(up_to, number, side="right"))])
