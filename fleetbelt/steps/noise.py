"""How often belts are heard, by model and by how they were set; and which vehicles."""

from functools import reduce
from itertools import product
from operator import add

import numpy as np
import polars as pl

from fleetbelt.contract import BANDS, NOISES
from fleetbelt.models.arrays import BoolArray, IntArray
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
    " where entry_mi is not null)"
)
_EVENTS = (
    "(select belt_id, belts.model, belts.band, noise, events.miles, entry_mi, end_mi"
    " from marts.noise_events as events"
    " inner join marts.belt_miles as belts using (belt_id)"
    " where entry_mi is not null order by events.miles, complaint_id)"
)


def _curves(read: Read) -> pl.DataFrame:
    """Mean cumulative complaints by miles since fitting, of belts of known age."""
    belts, events = read(_BELTS), read(_EVENTS)
    models = ["all", *belts["model"].unique().sort()]
    bands, noises = ["all", *BANDS], ["all", *NOISES.split()]
    of_model, of_band = _number(belts["model"], models), _number(belts["band"], bands)
    ends, entries = belts["end_mi"].to_numpy(), belts["entry_mi"].to_numpy()
    heard, its_model, its_band, its_noise = _heard(events, models, bands, noises)
    groups, curves = [], []
    for (i, model), (j, band) in product(enumerate(models), enumerate(bands)):
        keep = _is(of_model, i) & _is(of_band, j)
        watched = Watched.of(ends[keep], entries[keep])
        here = np.flatnonzero(_is(its_model, i) & _is(its_band, j))
        for k, noise in enumerate(noises):
            groups.append((model, band, noise))
            one = heard.where(here[_is(its_noise[here], k)])
            curves.append(mean_cumulative_of(watched, one, most_steps=MOST_STEPS))
    return to_contract("noise_curve", _stacked(groups, curves))


def _heard(
    events: pl.DataFrame, *words: list[str]
) -> tuple[Events, IntArray, IntArray, IntArray]:
    """Return the events at which their belt was at risk, and their words' numbers."""
    belt = events["belt_id"].cast(pl.Categorical).to_physical().to_numpy()
    every = Events(
        belt=belt.astype(np.int64),
        at_mi=events["miles"].to_numpy(),
        entry_mi=events["entry_mi"].to_numpy(),
        end_mi=events["end_mi"].to_numpy(),
    )
    seen = every.seen_at()
    model, band, noise = (
        _number(events[name], of)[seen]
        for name, of in zip(("model", "band", "noise"), words, strict=True)
    )
    return every.where(seen), model, band, noise


def _number(column: pl.Series, words: list[str]) -> IntArray:
    """Return which of the words each is."""
    number = column.replace_strict(words, range(len(words)), return_dtype=pl.Int64)
    return number.to_numpy()


def _is(number: IntArray, wanted: int) -> BoolArray:
    """Return which are the wanted word; the first, ``all``, is any."""
    return number == wanted if wanted else np.ones(number.size, dtype=np.bool_)


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
