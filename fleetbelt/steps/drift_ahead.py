"""The course of each watched belt's tension: from its last record on, and further."""

from typing import Final

import numpy as np
import polars as pl

from fleetbelt.models.drift import DriftFit
from fleetbelt.models.drift_forecast import Outlook
from fleetbelt.models.estimates import two_sided_z

SINCE: Final = (0.0, 0.25, 0.5, 0.75, 1.0)  # of the way from the last record to now
FURTHER_MI: Final = (2_500.0, 5_000.0, 7_500.0, 10_000.0)
AHEAD: Final = pl.Schema(
    {
        "belt_id": pl.String(),
        "odometer_mi": pl.Float64(),  # mi
        "is_now": pl.Boolean(),
        "tension_n": pl.Float64(),  # N
        "tension_lo_n": pl.Float64(),  # 95 %, of the tension itself
        "tension_hi_n": pl.Float64(),
    }
)


def course(fit: DriftFit, belts: pl.DataFrame) -> pl.DataFrame:
    """Foretell the tension of running belts at some odometers.

    Parameters
    ----------
    fit : DriftFit
        The fitted model.
    belts : pl.DataFrame
        Some of ``history.running_belts``.

    Returns
    -------
    pl.DataFrame
        To `AHEAD`, from each belt's last record on; empty where no drift was learned.
    """
    known = belts.filter(pl.col("belt_no").is_not_null())
    if fit.not_learned or known.is_empty():
        return pl.DataFrame(schema=AHEAD)
    outlook = Outlook.of(
        fit,
        known.select(
            "belt_no", since_last_mi="miles_since", is_run_in_ahead="run_in_ahead"
        ),
    )
    since = known["miles_since"].to_numpy()
    stops = [(share - 1) * since for share in SINCE]
    stops += [np.full_like(since, miles) for miles in FURTHER_MI]
    z = two_sided_z(0.95)
    parts = []
    for stop, miles in enumerate(stops):
        then = outlook.tension(miles)
        low, middle, high = (
            np.exp(then.mean_log + k * z * then.sd_log) for k in (-1.0, 0.0, 1.0)
        )
        parts.append(
            known.select(
                "belt_id",
                odometer_mi=pl.col("odometer_now_mi") + pl.Series(miles),
                is_now=pl.lit(stop == len(SINCE) - 1),
                tension_n=pl.Series(middle).fill_nan(None),
                tension_lo_n=pl.Series(low).fill_nan(None),
                tension_hi_n=pl.Series(high).fill_nan(None),
            )
        )
    whole = pl.concat(parts).drop_nulls("tension_n").sort("belt_id", "odometer_mi")
    return whole.select(pl.col(name).cast(kind) for name, kind in AHEAD.items())
