"""Designs of regressions: spline columns, what can be estimated, what came out.

A design has one row per cell (a combination of model, band, duty, …), however many
belts the cell holds, so that millions of belts need a few hundred rows.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Self

import numpy as np
import numpy.typing as npt

from fleetbelt.errors import InputError
from fleetbelt.models.arrays import BoolArray, FloatArray, IntArray
from fleetbelt.models.estimates import Estimate, two_sided_z
from fleetbelt.models.newton import Maximum

UNSETTLED = "The likelihood has no maximum: the groups cannot be told apart."


def natural_spline(x: npt.ArrayLike, knots: Sequence[float]) -> FloatArray:
    """Return the columns of a natural cubic spline, all but the constant.

    Parameters
    ----------
    x : array_like, shape (n,)
        Where to work the columns out.
    knots : sequence of float, shape (n_knots,)
        Rising, at least two; beyond the outer two the spline is a straight line.

    Returns
    -------
    ndarray of float, shape (n, n_knots - 1)
        ``u``, then ``d_k - d_(K-1)`` for k = 1 … K - 2, where u is x scaled to 0 to 1
        between the outer knots κ and
        ``d_k = ((u - κ_k)₊³ - (u - κ_K)₊³) / (κ_K - κ_k)`` [1]_.

    Raises
    ------
    InputError
        If there are fewer than two knots or they do not rise.

    References
    ----------
    .. [1] Hastie, T., Tibshirani, R. and Friedman, J. (2009), *The Elements of
       Statistical Learning*, 2nd ed., equations 5.4 and 5.5.
    """
    k = np.asarray(knots, dtype=float)
    if k.size < 2 or not np.all(np.diff(k) > 0):
        raise InputError(
            what=f"A spline cannot have the knots {list(knots)}.",
            where="fleetbelt.models.design.natural_spline",
            fix="give two or more rising knots.",
        )
    u = (np.asarray(x, dtype=float) - k[0]) / (k[-1] - k[0])
    kappa = (k - k[0]) / (k[-1] - k[0])
    cubes = np.maximum(u[:, None] - kappa, 0.0) ** 3
    d = (cubes[:, :-1] - cubes[:, -1:]) / (1.0 - kappa[:-1])
    return np.column_stack([u, d[:, :-1] - d[:, -1:]])


@dataclass(frozen=True, slots=True, kw_only=True)
class Estimable:
    """What a design can tell, given where the events are.

    Attributes
    ----------
    columns : ndarray of int
        Columns to fit.
    cells : ndarray of bool, shape (n_cells,)
        Cells to fit them on.
    without_events : ndarray of int
        Indicator columns under which nothing happened: their effect has no bound.
    reasons : tuple of str or None, shape (n_columns,)
        Why a column is not fitted.
    """

    columns: IntArray
    cells: BoolArray
    without_events: IntArray
    reasons: tuple[str | None, ...]


def estimable(design: FloatArray, amount: FloatArray, events: FloatArray) -> Estimable:
    """Find the columns of a design whose coefficients the data determine.

    Parameters
    ----------
    design : ndarray of float, shape (n_cells, n_columns)
        Its first column all ones.
    amount, events : ndarray of float, shape (n_cells,)
        What was at risk and what happened in each cell.

    Returns
    -------
    Estimable
        Without columns empty, without events, or a combination of those before.
    """
    cells = amount > 0
    is_indicator = ((design == 0) | (design == 1)).all(axis=0)
    quiet = is_indicator & (design.T @ events == 0)
    is_empty = ~(design[cells] != 0).any(axis=0)
    without = np.flatnonzero(quiet & ~is_empty)
    cells = cells & ~(design[:, without] != 0).any(axis=1)
    columns: list[int] = []
    reasons: list[str | None] = []
    for j in range(design.shape[1]):
        reason = None
        if is_empty[j]:
            reason = "There is nothing in this group."
        elif quiet[j]:
            reason = "Nothing happened in this group, so its effect has no bound."
        elif _rank(design[cells][:, [*columns, j]]) == len(columns):
            reason = "This cannot be told apart from what stands before it."
        else:
            columns.append(j)
        reasons.append(reason)
    return Estimable(
        columns=np.array(columns, dtype=np.int64),
        cells=cells,
        without_events=without,
        reasons=tuple(reasons),
    )


def _rank(columns: FloatArray) -> int:
    length = np.sqrt((columns**2).sum(axis=0))
    scaled = columns / np.where(length > 0, length, 1.0)
    return int(np.linalg.matrix_rank(scaled, tol=1e-9 * np.sqrt(scaled.shape[0] + 1)))


@dataclass(frozen=True, slots=True, kw_only=True)
class Coefficient:
    """One coefficient of a regression on a logarithm.

    Attributes
    ----------
    name : str
        Of its column.
    value, standard_error : float or None
        On the log scale; None where it could not be fitted.
    ratio : Estimate or None
        ``exp(value)`` with its limits: a time ratio or a rate ratio.
    reason : str or None
        Why it could not be fitted.
    """

    name: str
    value: float | None = None
    standard_error: float | None = None
    ratio: Estimate | None = None
    reason: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Predictor:
    """A fitted ``design @ β``, on the log scale.

    Attributes
    ----------
    names : tuple of str, shape (n_columns,)
        Of the columns of the design.
    fitted : Estimable
        Which of them were fitted.
    beta : ndarray of float, shape (n_fitted,)
        Their coefficients.
    covariance : ndarray of float, shape (n_fitted, n_fitted)
        Of the coefficients.
    confidence : float
        Of all limits.
    """

    names: tuple[str, ...]
    fitted: Estimable
    beta: FloatArray
    covariance: FloatArray
    confidence: float

    @classmethod
    def of(
        cls,
        found: Maximum,
        names: Sequence[str],
        fitted: Estimable,
        *,
        confidence: float,
    ) -> Self:
        """Take the coefficients from a maximum, whose last parameters they are."""
        n = fitted.columns.size
        return cls(
            names=tuple(names),
            fitted=fitted,
            beta=found.theta[-n:],
            covariance=found.covariance()[-n:, -n:],
            confidence=confidence,
        )

    @property
    def n_parameters(self) -> int:
        """Coefficients, those at infinity (groups without events) included."""
        return self.beta.size + self.fitted.without_events.size

    def coefficients(self) -> tuple[Coefficient, ...]:
        """List the coefficients in the order of the design's columns."""
        se = np.sqrt(np.diag(self.covariance))
        z = two_sided_z(self.confidence)
        at = {int(j): i for i, j in enumerate(self.fitted.columns)}
        listed = []
        for j, (name, reason) in enumerate(
            zip(self.names, self.fitted.reasons, strict=True)
        ):
            if j not in at:
                listed.append(Coefficient(name=name, reason=reason))
                continue
            value, error = float(self.beta[at[j]]), float(se[at[j]])
            ratio = Estimate.of_log(value, error, z=z)
            listed.append(
                Coefficient(name=name, value=value, standard_error=error, ratio=ratio)
            )
        return tuple(listed)

    def linear(self, rows: FloatArray) -> FloatArray:
        """Work out ``rows @ β``, with -inf for rows of groups without events."""
        is_quiet = (rows[:, self.fitted.without_events] != 0).any(axis=1)
        return np.where(is_quiet, -np.inf, rows[:, self.fitted.columns] @ self.beta)

    def contrast(
        self, rows: FloatArray, reference: FloatArray
    ) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Return ``exp`` of the difference to a reference row, and its limits.

        Parameters
        ----------
        rows : ndarray of float, shape (n_rows, n_columns)
            Rows of the design.
        reference : ndarray of float, shape (n_columns,)
            The row they are compared to.

        Returns
        -------
        tuple of three ndarray of float, shape (n_rows,)
            Ratio, lower and upper limit.

        Raises
        ------
        InputError
            If a row differs from the reference in a group without events.
        """
        gap = rows - reference
        if gap[:, self.fitted.without_events].any():
            raise InputError(
                what="A ratio was asked for a group in which nothing happened.",
                where="fleetbelt.models.design.Predictor.contrast",
                fix="leave out the columns that have a reason instead of a value.",
            )
        gap = gap[:, self.fitted.columns]
        log_ratio = gap @ self.beta
        spread = np.maximum(((gap @ self.covariance) * gap).sum(axis=1), 0.0)
        half = two_sided_z(self.confidence) * np.sqrt(spread)
        return np.exp(log_ratio), np.exp(log_ratio - half), np.exp(log_ratio + half)
