"""Survival of belts from a hazard that is constant within cells of mileage.

The curve for the picture wherever lives are known only within intervals: it rests on
the likelihood of `weibull_likelihood`, running belts and late entries included, but on
no formula for the hazard.
"""

from dataclasses import dataclass

import numpy as np
from scipy.special import gammaincinv

from fleetbelt.models.arrays import BoolArray, FloatArray, IntArray, sum_by
from fleetbelt.models.life_curve import LifeCurve, at_risk_at, curve_of
from fleetbelt.models.lives import End, Lives

_MOST_ROUNDS = 1_000
_CLOSE_ENOUGH = 1e-9  # change of survival in one step at which the EM ends
_LEAST_HAZARD = 1e-30  # per cell width: none
_FARTHEST = 3.0  # leap of a log hazard
_FEWEST_EXPECTED = 1e-4  # a cell that expects fewer failures is taken to have none
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
    identity), so only N needs the distributions within the intervals. The cumulative
    hazard is a sum of counts over belts at risk; its variance is from the observed
    information [1]_ of the cells that have failures, and its limits are gamma [2]_:
    exact for one cell, and not [1, 1] where nothing has failed yet. Limits that are
    normal on log(-log S) hold the truth in 0.1 to 0.9 of fleets there.

    References
    ----------
    .. [1] Friedman, M. (1982), *Annals of Statistics* 10, 101-113.
    .. [2] Fay, M. P. and Feuer, E. J. (1997), *Statistics in Medicine* 16, 791-801.
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
    at_risk = at_risk_at(lives, edges[1:])
    lo, hi = _gamma_limits(cumulative, log_se**2, at_risk, confidence)
    steps = np.column_stack([edges[1:], at_risk, survival, lo, hi, log_se * survival])
    reason = None if lives.failures else f"No failure is known (belts: {lives.n})."
    return curve_of(lives, "piecewise_hazard", steps, reason)


def _gamma_limits(
    cumulative: FloatArray, variance: FloatArray, at_risk: FloatArray, confidence: float
) -> tuple[FloatArray, FloatArray]:
    """Return limits of survival, of a cumulative hazard as a weighted sum of counts."""
    tail = (1 - confidence) / 2
    weight = 1.0 / np.minimum.accumulate(np.maximum(at_risk, 1.0))
    has_failed = (cumulative > 0) & (variance > 0)
    variance = np.minimum(variance, cumulative**2)  # at least one failure is known
    h, v = (np.where(has_failed, x, 1.0) for x in (cumulative, variance))
    least = np.where(has_failed, v / h * gammaincinv(h**2 / v, tail), 0.0)
    h, v = cumulative + weight, variance + weight**2
    most = v / h * gammaincinv(h**2 / v, 1 - tail)
    return np.exp(-most), np.exp(-least)


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
    """Run the EM, accelerated; return the hazard, 0 in cells without failures.

    Three EM steps make one round: two give a direction and its bend, the squared
    extrapolation along them [1]_ is taken where it does not lose likelihood, and one
    more step tidies it.

    References
    ----------
    .. [1] Varadhan, R. and Roland, C. (2008), *Scandinavian Journal of Statistics* 35,
       335-353, scheme S3.
    """
    failed = rows.died.sum() + rows.weight[rows.base == 0].sum()
    if not failed:
        return np.zeros(rows.widths.size)
    hazard = np.full(rows.widths.size, failed / rows.miles)
    expected, value = rows.died, -np.inf
    for _ in range(_MOST_ROUNDS):
        first, value_here, _ = _em_step(rows, hazard)
        second, _, expected = _em_step(rows, first)
        if _change(rows, first, second) < _CLOSE_ENOUGH:
            hazard = second
            break
        leap = _extrapolated(hazard, first, second)
        beyond, value, among = _em_step(rows, leap)
        is_better = value >= value_here - 1e-9 * abs(value_here)
        hazard, expected = (beyond, among) if is_better else (second, expected)
    return np.where(expected < _FEWEST_EXPECTED, 0.0, hazard)


def _em_step(rows: _Rows, hazard: FloatArray) -> tuple[FloatArray, float, FloatArray]:
    """Return the next hazard, the log-likelihood of this, and failures expected."""
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
    at_edge = _at_edges(rows, hazard)
    below = at_edge[rows.cell] - survival
    expected = rows.died + _spread_over(rows, mass, below, -np.diff(at_edge))
    exposed = expected - rows.died - hazard * lean  # λ X, as λ g = died + λ lean
    following = np.divide(
        hazard * expected, exposed, out=np.zeros(hazard.size), where=exposed > 0
    )
    value = rows.fixed @ at_point + rows.weight @ np.log(inside)
    value += rows.died @ np.log(np.maximum(hazard, _LEAST_HAZARD))
    return following, float(value), expected


def _extrapolated(
    hazard: FloatArray, first: FloatArray, second: FloatArray
) -> FloatArray:
    """Leap along two EM steps on the logarithm; a hazard of 0 stays 0."""
    is_some = second > _LEAST_HAZARD
    x, y, z = (np.log(h[is_some]) for h in (hazard, first, second))
    step, bend = y - x, z - 2 * y + x
    length = max(1.0, float(np.sqrt(step @ step / max(bend @ bend, 1e-300))))
    leap = x + 2 * length * step + length**2 * bend
    following = np.zeros(hazard.size)
    following[is_some] = np.exp(np.clip(leap, z - _FARTHEST, z + _FARTHEST))
    return following


def _change(rows: _Rows, hazard: FloatArray, following: FloatArray) -> float:
    return float(np.abs(_at_edges(rows, hazard) - _at_edges(rows, following)).max())


def _at_edges(rows: _Rows, hazard: FloatArray) -> FloatArray:
    """Survival at the edges of the cells."""
    return np.asarray(np.exp(-np.append(0.0, np.cumsum(hazard * rows.widths))))


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
