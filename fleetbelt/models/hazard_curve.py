"""Survival of belts from a hazard that is constant within cells of mileage.

The curve for the picture wherever lives are known only within intervals: it rests on
the likelihood of `weibull_likelihood`, running belts and late entries included, but on
no formula for the hazard.
"""

from dataclasses import dataclass
from typing import Self

import numpy as np
from scipy.special import gammaincinv, xlogy

from fleetbelt.models.arrays import FloatArray, IntArray, sum_by
from fleetbelt.models.life_curve import LifeCurve, at_risk_at, curve_of
from fleetbelt.models.lives import End, Lives
from fleetbelt.models.newton import maximise

_FEWEST_EXPECTED = 1e-4  # a cell that expects fewer failures is taken to have none
_ENOUGH = 1e-6  # log-likelihood: hazards that tend to 0 end there
_LEAST_EXPOSED = 0.02  # belts known to have lived through a cell: see the notes


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
    Newton's method on the log hazards. H is linear in the hazards, so that all but the
    pairs of `weibull_likelihood` is in each cell's failures and miles, and a pair in
    the miles that it shares with each cell. Where all who are left are known to have
    failed between two visits, the likelihood grows with the hazard without end: a cell
    counts a fiftieth of a belt alive at least. The cumulative
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
    cells = _Cells.of(lives, edges / width_mi, p)
    hazard = _maximise(cells)
    is_active = hazard > 0
    reach = np.tril(np.ones((hazard.size, hazard.size))) * cells.widths
    cumulative = reach @ hazard
    information = cells.information(hazard)[np.ix_(is_active, is_active)]
    covariance = np.linalg.pinv(information, hermitian=True)
    spread = (reach * hazard)[:, is_active]
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
class _Shared:
    """Miles of pairs' intervals in the cells: a sparse matrix of rows without gaps."""

    n_pairs: int
    n_cells: int
    pair: IntArray  # (n_entries,), rising
    cell: IntArray  # each one more than the one before, within a pair
    miles: FloatArray
    products: tuple[tuple[IntArray, FloatArray], ...]  # entries k after another, k > 0

    @classmethod
    def of(cls, edges: FloatArray, lower: FloatArray, upper: FloatArray) -> Self:
        """Share out (lower, upper] of each pair."""
        first = np.searchsorted(edges, lower, side="right") - 1
        n_cells = _cell_of(edges, upper) - first + 1
        pair = np.repeat(np.arange(lower.size), n_cells)
        cell = np.arange(pair.size) - (np.cumsum(n_cells) - n_cells - first)[pair]
        miles = np.minimum(upper[pair], edges[cell + 1])
        miles -= np.maximum(lower[pair], edges[cell])
        products = []
        for k in range(1, int(n_cells.max(initial=1))):
            entry = np.flatnonzero(pair[k:] == pair[:-k])
            products.append((entry, miles[entry] * miles[entry + k]))
        return cls(
            n_pairs=lower.size,
            n_cells=edges.size - 1,
            pair=pair,
            cell=cell,
            miles=miles,
            products=tuple(products),
        )

    def by_pair(self, value: FloatArray) -> FloatArray:
        """Add up the cells' values times the miles of each pair in them."""
        return sum_by(self.pair, self.miles * value[self.cell], self.n_pairs)

    def by_cell(self, value: FloatArray) -> FloatArray:
        """Add up the pairs' values times their miles in each cell."""
        return sum_by(self.cell, self.miles * value[self.pair], self.n_cells)

    def squared(self, weight: FloatArray) -> FloatArray:
        """Add up each two cells' miles times each other, weighted by pair."""
        n, at = self.n_cells, np.arange(self.n_cells)
        above = np.zeros((n, n))
        for k, (entry, product) in enumerate(self.products, start=1):
            value = product * weight[self.pair[entry]]
            above[at[:-k], at[k:]] = sum_by(self.cell[entry], value, n)[: n - k]
        own = sum_by(self.cell, self.miles**2 * weight[self.pair], n)
        return above + above.T + np.diag(own)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Cells:
    """What the likelihood needs of the lives; miles are in cell widths.

    See `weibull_likelihood` for the terms of a pair.
    """

    widths: FloatArray  # (n_cells,)
    died: FloatArray  # (n_cells,) belts that broke there
    exposed: FloatArray  # (n_cells,) miles that belts are known to have lived there
    shared: _Shared  # miles of a pair's interval in each cell
    weight: FloatArray  # (n_pairs,)
    base: FloatArray
    s: FloatArray

    @classmethod
    def of(cls, lives: Lives, edges: FloatArray, broken_share: float) -> Self:
        unit, w = edges[-1] / lives.upper_mi.max(), lives.weight
        entry, lower, upper = (
            np.minimum(unit * miles, edges[-1])
            for miles in (lives.entry_mi, lives.lower_mi, lives.upper_mi)
        )
        is_exact = lives.end == End.EXACT
        is_pair = (lives.end >= End.INTERVAL) & (upper > lower)
        is_interval = lives.end[is_pair] == End.INTERVAL
        broke_in = _cell_of(edges, lower[is_exact])
        lived = _miles_in(edges, lower, w) - _miles_in(edges, entry, w)
        return cls(
            widths=np.diff(edges),
            died=sum_by(broke_in, w[is_exact], edges.size - 1),
            exposed=np.maximum(lived, _LEAST_EXPOSED * np.diff(edges)),
            shared=_Shared.of(edges, lower[is_pair], upper[is_pair]),
            weight=w[is_pair],
            base=np.where(is_interval, 0.0, 1.0),
            s=np.where(is_interval, -1.0, broken_share),
        )

    def log_likelihood(
        self, hazard: FloatArray
    ) -> tuple[float, FloatArray, FloatArray]:
        """Return it, with gradient and Hessian by the logarithms of the hazards.

        A hazard of 0, where nothing failed, adds nothing to any of them.
        """
        d = np.maximum(self.shared.by_pair(hazard), 1e-100)
        inside = self.base + self.s * np.expm1(-d)
        slope = -self.weight * self.s * np.exp(-d) / inside
        bend = (self.s - self.base) * slope / inside
        value = xlogy(self.died, hazard).sum() - (self.exposed * hazard).sum()
        value += (self.weight * np.log(inside)).sum()
        by_cell = self.shared.by_cell(slope) - self.exposed
        hessian = self.shared.squared(bend) * np.outer(hazard, hazard)
        return (
            float(value),
            self.died + hazard * by_cell,
            hessian + np.diag(hazard * by_cell),
        )

    def information(self, hazard: FloatArray) -> FloatArray:
        """Return the observed information of the logarithms of the hazards.

        The gradient, none at the maximum, is left out of it: where hazards stop short
        of that it could make a variance negative.
        """
        _, gradient, hessian = self.log_likelihood(hazard)
        return np.diag(gradient) - hessian

    def spread(self) -> FloatArray:
        """Failures of each cell, were those of an interval spread evenly over it."""
        of_intervals = np.where(self.base == 0, self.weight, 0.0)
        length = self.shared.by_pair(np.ones(self.died.size))
        return self.died + self.shared.by_cell(of_intervals / length)

    def at_most_exposed(self) -> FloatArray:
        """Miles in each cell, were every pair's belt alive to its upper end."""
        return self.exposed + self.shared.by_cell(self.weight)


