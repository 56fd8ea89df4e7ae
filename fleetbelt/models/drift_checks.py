"""Does the drift model hold: standardised innovations, and what single gauges do."""

from dataclasses import dataclass
from typing import Final

import numpy as np
import polars as pl

from fleetbelt.models.arrays import FloatArray, IntArray
from fleetbelt.models.drift import SAMPLE_BELTS, DriftFit
from fleetbelt.models.drift_filter import (
    DRIFT,
    LEVEL,
    RUN_IN,
    BeltSums,
    State,
    innovations,
)
from fleetbelt.models.drift_likelihood import Pooled, Solution
from fleetbelt.models.drift_readings import (
    blocks_of_belts,
    copies_of_belts,
    rows_of_belts,
    sample_of_belts,
)
from fleetbelt.models.drift_runs import Runs

N_BINS: Final = 10
KNOWN_SHARE: Final = 0.5  # of a reading's sd: corrections as sure as that are known
LEAST_KNOWN: Final = 100  # innovations by known corrections; with fewer all are used

INNOVATIONS: Final = pl.Schema(
    {
        "belt_no": pl.Int64(),
        "miles": pl.Float64(),  # since the belt's previous row, mi
        "foretold_log": pl.Float64(),  # log tension foretold for the found reading, N
        "z": pl.Float64(),  # (found - foretold) / its standard deviation
        "is_known": pl.Boolean(),  # no correction so far that is assumed by and large
    }
)
BINS: Final = pl.Schema(
    {
        "part": pl.Int64(),  # 1 to `N_BINS`, from the least
        "lo": pl.Float64(),  # least and greatest of what is binned by
        "hi": pl.Float64(),
        "n": pl.Int64(),
        "mean_z": pl.Float64(),  # 0 expected
        "se": pl.Float64(),  # its standard error, 1/sqrt(n)
        "sd_z": pl.Float64(),  # 1 expected; null for a single one
    }
)
GAUGES: Final = pl.Schema(
    {
        "gauge_no": pl.Int64(),
        "n_readings": pl.Int64(),  # found or left readings with it
        "drift_without": pl.Float64(),  # common drift without them, per clock unit
        "shift": pl.Float64(),  # that less the common drift with all
        "shift_in_se": pl.Float64(),  # over the common drift's standard error
    }
)


@dataclass(frozen=True, slots=True, kw_only=True)
class InnovationChecks:
    """Standardised innovations: what each found reading brings that is new.

    Where the model holds they are independent and standard normal. Corrections that
    err apart have an uncertainty that is assumed, not seen, and would say more of that
    assumption than of the model: where enough is left they are left out.

    Attributes
    ----------
    n, n_left_out : int
        Innovations looked at, and those that rest on such a correction.
    mean, sd : float or None
        0 and 1 expected; None without innovations.
    autocorrelation : float or None
        Between successive innovations of a belt; 0 expected, standard error about
        1/sqrt(n); None without such pairs.
    by_miles, by_tension : polars.DataFrame
        In tenths by interval miles, and by log tension foretold; to `BINS`.
    innovations : polars.DataFrame
        One row each, those left out too, to `INNOVATIONS`.
    """

    n: int
    n_left_out: int
    mean: float | None
    sd: float | None
    autocorrelation: float | None
    by_miles: pl.DataFrame
    by_tension: pl.DataFrame
    innovations: pl.DataFrame


