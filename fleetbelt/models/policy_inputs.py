"""What is known of a fleet's rates and lives, and draws from what is not."""

from dataclasses import dataclass
from typing import Final, Self

import numpy as np
import numpy.typing as npt
import polars as pl

from fleetbelt.errors import InputError
from fleetbelt.models.arrays import FloatArray, IntArray

IN_RANGE: Final = "in_spec"

STRATA: Final = pl.Schema(
    {
        "stratum_no": pl.Int64(),  # 0 … n_strata - 1, a model say
        "miles_per_year": pl.Float64(),  # of all its running belts together
        "preventive": pl.Float64(),  # sound belts taken off by mileage or age …
        "other_removals": pl.Float64(),  # … and for other reasons, while …
        "removal_miles": pl.Float64(),  # … belts ran so far
        "found_late_mi": pl.Float64(),  # that a belt runs failed until it is found
        "retensions_per_year": pl.Float64(),  # as today, rechecks after run-in apart
        "retension_every_mi": pl.Float64(),  # set to due; null: not known
        "retension_every_log_sd": pl.Float64(),
    }
)

CELLS: Final = pl.Schema(
    {
        "stratum_no": pl.Int64(),
        "band": pl.String(),  # of the tension at install; in_spec in every stratum
        "rechecked": pl.Float64(),  # installs in the band, rechecked after run-in …
        "not_rechecked": pl.Float64(),  # … and not
        "rate_no": pl.Int64(),  # cells of one number share one estimate of the rate
        "complaints": pl.Float64(),  # of that estimate, and …
        "complaint_miles": pl.Float64(),
        "widening": pl.Float64(),  # … their variance over a Poisson one; 1 if none
        "life_no": pl.Int64(),  # cells of one number share one fitted life
        "shape": pl.Float64(),
        "scale_mi": pl.Float64(),
        "var_log_shape": pl.Float64(),
        "cov_log": pl.Float64(),
        "var_log_scale": pl.Float64(),
    }
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Fleet:
    """A fleet's own miles, and the rates and lives fitted to its records.

    Attributes
    ----------
    strata : polars.DataFrame
        To `STRATA`, sorted.
    cells : polars.DataFrame
        To `CELLS`, sorted by stratum and band.
    failures : float
        Failures of which it is known whether they happened on the road: what the share
        of road failures is uncertain by.
    """

    strata: pl.DataFrame
    cells: pl.DataFrame
    failures: float

    @classmethod
    def of(cls, strata: pl.DataFrame, cells: pl.DataFrame, *, failures: float) -> Self:
        """Take in the tables and check them.

        Parameters
        ----------
        strata, cells : polars.DataFrame
            To `STRATA` and `CELLS`, in any order.
        failures : float
            See the class.

        Returns
        -------
        Fleet
            The tables sorted.

        Raises
        ------
        InputError
            If a column is missing or empty, strata are not numbered 0, 1, …, or one
            has no installs or no cell of belts in range.
        """
        strata = _checked(strata, STRATA, may_be_empty=("retension_every_mi",))
        strata = strata.sort("stratum_no")
        cells = _checked(cells, CELLS).sort("stratum_no", "band")
        numbers = list(range(strata.height))
        in_range = cells.filter(pl.col("band") == IN_RANGE)["stratum_no"].to_list()
        installs = cells.group_by("stratum_no").agg(
            pl.col("rechecked", "not_rechecked").sum()
        )
        if strata["stratum_no"].to_list() != numbers or in_range != numbers:
            raise _refusal(fault="need strata 0, 1, …, each with one cell in range")
        if (
            installs.height != strata.height
            or not ((installs["rechecked"] + installs["not_rechecked"]) > 0).all()
        ):
            raise _refusal(fault="need installs in every stratum")
        return cls(strata=strata, cells=cells, failures=failures)

    @property
    def stratum(self) -> IntArray:
        """Stratum of each cell, shape (n_cells,)."""
        return self.cells["stratum_no"].to_numpy()


@dataclass(frozen=True, slots=True, kw_only=True)
class Drawn:
    """The estimates, in row 0, and draws from what they are uncertain by.

    Attributes
    ----------
    shape, scale_mi, complaints_per_mi, rechecked, not_rechecked : ndarray of float
        Of the cells, shape (1 + n_draws, n_cells); the last two are installs.
    preventive_per_mi, other_per_mi, retension_every_mi : ndarray of float
        Of the strata, shape (1 + n_draws, n_strata).
    road_share : ndarray of float, shape (1 + n_draws,)
        Share of failures on the road.
    """

    shape: FloatArray
    scale_mi: FloatArray
    complaints_per_mi: FloatArray
    rechecked: FloatArray
    not_rechecked: FloatArray
    preventive_per_mi: FloatArray
    other_per_mi: FloatArray
    retension_every_mi: FloatArray
    road_share: FloatArray

    @classmethod
    def of(
        cls, fleet: Fleet, *, road_share: float, n_draws: int, rng: np.random.Generator
    ) -> Self:
        """Draw from the fitted uncertainty.

        Parameters
        ----------
        fleet : Fleet
            The estimates.
        road_share : float
            Share of failures on the road, 0 to 1.
        n_draws : int
            How many.
        rng : numpy.random.Generator
            Where chance comes from.

        Returns
        -------
        Drawn
            Log shape and log scale bivariate normal, events and installs gamma with
            their own variance (so that sums over small cells stay unbiased), the
            interval of retensions log-normal, the road share beta.
        """
        strata, cells = fleet.strata, fleet.cells

        def counts(events: FloatArray, variance: npt.ArrayLike = 1.0) -> FloatArray:
            phi = np.broadcast_to(variance, events.shape)
            drawn = rng.standard_gamma(events / phi, (n_draws, events.size)) * phi
            return np.concatenate([events[None], drawn])

        def normals(n: int) -> FloatArray:
            drawn = rng.standard_normal((n_draws, n))
            return np.concatenate([np.zeros((1, n)), drawn])

        rates, rate_of = _shared(cells, "rate_no")
        per_mi = counts(_column(rates, "complaints"), _column(rates, "widening"))
        per_mi /= _column(rates, "complaint_miles")
        lives, life_of = _shared(cells, "life_no")
        log_shape, log_scale = _lives(
            lives, normals(lives.height), normals(lives.height)
        )
        miles = _column(strata, "removal_miles")
        every = _column(strata, "retension_every_mi")
        spread = _column(strata, "retension_every_log_sd") * normals(strata.height)
        road = counts(fleet.failures * np.array([road_share, 1 - road_share]))
        return cls(
            shape=np.exp(log_shape)[:, life_of],
            scale_mi=np.exp(log_scale)[:, life_of],
            complaints_per_mi=per_mi[:, rate_of],
            rechecked=counts(_column(cells, "rechecked")),
            not_rechecked=counts(_column(cells, "not_rechecked")),
            preventive_per_mi=counts(_column(strata, "preventive")) / miles,
            other_per_mi=counts(_column(strata, "other_removals")) / miles,
            retension_every_mi=every * np.exp(spread),
            road_share=np.divide(
                road[:, 0],
                road.sum(axis=1),
                out=np.full(n_draws + 1, road_share),
                where=road.sum(axis=1) > 0,
            ),
        )


def _lives(
    lives: pl.DataFrame, one: FloatArray, other: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Log shapes and log scales from two sets of standard normals."""
    var, cov = _column(lives, "var_log_shape"), _column(lives, "cov_log")
    slope = np.divide(cov, var, out=np.zeros(var.size), where=var > 0)
    rest = np.sqrt(np.maximum(_column(lives, "var_log_scale") - slope * cov, 0.0))
    step = np.sqrt(var) * one
    log_shape = np.log(_column(lives, "shape")) + step
    log_scale = np.log(_column(lives, "scale_mi")) + slope * step + rest * other
    return log_shape, log_scale


def _shared(cells: pl.DataFrame, number: str) -> tuple[pl.DataFrame, IntArray]:
    """One row per number, and which of them each cell has."""
    _, first, of = np.unique(
        cells[number].to_numpy(), return_index=True, return_inverse=True
    )
    return cells[first], of.reshape(-1)


def _column(frame: pl.DataFrame, name: str) -> FloatArray:
    return frame[name].cast(pl.Float64).fill_null(np.nan).to_numpy()


def _checked(
    frame: pl.DataFrame, schema: pl.Schema, *, may_be_empty: tuple[str, ...] = ()
) -> pl.DataFrame:
    missing = [name for name in schema if name not in frame.columns]
    if missing:
        raise _refusal(fault=f"lack columns: {', '.join(missing)}")
    frame = frame.select(pl.col(name).cast(t) for name, t in schema.items())
    if sum(frame.drop(may_be_empty).null_count().row(0)):
        raise _refusal(fault="have empty cells")
    positive = [name for name in _POSITIVE if name in schema]
    if not frame.select(pl.col(positive).min() > 0).row(0) == (True,) * len(positive):
        raise _refusal(fault=f"need numbers above 0 in {', '.join(positive)}")
    return frame


_POSITIVE: Final = ("removal_miles", "complaint_miles", "widening", "shape", "scale_mi")


def _refusal(*, fault: str) -> InputError:
    return InputError(
        what=f"The tables of rates and lives {fault}.",
        where="fleetbelt.models.policy_inputs",
        fix="pass one row per stratum, and per stratum and band, to the schemas there.",
    )