def _maximise(cells: _Cells) -> FloatArray:
    """Return the hazard of each cell, 0 in cells without failures."""
    failed, exposed = cells.spread(), cells.at_most_exposed()
    is_active = failed > 0
    hazard = np.zeros(failed.size)
    if not is_active.any():
        return hazard

    def objective(theta: FloatArray) -> tuple[float, FloatArray, FloatArray]:
        hazard[is_active] = np.exp(theta)
        value, gradient, hessian = cells.log_likelihood(hazard)
        return value, gradient[is_active], hessian[np.ix_(is_active, is_active)]

    start = np.log(failed[is_active] / exposed[is_active])
    found = maximise(objective, start, enough=_ENOUGH)
    hazard[is_active] = np.exp(found.theta)
    hazard[hazard * exposed < _FEWEST_EXPECTED] = 0.0
    return hazard


def _cell_of(edges: FloatArray, miles: FloatArray) -> IntArray:
    """Return the cell that each mile is in; one on an edge is in the cell before it."""
    return np.clip(np.searchsorted(edges, miles) - 1, 0, edges.size - 2)


def _miles_in(edges: FloatArray, miles: FloatArray, weight: FloatArray) -> FloatArray:
    """Add up what runs from 0 to each mile have in each cell."""
    n, cell = edges.size - 1, _cell_of(edges, miles)
    farther = np.cumsum(sum_by(cell, weight, n)[::-1])[::-1]
    whole = np.diff(edges) * np.append(farther[1:], 0.0)
    return np.asarray(whole + sum_by(cell, weight * (miles - edges[cell]), n))