def innovation_checks(
    readings: pl.DataFrame, fit: DriftFit, rng: np.random.Generator
) -> InnovationChecks:
    """Standardise the innovations of the fitted model, and sum up how they lie.

    Parameters
    ----------
    readings : polars.DataFrame
        What the model was fitted to, as `checked_readings` returns them.
    fit : DriftFit
        The fit.
    rng : numpy.random.Generator
        Draws the belts that are looked at, where there are many.

    Returns
    -------
    InnovationChecks
        Mean, sd and autocorrelation; means against miles and against tension.

    Notes
    -----
    Each found reading is foretold from the belt's earlier ones alone, its own drift
    included: with b and its variance from the sums so far, ``z = (y - foretold) /
    sqrt(F + g_d**2 tau**2 h)`` [1]_.

    References
    ----------
    .. [1] Durbin, J. and Koopman, S. J. (2012), *Time Series Analysis by State Space
       Methods*, 2nd ed., sec. 2.12 and 7.5.
    """
    sample = sample_of_belts(readings, SAMPLE_BELTS, rng)
    z, error = _standardised(sample, fit)
    known_sd = KNOWN_SHARE * fit.reading_sd
    every = (
        sample.select(
            "belt_no",
            "miles",
            foretold_log=pl.col("found_log") - pl.Series(error),
            z=pl.Series(z),
            is_known=pl.col("u_apart").cum_max().over("belt_no") < known_sd,
        )
        .filter(pl.col("z").is_not_nan())
        .cast(INNOVATIONS)
    )
    known = every.filter("is_known")
    found = known if known.height >= LEAST_KNOWN else every
    # summed by one thread: polars' sums differ in the last digit with how many it has
    innovation, belt_no = (found[name].to_numpy() for name in ("z", "belt_no"))
    earlier, later = innovation[:-1], innovation[1:]
    is_pair = np.diff(belt_no) == 0
    square = float((earlier[is_pair] ** 2).sum())
    return InnovationChecks(
        n=found.height,
        n_left_out=every.height - found.height,
        mean=float(innovation.mean()) if innovation.size else None,
        sd=float(innovation.std(ddof=1)) if innovation.size > 1 else None,
        autocorrelation=float((earlier * later)[is_pair].sum()) / square
        if square
        else None,
        by_miles=_binned(found, "miles"),
        by_tension=_binned(found, "foretold_log"),
        innovations=every,
    )


def _standardised(
    readings: pl.DataFrame, fit: DriftFit
) -> tuple[FloatArray, FloatArray]:
    """Return innovations by row, standardised and plain; NaN where there is none."""
    runs = Runs.of(readings, clock=fit.clock, effects=fit.effects)
    state, tau2 = State.begun(runs, fit.spreads), fit.spreads.slope**2
    plain, g_d, f = np.full((3, readings.height), np.nan)
    for here, v, inverse_f in innovations(runs, fit.spreads, state):
        place = runs.row[here]
        beta, lam = fit.theta[runs.model[runs.belt[: place.size]]].T
        plain[place] = v[LEVEL] + beta * v[DRIFT] + lam * v[RUN_IN]
        g_d[place], f[place] = -v[DRIFT], 1.0 / inverse_f
    belt_no = readings["belt_no"].to_numpy()
    a, b = (_sum_before(x, belt_no) for x in (g_d**2 / f, g_d * plain / f))
    var_b = tau2 / (1.0 + tau2 * a)
    error = plain - g_d * var_b * b
    return error / np.sqrt(f + g_d**2 * var_b), error


def _sum_before(values: FloatArray, belt_no: IntArray) -> FloatArray:
    """Sum of a belt's earlier values, NaN counting as none; belts stand together."""
    sums = np.cumsum(np.nan_to_num(values))
    before: FloatArray = np.append(0.0, sums)[: sums.size]
    first, n_rows = rows_of_belts(belt_no)
    return before - np.repeat(before[first], n_rows)


def _binned(found: pl.DataFrame, by: str) -> pl.DataFrame:
    """Sum up the innovations in tenths of one of their columns."""
    values = found.select(by, "z").sort(by, maintain_order=True)
    tenth = np.arange(values.height) * N_BINS // max(values.height, 1)
    part, place = np.unique(tenth, return_inverse=True)
    z, n = values["z"].to_numpy(), np.bincount(place)
    mean = np.bincount(place, z) / n
    with np.errstate(divide="ignore", invalid="ignore"):
        sd = np.sqrt(np.bincount(place, (z - mean[place]) ** 2) / (n - 1.0))
    limits = values.group_by(part=pl.Series(tenth + 1)).agg(
        lo=pl.col(by).min(), hi=pl.col(by).max()
    )
    sums = pl.DataFrame(
        {
            "part": part + 1,
            "n": n,
            "mean_z": mean,
            "se": 1.0 / np.sqrt(n),
            "sd_z": pl.Series(sd).fill_nan(None),
        }
    )
    binned = sums.join(limits, on="part", maintain_order="left")
    return binned.select(pl.col(c).cast(t) for c, t in BINS.items())


