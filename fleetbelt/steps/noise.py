"""How often belts are heard, by model and by how they were set; and which vehicles."""

from functools import reduce
from itertools import product
from operator import add

import numpy as np
import polars as pl

from fleetbelt.contract import BANDS, NOISES
from fleetbelt.models.arrays import BoolArray
from fleetbelt.models.count_likelihood import Counts
from fleetbelt.models.count_regression import fit_counts
from fleetbelt.models.recurrent import (
    Events,
    MeanCumulativeCurve,
    Watched,
    mean_cumulative_of,
)
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


_BELTS = (
    "(select model, band, entry_mi, end_mi from marts.belt_miles"
    " where entry_mi is not null order by end_mi)"
)
_EVENTS = (
    "(select belt_id, belts.model, belts.band, noise, events.miles, entry_mi, end_mi"
    " from marts.noise_events as events"
    " inner join marts.belt_miles as belts using (belt_id)"
    " where entry_mi is not null order by events.miles, complaint_id)"
)


def _curves(read: Read) -> pl.DataFrame:
    """Mean cumulative complaints by miles since fitting, of belts of known age."""
    belts, events = _coded(read(_BELTS)), _coded(read(_EVENTS))
    ends, entries = belts["end_mi"].to_numpy(), belts["entry_mi"].to_numpy()
    belt = events["belt_id"].cast(pl.Categorical).to_physical().to_numpy()
    models, noises = sorted(belts["model"].unique()), ["all", *NOISES.split()]
    heard = Events(
        belt=belt.astype(np.int64),
        at_mi=events["miles"].to_numpy(),
        entry_mi=events["entry_mi"].to_numpy(),
        end_mi=events["end_mi"].to_numpy(),
    )
    events = events.select("model", "band", "noise")
    groups, curves = [], []
    for model, band in product(["all", *models], ["all", *BANDS]):
        keep = _is(belts, model=model, band=band)
        watched = Watched.of(ends[keep], entries[keep])
        keep = _is(events, model=model, band=band)
        its, heard_as = heard.where(keep), events.filter(keep)
        for noise in noises:
            one = its.where(_is(heard_as, noise=noise))
            groups.append((model, band, noise))
            curves.append(mean_cumulative_of(watched, one, most_steps=MOST_STEPS))
    return to_contract("noise_curve", _stacked(groups, curves))


def _coded(frame: pl.DataFrame) -> pl.DataFrame:
    """Make words comparable by number."""
    words = [name for name in ("model", "band", "noise") if name in frame.columns]
    return frame.with_columns(pl.col(words).cast(pl.Categorical))


def _is(frame: pl.DataFrame, **words: str) -> BoolArray:
    """Return which rows have these words; ``all`` is any."""
    each = [pl.col(name) == word for name, word in words.items() if word != "all"]
    found = frame.select(pl.all_horizontal(pl.lit(value=True), *each).alias("is"))
    return np.broadcast_to(found["is"].to_numpy(), frame.height)


def _stacked(
    groups: list[tuple[str, str, str]], curves: list[MeanCumulativeCurve]
) -> pl.DataFrame:
    """Put the steps of all curves below each other, their group beside them."""
    names = pl.DataFrame(groups, schema=["model", "band", "noise"], orient="row")
    nothing = [np.full(curve.miles.size, np.nan) for curve in curves]
    columns = {
        "miles": [curve.miles for curve in curves],
        "at_risk": [curve.at_risk for curve in curves],
        "mean_complaints": [curve.mean for curve in curves],
        "mean_lo": [
            blank if curve.mean_lo is None else curve.mean_lo
            for curve, blank in zip(curves, nothing, strict=True)
        ],
        "mean_hi": [
            blank if curve.mean_hi is None else curve.mean_hi
            for curve, blank in zip(curves, nothing, strict=True)
        ],
    }
    group = np.repeat(np.arange(len(curves)), [blank.size for blank in nothing])
    return names[group].with_columns(
        pl.Series(name, np.concatenate(parts)).fill_nan(None)
        for name, parts in columns.items()
    )


def vehicles(read: Read) -> Tables:
    """Hold each vehicle's complaints against what its miles and bands explain."""
    cells = read("(from marts.noise_sums where noise = 'all' order by model, band)")
    rates = (
        cells.select("model", "band", rate=pl.Series(_rates(cells)))
        .pivot("band", index="model", values="rate")
        .with_columns(pl.exclude("model").fill_null(0.0))
    )
    table = read("(from marts.vehicle_miles order by vehicle_id)")
    known = [band for band in BANDS if band in rates.columns]
    heard = (pl.col(f"{band}_mi") * pl.col(band) for band in known)
    expected = reduce(
        add, heard, pl.lit(0.0)
    )  # in this order, on any number of threads
    table = table.join(rates, on="model", how="left", maintain_order="left").select(
        "vehicle_id", "model", "depot", "belts", "failures", "complaints",
        "drift_pct_per_1000mi", "last_install_band",
        miles=pl.sum_horizontal(f"{band}_mi" for band in BANDS),
        complaints_expected=pl.when(pl.col("belts") > 0).then(expected),
    )  # fmt: skip
    return {
        "results.vehicle_results": to_contract(
            "vehicle_results", table.with_columns(**_shrunk(table))
        )
    }


def _shrunk(table: pl.DataFrame) -> dict[str, pl.Series]:
    """Return each vehicle's observed to expected, shrunk; null without miles."""
    has_run = (table["belts"] > 0).to_numpy()
    ran = table.filter(has_run)
    shrunk = shrink_ratios(
        ran["complaints"].to_numpy(), ran["complaints_expected"].to_numpy()
    )
    columns = {}
    for name in ("ratio", "lo", "hi"):
        of_all, found = np.full(table.height, np.nan), getattr(shrunk, name)
        if found.size:
            of_all[has_run] = found
        columns[f"noise_{name}"] = pl.Series(of_all).fill_nan(None)
    return columns


def _rates(cells: pl.DataFrame) -> np.ndarray:
    """Complaints per mile of each model and band, by effects of both."""
    models = cells["model"].rank("dense").to_numpy() - 1
    bands = cells["band"].rank("dense").to_numpy() - 1
    columns = [np.ones(cells.height)]
    columns += [models == level for level in range(1, int(models.max(initial=0)) + 1)]
    columns += [bands == level for level in range(1, int(bands.max(initial=0)) + 1)]
    design = np.column_stack(columns).astype(float)
    counts = Counts.of(
        cells["events"].to_numpy(),
        cells["miles"].to_numpy().astype(float),
        cell=np.arange(cells.height),
    )
    fit = fit_counts(counts, design, [f"x{i}" for i in range(design.shape[1])])
    total = float(cells["events"].sum()) / max(float(cells["miles"].sum()), 1.0)
    if fit.predictor is None:
        return np.full(cells.height, total)
    beta = np.array([c.value or 0.0 for c in fit.coefficients])
    return np.asarray(np.exp(design @ beta))
