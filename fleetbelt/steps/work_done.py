"""What technicians do with the belts they find, and what is heard of their work."""

import numpy as np
import polars as pl

from fleetbelt.models.arrays import sum_by
from fleetbelt.models.proportions import wilson
from fleetbelt.models.rates import ClusterSums, dispersion_test
from fleetbelt.models.shrinkage import shrink_ratios
from fleetbelt.models.technician_standing import count_standings
from fleetbelt.steps.tables import Tables, to_contract
from fleetbelt.store.frames import Read


def work_done(read: Read) -> Tables:
    """Count what each technician left and moved, and the complaints that followed."""
    return {
        "results.technician_retensions": _retensions(read),
        "results.technician_complaints": _complaints(read),
    }


def _retensions(read: Read) -> pl.DataFrame:
    counts = read("(from marts.retension_results order by technician_id)").rename(
        {
            "n": "retensions",
            "under_to_under": "stayed_under",
            "seen_in": "seen_in_range",
            "moved_in": "moved_in_range",
            "n_timed": "timed",
        }
    )
    return to_contract(
        "technician_retensions",
        counts.with_columns(
            *_shares(counts, "stayed_under", of="found_under"),
            *_shares(counts, "moved_in_range", of="seen_in_range"),
        ),
    )


def _shares(counts: pl.DataFrame, part: str, *, of: str) -> list[pl.Expr]:
    """Return a share and its interval; null where there is nothing to share."""
    lo, hi = wilson(counts[part].to_numpy(), counts[of].to_numpy())
    is_known = pl.col(of) > 0
    found = {
        f"{part}_share": pl.col(part) / pl.col(of),
        f"{part}_lo": pl.lit(pl.Series(lo)),
        f"{part}_hi": pl.lit(pl.Series(hi)),
    }
    return [pl.when(is_known).then(value).alias(name) for name, value in found.items()]


def _complaints(read: Read) -> pl.DataFrame:
    """Hold complaints against what the same miles bring on the same models."""
    cells = read("(from marts.technician_complaints order by technician_id, model)")
    rate = pl.col("complaints").sum() / pl.col("miles").sum()
    by = cells.group_by("technician_id", maintain_order=True).agg(
        pl.col("works", "miles", "complaints").sum()
    )
    expected = sum_by(  # in the order of the cells, on any number of threads
        cells["technician_id"].rle_id().to_numpy(),
        cells.select(rate.over("model") * pl.col("miles")).to_series().to_numpy(),
        by.height,
    )
    observed = by["complaints"].to_numpy()
    shrunk = shrink_ratios(observed, expected)
    blank = np.full(by.height, np.nan)
    ratios = {
        name: pl.Series(x if x.size == by.height else blank, dtype=pl.Float64)
        for name, x in (
            ("ratio", shrunk.ratio),
            ("ratio_lo", shrunk.lo),
            ("ratio_hi", shrunk.hi),
        )
    }
    words = count_standings(
        observed, expected, variance_ratio=_spread_of_belts(cells)
    ).standing
    return to_contract(
        "technician_complaints",
        by.with_columns(
            expected=pl.Series(expected),
            **{name: ratio.fill_nan(None) for name, ratio in ratios.items()},
            standing=pl.Series(words.astype(object), dtype=pl.String),
        ),
    )


def _spread_of_belts(cells: pl.DataFrame) -> float:
    """Variance of complaints over Poisson's, 1 where they do not cluster by belt."""
    sums = cells.select(pl.exclude("technician_id", "model").sum()).row(0, named=True)
    test = dispersion_test(
        ClusterSums(
            n=sums["belts"],
            events=sums["complaints"],
            exposure=sums["miles"],
            events_squared=sums["complaints_squared"],
            events_exposure=sums["complaints_miles"],
            exposure_squared=sums["miles_squared"],
        )
    )
    return float(test.widening())