def gauge_influence(
    readings: pl.DataFrame,
    gauge_no: pl.Series,
    fit: DriftFit,
    rng: np.random.Generator,
) -> pl.DataFrame:
    """Estimate the common drift again without the readings of each gauge.

    Parameters
    ----------
    readings : polars.DataFrame
        What the model was fitted to, as `checked_readings` returns them.
    gauge_no : polars.Series, int, shape (n_rows,)
        Gauge of each row; null where not recorded.
    fit : DriftFit
        The fit; its spreads are held.
    rng : numpy.random.Generator
        Draws the belts that are looked at, where there are many.

    Returns
    -------
    polars.DataFrame
        One row per gauge, to `GAUGES`.

    Notes
    -----
    A visit whose reading is left out leaves the tension unknown, whether or not it was
    set: a belt that is *not* set because of a reading must not run on without it. Only
    belts that a gauge was used on are filtered again, all gauges in one pass.
    """
    sample = sample_of_belts(
        readings.with_columns(gauge_no=gauge_no), SAMPLE_BELTS, rng
    ).with_columns(place=pl.col("belt_no").rle_id().cast(pl.Int64))
    used = _belts_by_gauge(sample)
    gauges = used.group_by("gauge_no", maintain_order=True).agg(
        n_readings=pl.col("n_readings").sum()
    )
    group = used["gauge_no"].rle_id().cast(pl.Int64).to_numpy()

    def pooled(cross: FloatArray, group: IntArray, n_groups: int) -> Pooled:
        return Pooled.of(cross, fit.spreads.slope, group, n_groups)

    def filtered(rows: pl.DataFrame) -> FloatArray:
        runs = (
            Runs.of(block, clock=fit.clock, effects=fit.effects)
            for block in blocks_of_belts(rows)
        )
        sums = [BeltSums.of(some, fit.spreads).cross for some in runs]
        return np.concatenate(sums, axis=-1)

    cross = filtered(sample)
    fleet = pooled(cross, np.zeros(cross.shape[-1], dtype=np.int64), 1)
    lost = pooled(cross[..., used["place"].to_numpy()], group, gauges.height)
    kept = pooled(filtered(_left_out(used, sample)), group, gauges.height)
    rest = Pooled(
        information=fleet.information - lost.information + kept.information,
        score=fleet.score - lost.score + kept.score,
        square=fleet.square - lost.square + kept.square,
    )
    with_all, without = Solution.of(fleet), Solution.of(rest)
    drift, se = with_all.theta[0, 0], with_all.covariance[0, 0, 0] ** 0.5
    shift = pl.when(pl.Series(without.is_known[:, 0])).then(without.theta[:, 0] - drift)
    table = gauges.with_columns(shift=shift).with_columns(
        drift_without=drift + pl.col("shift"), shift_in_se=pl.col("shift") / se
    )
    return table.select(pl.col(c).cast(t) for c, t in GAUGES.items())


def _belts_by_gauge(sample: pl.DataFrame) -> pl.DataFrame:
    """List the belts on which each gauge was read, and how often."""
    is_read = pl.any_horizontal(
        pl.col("found_log", "left_log").fill_null(np.nan).is_not_nan()
    )
    used = sample.filter(is_read & pl.col("gauge_no").is_not_null())
    return (
        used.group_by("gauge_no", "place")
        .agg(n_readings=pl.len())
        .sort("gauge_no", "place")
    )


def _left_out(used: pl.DataFrame, sample: pl.DataFrame) -> pl.DataFrame:
    """Copy each gauge's belts, without the readings taken with it."""
    copies = copies_of_belts(sample, used["place"].to_numpy())
    left_out = used["gauge_no"][copies["belt_no"].to_numpy()]
    is_left_out = (copies["gauge_no"] == left_out).fill_null(value=False)
    return copies.with_columns(
        pl.when(~is_left_out).then(pl.col("found_log", "left_log")),
        resets=pl.col("resets") | is_left_out,
    )
