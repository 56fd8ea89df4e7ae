"""Negative binomial log-likelihood of counts, with its gradient and Hessian.

A row of y events has mean μ = exposure · exp(design @ β) and variance μ + a μ². With
u = a μ, the log-likelihood is [1]_

    Σ_(j<y) log(1 + a j) - (y + 1/a) log(1 + u) + y log μ - log y!

where the first sum, over all rows, needs only how many rows have more than j events.
As a (alpha) goes to 0 it becomes Poisson's, y log μ - μ - log y!.

References
----------
.. [1] Lawless, J. F. (1987), *Canadian Journal of Statistics* 15, 209-225.
"""

from dataclasses import dataclass
from functools import cached_property
from typing import Self

import numpy as np
import numpy.typing as npt
from scipy.special import gammaln, xlogy

from fleetbelt.errors import InputError
from fleetbelt.models.arrays import BoolArray, FloatArray, IntArray, sum_by


@dataclass(frozen=True, kw_only=True)
class Counts:
    """Rows of counts.

    Attributes
    ----------
    events, exposure, weight : ndarray of float, shape (n_rows,)
        Whole events, exposure above 0, and how many such rows there are.
    cell : ndarray of int, shape (n_rows,)
        Row of the design that each belongs to.
    """

    events: FloatArray
    exposure: FloatArray
    weight: FloatArray
    cell: IntArray

    @classmethod
    def of(
        cls,
        events: npt.ArrayLike,
        exposure: npt.ArrayLike,
        *,
        cell: npt.ArrayLike | None = None,
        weight: npt.ArrayLike = 1.0,
    ) -> Self:
        """Take in columns and check them.

        Parameters
        ----------
        events, exposure : array_like, shape (n_rows,)
            Whole events, and exposure, 0 or more.
        cell : array_like of int, shape (n_rows,), optional
            Row of the design; default: each row its own.
        weight : array_like, shape (n_rows,) or a number
            How many such rows there are.

        Returns
        -------
        Counts
            Without the rows that have neither exposure nor events.

        Raises
        ------
        InputError
            If something is negative or missing, or there are events but no exposure.

        Notes
        -----
        A row with events but no exposure (heard on the mile it was fitted) is given the
        least exposure of any row.
        """
        y, e = np.asarray(events, dtype=float), np.asarray(exposure, dtype=float)
        w = np.broadcast_to(np.asarray(weight, dtype=float), y.shape)
        cells = np.arange(y.size) if cell is None else np.asarray(cell)
        least = float(e[e > 0].min(initial=np.inf))
        if not np.all((y >= 0) & (e >= 0) & (w >= 0)) or (y.any() and least == np.inf):
            raise InputError(
                what="Counts are negative or missing, or have no exposure at all.",
                where="fleetbelt.models.count_likelihood.Counts",
                fix="pass events, exposures and weights of 0 or more.",
            )
        keep = (e > 0) | (y > 0)
        return cls(
            events=y[keep],
            exposure=np.where(e > 0, e, least)[keep],
            weight=w[keep],
            cell=cells[keep].astype(np.int64),
        )

    def where(self, keep: BoolArray) -> Self:
        """Keep some of the rows."""
        return type(self)(
            events=self.events[keep],
            exposure=self.exposure[keep],
            weight=self.weight[keep],
            cell=self.cell[keep],
        )

    def grouped(self) -> Self:
        """Merge equal rows, in a fixed order."""
        exposures, number = np.unique(self.exposure, return_inverse=True)
        most = int(self.events.max(initial=0)) + 1
        shape = (int(self.cell.max(initial=0)) + 1, exposures.size, most)
        row = np.ravel_multi_index(
            (self.cell, number, self.events.astype(np.int64)), shape
        )
        row, which = np.unique(row, return_inverse=True)
        cell, number, events = np.unravel_index(row, shape)
        return type(self)(
            events=events.astype(float),
            exposure=exposures[number],
            weight=sum_by(which, self.weight, row.size),
            cell=cell,
        )

    def by_cell(self, n_cells: int) -> tuple[FloatArray, FloatArray]:
        """Add up exposure and events of each cell."""
        return (
            sum_by(self.cell, self.weight * self.exposure, n_cells),
            sum_by(self.cell, self.weight * self.events, n_cells),
        )

    def misfit(self, eta: FloatArray, alpha: float) -> tuple[float, float]:
        """Work out deviance and Pearson's statistic, given the cells' log rates."""
        y, w = self.events, self.weight
        mu = self.exposure * np.exp(eta)[self.cell]
        spare = (
            y - mu
            if alpha == 0
            else (y + 1 / alpha) * np.log1p((y - mu) / (mu + 1 / alpha))
        )
        deviance = 2 * w @ (xlogy(y, y / mu) - spare)
        return float(deviance), float(w @ ((y - mu) ** 2 / (mu + alpha * mu**2)))

    def poisson(
        self, design: FloatArray, beta: FloatArray
    ) -> tuple[float, FloatArray, FloatArray]:
        """Evaluate Poisson's log-likelihood, gradient and Hessian at β."""
        exposure, events = self.by_cell(design.shape[0])
        eta = np.minimum(design @ beta, 500.0)
        mu = exposure * np.exp(eta)
        value = events @ eta - mu.sum() + self._constant
        hessian = -design.T @ (mu[:, None] * design)
        return float(value), design.T @ (events - mu), hessian

    def negative_binomial(
        self, design: FloatArray, theta: FloatArray
    ) -> tuple[float, FloatArray, FloatArray]:
        """Evaluate log-likelihood, gradient and Hessian at θ = (log alpha, β)."""
        y, w, n_cells = self.events, self.weight, design.shape[0]
        alpha, eta = np.exp(theta[0]), (design @ theta[1:])[self.cell]
        u = alpha * self.exposure * np.exp(np.minimum(eta, 500.0))
        log_1u, q, size = np.log1p(u), u / (1 + u), y + 1 / alpha
        above = self._rows_above
        j = alpha * np.arange(above.size)
        value = above @ np.log1p(j) - w @ (size * log_1u - y * eta) + self._constant
        slope = w * (y - size * q)  # in η, as the next two
        bend = w * size * q * (1 - q)
        cross = w * q / alpha - bend
        a = above @ (j / (1 + j)) - w @ (size * q - log_1u / alpha)
        a_a = above @ (j / (1 + j) ** 2) + cross.sum() + w @ (q - log_1u) / alpha
        by_cell = (sum_by(self.cell, x, n_cells) for x in (slope, bend, cross))
        slope_c, bend_c, cross_c = by_cell
        hessian = np.empty((theta.size, theta.size))
        hessian[0, 0] = a_a
        hessian[0, 1:] = hessian[1:, 0] = design.T @ cross_c
        hessian[1:, 1:] = -design.T @ (bend_c[:, None] * design)
        return float(value), np.append(a, design.T @ slope_c), hessian

    @cached_property
    def _constant(self) -> float:
        """What the log-likelihood has whatever the parameters."""
        y = self.events
        return float(self.weight @ (y * np.log(self.exposure) - gammaln(y + 1)))

    @cached_property
    def _rows_above(self) -> FloatArray:
        """Rows with more than j events, j = 0, 1, and so on."""
        y = self.events.astype(np.int64)
        by_count = sum_by(y, self.weight, int(y.max(initial=0)) + 1)
        return np.asarray(self.weight.sum() - np.cumsum(by_count)[:-1])
