"""Rates of what happened to belts, by model and band, from sums over belts."""

from typing import Any

import numpy as np
import polars as pl

from fleetbelt.models.rates import ClusterSums, dispersion_test, event_rate, rate_ratio

PER_MI = 100_000.0
_SUMS = ("n", "events", "miles", "events_squared", "events_miles", "miles_squared")

Row = dict[str, Any]


def rate_rows(sums: pl.DataFrame, kind: str, counted: str) -> list[dict[str, object]]:
    """Give rates with exact intervals, and ratios to belts set in range.

    Parameters
    ----------
    sums : DataFrame
        One row per model, band and kind: belts, events, miles and their products.
    kind : str
        Column that tells what happened.
    counted : str
        Name of the column for the events, in the rows returned.

    Returns
    -------
    list of dict
        A row per group, with those of every model and every band together.
    """
    groups = {
        (row["model"], row["band"], row[kind]): row
        for row in _with_all(sums, kind).iter_rows(named=True)
    }
    return [
        {"model": key[0], "band": key[1], kind: key[2], counted: groups[key]["events"]}
        | _rates(groups, key)
        for key in sorted(groups)
    ]


def _with_all(sums: pl.DataFrame, kind: str) -> pl.DataFrame:
    """Add the groups of every model together, every band together, and of both.

    Squares of miles are whole numbers: added up as such, in whatever order.
    """
    sums = sums.with_columns(pl.col("miles_squared").cast(pl.Int128))
    totals = [pl.col(name).sum() for name in _SUMS]
    by_model = sums.group_by("model", kind).agg(totals)
    models = pl.concat(
        [sums, by_model.with_columns(band=pl.lit("all")).select(sums.columns)]
    )
    whole = models.group_by("band", kind).agg(totals)
    return pl.concat(
        [models, whole.with_columns(model=pl.lit("all")).select(sums.columns)]
    )


def _rates(
    groups: dict[tuple[str, str, str], Row], key: tuple[str, str, str]
) -> dict[str, object]:
    model, band, kind = key
    group, widening = groups[key], _widening(groups[key])
    rate = event_rate(group["events"], group["miles"] / PER_MI, widening=widening)
    row: dict[str, object] = {
        "miles": group["miles"],
        "per_100k_mi": rate.value,
        "rate_lo": rate.lo,
        "rate_hi": rate.hi,
        "rate_ratio": 1.0 if band == "in_spec" else None,
        "ratio_lo": None,
        "ratio_hi": None,
        "widening": widening,
    }
    reference = groups.get((model, "in_spec", kind))
    if reference and band not in {"all", "unknown", "in_spec"}:
        ratio = rate_ratio(
            (group["events"], reference["events"]),
            (group["miles"], reference["miles"]),
            widening=(widening, _widening(reference)),
        )
        hi = ratio.hi if ratio.hi is not None and np.isfinite(ratio.hi) else None
        row |= {"rate_ratio": ratio.value, "ratio_lo": ratio.lo, "ratio_hi": hi}
    return row


def _widening(group: Row) -> float:
    """Return how much wider than Poisson's the counts of these belts spread."""
    sums = ClusterSums(
        n=group["n"],
        events=group["events"],
        exposure=group["miles"],
        events_squared=group["events_squared"],
        events_exposure=group["events_miles"],
        exposure_squared=group["miles_squared"],
    )
    return dispersion_test(sums).widening()
