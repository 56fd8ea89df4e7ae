"""Settings added up by technician, gauge ratio and vehicle model."""

from dataclasses import dataclass
from functools import cached_property
from typing import Final, Self

import numpy as np
import polars as pl

from fleetbelt.errors import FitError
from fleetbelt.models.arrays import FloatArray, IntArray
from fleetbelt.models.gauges import checked_frame

CELLS: Final = pl.Schema(
    {
        "technician_no": pl.Int64(),
        "gauge_no": pl.Int64(),
        "gs_no": pl.Int64(),  # a gauge at a span: settings of one correction
        "model_no": pl.Int64(),
        "n": pl.Int64(),  # settings, 1 or more
        "mean_d": pl.Float64(),  # mean of d = log(corrected left / middle of the range)
        "ss_d": pl.Float64(),  # sum of squares of d about that mean
        "rho_gs": pl.Float64(),  # log(reading / tension) of the gauge at the span
        "u_corr_gs": pl.Float64(),  # standard uncertainty of rho_gs
    }
)
# Settings that the fleet's scatter is worth beside a person's own (common practice,
# no source).
PRIOR_SETTINGS: Final = 10.0


@dataclass(frozen=True, kw_only=True)
class Cells:
    """The cells as arrays; a code counts technicians, gauge ratios or models from 0.

    Attributes
    ----------
    technician, ratio, model : ndarray of int, shape (n_cells,)
        Codes of each cell.
    n, d, ss : ndarray of float, shape (n_cells,)
        Settings, their mean and their sum of squares about it.
    technician_no : ndarray of int, shape (n_technicians,)
        Number of each technician in the frame, ascending.
    gauge : ndarray of int, shape (n_ratios,)
        Code of the gauge of each ratio.
    rho, u : ndarray of float, shape (n_ratios,)
        Log ratio of each gauge at a span and its standard uncertainty.
    default_sd : float
        Scatter of a setting where no cell repeats.
    """

    technician: IntArray
    ratio: IntArray
    model: IntArray
    n: FloatArray
    d: FloatArray
    ss: FloatArray
    technician_no: IntArray
    gauge: IntArray
    rho: FloatArray
    u: FloatArray
    default_sd: float

    @classmethod
    def of(cls, frame: pl.DataFrame, *, default_sd: float) -> Self:
        """Check a frame of `CELLS` and number what it names."""
        cells = checked_frame(frame, CELLS, "the cells of settings").sort(
            "technician_no", "gs_no", "model_no", "mean_d", "n", "ss_d"
        )
        _refuse_impossible(cells)
        technician_no, technician = np.unique(
            cells["technician_no"].to_numpy(), return_inverse=True
        )
        _, first, ratio = np.unique(
            cells["gs_no"].to_numpy(), return_index=True, return_inverse=True
        )
        _, gauge = np.unique(cells["gauge_no"].to_numpy()[first], return_inverse=True)
        _, model = np.unique(cells["model_no"].to_numpy(), return_inverse=True)
        n, d, ss, rho, u = (
            cells[name].cast(pl.Float64).to_numpy()
            for name in ("n", "mean_d", "ss_d", "rho_gs", "u_corr_gs")
        )
        return cls(
            technician=technician,
            ratio=ratio,
            model=model,
            n=n,
            d=d,
            ss=ss,
            technician_no=technician_no,
            gauge=gauge,
            rho=rho[first],
            u=u[first],
            default_sd=default_sd,
        )

    @property
    def n_technicians(self) -> int:
        """Technicians with a setting."""
        return int(self.technician_no.size)

    def by_technician(self, x: FloatArray) -> FloatArray:
        """Add up over each technician's cells, shape (n_technicians,)."""
        return np.asarray(np.bincount(self.technician, x, self.n_technicians), float)

    @cached_property
    def settings(self) -> FloatArray:
        """Settings of each technician, shape (n_technicians,)."""
        return self.by_technician(self.n)

    @cached_property
    def mean(self) -> FloatArray:
        """Mean of each technician's settings, shape (n_technicians,)."""
        return self.by_technician(self.n * self.d) / self.settings

    @cached_property
    def df(self) -> FloatArray:
        """Degrees of freedom of each own scatter, shape (n_technicians,)."""
        return self.by_technician(self.n - 1)

    @cached_property
    def own_variance(self) -> FloatArray:
        """Variance of settings within cells; NaN where nothing repeats."""
        known = np.where(self.df > 0, self.df, np.nan)
        return self.by_technician(self.ss) / known

    @cached_property
    def variance(self) -> FloatArray:
        """The same leaning on the fleet's by `PRIOR_SETTINGS`; never 0."""
        total = self.df.sum()
        fleet = self.ss.sum() / total if total > 0 else 0.0
        prior = fleet or self.default_sd**2
        pooled = self.by_technician(self.ss) + PRIOR_SETTINGS * prior
        return pooled / (self.df + PRIOR_SETTINGS)

    @cached_property
    def settings_by_ratio(self) -> FloatArray:
        """Settings, shape (n_technicians, n_ratios)."""
        shape = (self.n_technicians, self.rho.size)
        flat = np.ravel_multi_index((self.technician, self.ratio), shape)
        total = np.bincount(flat, self.n, shape[0] * shape[1])
        return np.asarray(total.reshape(shape), float)


def _refuse_impossible(cells: pl.DataFrame) -> None:
    is_possible = pl.all_horizontal(
        pl.all().is_not_null(),
        pl.selectors.float().is_finite(),
        pl.col("n") >= 1,
        pl.col("ss_d") >= 0,
        pl.col("u_corr_gs") >= 0,
        pl.struct("gauge_no", "rho_gs", "u_corr_gs").n_unique().over("gs_no") == 1,
    )
    bad = cells.filter(~is_possible.fill_null(value=False))
    if bad.height or cells.is_empty():
        raise FitError(
            what=f"{bad.height} of {cells.height} cells of settings are impossible.",
            where=f"the cells, first: {bad.row(0, named=True) if bad.height else None}",
            fix="give counts of 1 or more, finite numbers, and one ratio per gs_no.",
        )
