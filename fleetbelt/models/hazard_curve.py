"""Survival of belts from a hazard that is constant within cells of mileage.

The curve for the picture wherever lives are known only within intervals: it rests on
the likelihood of `weibull_likelihood`, running belts and late entries included, but on
no formula for the hazard.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np
from scipy.special import gammaincinv

from fleetbelt.models.arrays import BoolArray, FloatArray, IntArray, sum_by
from fleetbelt.models.estimates import two_sided_z
from fleetbelt.models.life_curve import (
    LifeCurve,
    at_risk_at,
    curve_of,
    log_log_limits,
)
from fleetbelt.models.lives import End, Lives

_MOST_ROUNDS = 3_000
_CLOSE_ENOUGH = 1e-9  # change of survival at which the EM ends
_FEWEST_EXPECTED = 1e-4  # a cell that expects fewer failures is taken to have none
FEW_FAILURES: Final = 3.0  # so far: below it the lower limit is an exact one
_BLOCK = 20_000  # pairs whose overlaps with the cells are held in memory at once


def hazard_curve(
    lives: Lives,
    *,
    width_mi: float = 5_000.0,
    broken_share: float | None = None,
    confidence: float = 0.95,
) -> LifeCurve:
    """Estimate survival by maximum likelihood under a piecewise-constant hazard.

    Parameters
    ----------
    lives : Lives
        Belts of one group.
    width_mi : float, default 5000
        Width of a cell; the last, half to one and a half as wide, ends at the
        largest observed mile.
    broken_share : float, optional
        Share of failures that break on the road, 0 to 1; default: that of ``lives``.
    confidence : float, default 0.95
        Of the limits at each mile.

    Returns
    -------
    LifeCurve
        A step at the end of every cell. With no belts or no miles, no steps.

    Notes
    -----
    EM: given the hazards λ, the expected failures N and miles at risk X of each cell,
    then λ = N/X. With g the gradient of the log-likelihood, λ g = N - λ X (Fisher's
    identity), so only N needs the distributions within the intervals. Limits are
    normal on log(-log S), from the observed information [1]_ of the cells that have
    failures; a cell without adds nothing to the variance. While fewer than
    `FEW_FAILURES` are expected so far these limits say little, and the lower one is
    that of the exact Poisson bound of the cumulative hazard [2]_, if it is higher.

    References
    ----------
    .. [1] Friedman, M. (1982), *Annals of Statistics* 10, 101-113.
    .. [2] Garwood, F. (1936), *Biometrika* 28, 437-442.
    """
    longest = float(lives.upper_mi.max(initial=0.0))
    if not lives.n or not longest:
        nothing = np.empty((0, 6))
        return curve_of(lives, "piecewise_hazard", nothing, "No miles are known.")
    n_cells = max(1, round(longest / width_mi))
    edges = np.append(width_mi * np.arange(n_cells), longest)
    p = lives.broken_share if broken_share is None else broken_share
    rows = _prepare(lives, edges / width_mi, p)
    hazard = _maximise(rows)
    is_active = hazard > 0
    reach = np.tril(np.ones((hazard.size, hazard.size))) * rows.widths
    cumulative = reach @ hazard
    covariance = np.linalg.pinv(_information(rows, hazard, is_active), hermitian=True)
    spread = reach[:, is_active]
    log_se = np.sqrt(np.maximum(((spread @ covariance) * spread).sum(axis=1), 0.0))
    survival = np.exp(-cumulative)
    lo, hi = log_log_limits(survival, log_se, z=two_sided_z(confidence))
    at_risk = at_risk_at(lives, edges[1:])
    lo = np.maximum(lo, _lower_limit(cumulative, at_risk, confidence))
    steps = np.column_stack([edges[1:], at_risk, survival, lo, hi, log_se * survival])
    reason = None if lives.failures else f"No failure is known (belts: {lives.n})."
    return curve_of(lives, "piecewise_hazard", steps, reason)


def _lower_limit(
    cumulative: FloatArray, at_risk: FloatArray, confidence: float
) -> FloatArray:
    """Return the lower limit of survival where few failures are expected, else 0."""
    expected = cumulative * at_risk
    has_few = (expected < FEW_FAILURES) & (at_risk > 0)
    most = gammaincinv(np.where(has_few, expected, 0.0) + 1.0, 0.5 + confidence / 2)
    bound = np.exp(-most / np.where(has_few, at_risk, 1.0))
    return np.where(has_few, bound, 0.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Rows:
    """Points (lower ends, upper ends of pairs, entries) placed in the cells.

    Miles are in cell widths; see `weibull_likelihood` for the terms of a pair.
    """

    edges: FloatArray  # (n_cells + 1,)
    widths: FloatArray  # (n_cells,)
    cell: IntArray  # (n_points,)
    into: FloatArray  # how far into its cell a point lies
    fixed: FloatArray  # what H of a point counts, before the pairs' share
    died: FloatArray  # (n_cells,) belts that broke there
    miles: float  # of all belts together
    lower: IntArray  # (n_pairs,) points
    upper: IntArray
    weight: FloatArray
    base: FloatArray
    s: FloatArray


def _prepare(lives: Lives, edges: FloatArray, broken_share: float) -> _Rows:
    w, unit = lives.weight, edges[-1] / lives.upper_mi.max()
    is_pair = (lives.end >= End.INTERVAL) & (lives.upper_mi > lives.lower_mi)
    is_late = lives.entry_mi > 0
    is_interval = lives.end[is_pair] == End.INTERVAL
    miles = unit * np.concatenate(
        [lives.lower_mi, lives.upper_mi[is_pair], lives.entry_mi[is_late]]
    )
    cell = np.clip(np.searchsorted(edges, miles) - 1, 0, edges.size - 2)
    is_exact = lives.end == End.EXACT
    lower = np.flatnonzero(is_pair)
    return _Rows(
        edges=edges,
        widths=np.diff(edges),
        cell=cell,
        into=miles - edges[cell],
        fixed=np.concatenate([-w, np.zeros(lower.size), w[is_late]]),
        died=sum_by(cell[: w.size][is_exact], w[is_exact], edges.size - 1),
        miles=unit * float(w @ lives.upper_mi),
        lower=lower,
        upper=w.size + np.arange(lower.size),
        weight=w[is_pair],
        base=np.where(is_interval, 0.0, 1.0),
        s=np.where(is_interval, -1.0, broken_share),
    )


def _maximise(rows: _Rows) -> FloatArray:
    """Run the EM; return the hazard per cell width, 0 in cells without failures."""
    failed = rows.died.sum() + rows.weight[rows.base == 0].sum()
    if not failed:
        return np.zeros(rows.widths.size)
    hazard = np.full(rows.widths.size, failed / rows.miles)
    expected, at_edge = rows.died, np.ones(rows.edges.size)
    for _ in range(_MOST_ROUNDS):
        at_point = _cumulative(rows, hazard)
        survival = np.exp(-at_point)
        inside, slope, _ = _pair_terms(rows, at_point)
        coefficient = rows.fixed.copy()
        coefficient[rows.upper] += slope
        coefficient[rows.lower] -= slope
        lean = _spread_over(rows, coefficient, rows.into, rows.widths)
        # failures that a pair expects: q times the mass of its part of each cell
        q = rows.weight * (rows.base - rows.s) / (survival[rows.lower] * inside)
        mass = np.zeros(rows.cell.size)
        mass[rows.upper], mass[rows.lower] = q, -q
        was, at_edge = at_edge, np.exp(-np.append(0.0, np.cumsum(hazard * rows.widths)))
        if np.abs(at_edge - was).max() < _CLOSE_ENOUGH:
            break
        below = at_edge[rows.cell] - survival
        expected = rows.died + _spread_over(rows, mass, below, -np.diff(at_edge))
        exposed = expected - rows.died - hazard * lean  # λ X, as λ g = died + λ lean
        hazard = np.divide(
            hazard * expected, exposed, out=np.zeros(hazard.size), where=exposed > 0
        )
    return np.where(expected < _FEWEST_EXPECTED, 0.0, hazard)


def _information(rows: _Rows, hazard: FloatArray, is_active: BoolArray) -> FloatArray:
    """Observed information of the hazards of the cells that have failures."""
    *_, bend = _pair_terms(rows, _cumulative(rows, hazard))
    start, width = rows.edges[:-1][is_active], rows.widths[is_active]
    miles = rows.edges[rows.cell] + rows.into
    information = np.diag(rows.died[is_active] / hazard[is_active] ** 2)
    for block in np.array_split(np.arange(bend.size), bend.size // _BLOCK + 1):
        upper, lower = (miles[x[block], None] for x in (rows.upper, rows.lower))
        overlap = np.clip(upper - start, 0, width) - np.clip(lower - start, 0, width)
        information -= (overlap * bend[block, None]).T @ overlap
    return information


def _cumulative(rows: _Rows, hazard: FloatArray) -> FloatArray:
    """H at every point."""
    at_edge = np.concatenate([[0.0], np.cumsum(hazard * rows.widths)])
    return np.asarray(at_edge[rows.cell] + hazard[rows.cell] * rows.into)


def _pair_terms(
    rows: _Rows, at_point: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return a pair's chance over S(lower); w times the slope and bend of its log."""
    d = np.maximum(at_point[rows.upper] - at_point[rows.lower], 1e-100)
    inside = rows.base + rows.s * np.expm1(-d)
    slope = -rows.weight * rows.s * np.exp(-d) / inside
    return inside, slope, (rows.s - rows.base) * slope / inside


def _spread_over(
    rows: _Rows, value: FloatArray, partial: FloatArray, full: FloatArray
) -> FloatArray:
    """Sum each point's value over the cells up to it: whole cells and its own part."""
    n = full.size
    beyond = np.cumsum(sum_by(rows.cell, value, n)[::-1])[::-1]
    beyond = np.append(beyond[1:], 0.0)
    return np.asarray(full * beyond + sum_by(rows.cell, value * partial, n))
