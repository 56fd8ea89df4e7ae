"""How often belts are heard, by model and by how they were set; and which vehicles."""

from itertools import product

import numpy as np
import polars as pl

from fleetbelt.contract import BANDS, NOISES
from fleetbelt.models.count_likelihood import Counts
from fleetbelt.models.count_regression import fit_counts
from fleetbelt.models.recurrent import mean_cumulative
from fleetbelt.models.shrinkage import shrink_ratios
from fleetbelt.steps.rates import rate_rows
from fleetbelt.steps.tables import Tables, from_rows, to_contract
from fleetbelt.store.frames import Read

MOST_STEPS = 2_000


def noise(read: Read) -> Tables:
    """Give rates, ratios to belts set in range, and mean cumulative curves."""
    rows = rate_rows(read("marts.noise_sums"), "noise", "complaints")
    return {
        "results.noise_rates": from_rows("noise_rates", rows),
        "results.noise_curve": _curves(read),
    }


def _curves(read: Read) -> pl.DataFrame:
    """Mean cumulative complaints by miles since fitting, of belts of known age."""
    belts = (
        read("(from marts.belt_miles order by belt_id)")
        .filter(pl.col("entry_mi").is_not_null())
        .with_row_index("belt_no")
    )
    events = (
        read("(from marts.noise_events order by miles, complaint_id)")
        .filter(pl.col("miles").is_not_null())
        .join(belts.select("belt_id", "belt_no"), on="belt_id")
    )
    models = sorted(belts["model"].unique())
    noises = ["all", *NOISES.split()]
    frames = [
        _curve(belts, events, model, band, noises)
        for model, band in product(["all", *models], ["all", *BANDS])
    ]
    return to_contract("noise_curve", pl.concat(frames))


def _curve(
    belts: pl.DataFrame,
    events: pl.DataFrame,
    model: str,
    band: str,
    noises: list[str],
) -> pl.DataFrame:
    keep = _is("model", model) & _is("band", band)
    group = belts.filter(keep).with_row_index("lane")
    heard = events.filter(keep).join(group.select("belt_no", "lane"), on="belt_no")
    frames = []
    for noise in noises:
        its = heard.filter(_is("noise", noise))
        curve = mean_cumulative(
            group["end_mi"].to_numpy(),
            its["lane"].to_numpy(),
            its["miles"].to_numpy(),
            entry_mi=group["entry_mi"].to_numpy(),
            most_steps=MOST_STEPS,
        )
        nothing = np.full(curve.miles.size, np.nan)
        frames.append(
            pl.DataFrame(
                {
                    "miles": curve.miles,
                    "at_risk": curve.at_risk,
                    "mean_complaints": curve.mean,
                    "mean_lo": nothing if curve.mean_lo is None else curve.mean_lo,
                    "mean_hi": nothing if curve.mean_hi is None else curve.mean_hi,
                },
            ).select(
                pl.lit(model).alias("model"),
                pl.lit(band).alias("band"),
                pl.lit(noise).alias("noise"),
                pl.all().cast(pl.Float64).fill_nan(None),
            )
        )
    return pl.concat(frames)


def _is(column: str, word: str) -> pl.Expr:
    return pl.lit(value=True) if word == "all" else pl.col(column) == word


def vehicles(read: Read) -> Tables:
    """Hold each vehicle's complaints against what its miles and bands explain."""
    miles = read("(from marts.vehicle_miles order by vehicle_id, band)")
    cells = (
        miles.group_by("model", "band")
        .agg(pl.col("miles", "complaints").sum())
        .sort("model", "band")
    )
    rates = cells.select("model", "band", rate=pl.Series(_rates(cells)))
    summed = (
        miles.join(rates, on=["model", "band"], how="left")
        .group_by("vehicle_id")
        .agg(
            pl.col("miles", "belts", "failures", "complaints").sum(),
            complaints_expected=(pl.col("rate") * pl.col("miles")).sum(),
        )
        .sort("vehicle_id")
    )
    shrunk = shrink_ratios(
        summed["complaints"].to_numpy(), summed["complaints_expected"].to_numpy()
    )
    blank = np.full(summed.height, np.nan)
    ratio, lo, hi = (
        x if x.size == summed.height else blank
        for x in (shrunk.ratio, shrunk.lo, shrunk.hi)
    )
    own = (
        read("results.drift_by_belt")
        .group_by("vehicle_id")
        .agg(pl.col("drift_pct_per_1000mi").mean())
    )
    last = (
        read("results.belts")
        .sort("vehicle_id", "install_date", "belt_id", nulls_last=False)
        .group_by("vehicle_id")
        .agg(last_install_band=pl.col("band").last())
    )
    table = (
        read("(select vehicle_id, model, depot from staging.vehicles)")
        .join(
            summed.with_columns(
                noise_ratio=pl.Series(ratio).fill_nan(None),
                noise_lo=pl.Series(lo).fill_nan(None),
                noise_hi=pl.Series(hi).fill_nan(None),
            ),
            on="vehicle_id",
            how="left",
        )
        .with_columns(pl.col("miles", "belts", "failures", "complaints").fill_null(0))
        .join(own, on="vehicle_id", how="left")
        .join(last, on="vehicle_id", how="left")
        .sort("vehicle_id")
    )
    return {"results.vehicle_results": to_contract("vehicle_results", table)}


def _rates(cells: pl.DataFrame) -> np.ndarray:
    """Complaints per mile of each model and band, by effects of both."""
    models = cells["model"].rank("dense").to_numpy() - 1
    bands = cells["band"].rank("dense").to_numpy() - 1
    columns = [np.ones(cells.height)]
    columns += [models == level for level in range(1, int(models.max(initial=0)) + 1)]
    columns += [bands == level for level in range(1, int(bands.max(initial=0)) + 1)]
    design = np.column_stack(columns).astype(float)
    counts = Counts.of(
        cells["complaints"].to_numpy(),
        cells["miles"].to_numpy().astype(float),
        cell=np.arange(cells.height),
    )
    fit = fit_counts(counts, design, [f"x{i}" for i in range(design.shape[1])])
    total = float(cells["complaints"].sum()) / max(float(cells["miles"].sum()), 1.0)
    if fit.predictor is None:
        return np.full(cells.height, total)
    beta = np.array([c.value or 0.0 for c in fit.coefficients])
    return np.asarray(np.exp(design @ beta))
