"""What the work is worth: the age to replace at, and other ways of working."""

from typing import Any, Final

import numpy as np
import polars as pl
from scipy.special import gamma, ndtri

from fleetbelt.models.arrays import sum_by
from fleetbelt.models.estimates import two_sided_z
from fleetbelt.models.life import mean_life_between_mi
from fleetbelt.models.plan_jobs import Costs
from fleetbelt.models.policy import what_if
from fleetbelt.models.policy_inputs import CELLS, IN_RANGE, STRATA, Fleet
from fleetbelt.models.replacement import (
    AgeReplacement,
    age_replacement,
    near_best_ages_mi,
    replacement_cost_per_mi,
)
from fleetbelt.settings import Settings
from fleetbelt.steps.costs import assumptions, costs
from fleetbelt.steps.tables import Tables, from_rows, to_contract
from fleetbelt.store.frames import Read

_Group = dict[str, Any]  # a row of fitted.lives

PER_MI: Final = 1000.0
FEW_COMPLAINTS: Final = 10  # with fewer, a cell has the rate of a wider group
_POINTS: Final = 60  # of a cost curve
_LAST_SURVIVAL: Final = 0.02  # that a curve is drawn to
_DRAWS: Final = 1000
_DAYS_A_YEAR: Final = 365.25
# Whole billionths, so that the sums are the same in any order.
MILES: Final = """(
    select
        model,
        cast(sum(cast(daily_mi * 1e9 as bigint)) as double) / 1e9 as daily_mi,
        cast(sum(cast(log_middle * 1e9 as bigint)) as double) / 1e9
        / nullif(count(log_middle), 0) as log_middle
    from marts.belts_ahead
    group by model
    order by model
)"""
_FOUND: Final = """(
    select model, band, lower_mi, upper_mi
    from marts.lives
    where ending = 'interval'
    order by belt_id
)"""
_SUMS: Final = (
    *("rechecked", "not_rechecked", "miles", "complaints", "failures"),
    *("preventive", "other_removals", "retensions"),
)


def policies(read: Read, settings: Settings) -> Tables:
    """Find the age to replace belts at, and compare ways of working."""
    lives, priced = read("fitted.lives"), costs(read, settings)
    groups = lives.sort("model", "band").to_dicts()
    ages = [_age_row(group, priced) for group in groups]
    own = [
        group
        for group in groups
        if group["shape"]
        and (group["model"], group["band"]) == (group["life_model"], group["life_band"])
    ]
    curves = [_curve(group, priced) for group in own if priced.can_weigh_age]
    empty = from_rows("replacement_curve", [])
    return {
        "results.replacement_age": from_rows("replacement_age", ages),
        "results.replacement_curve": pl.concat([empty, *curves]),
        "results.what_if": _what_if(read, settings, lives, priced),
        **assumptions(read, settings),
    }


def _prices(group: _Group, priced: Costs) -> dict[str, float]:
    """Return what the models of replacement ask for."""
    return {
        "shape": group["shape"],
        "scale_mi": group["scale_mi"],
        "cost_planned": priced.planned_replacement,
        "cost_failure": priced.failure,
    }


def _age_row(group: _Group, priced: Costs) -> dict[str, object]:
    """Advise a group of belts, in numbers and words."""
    row: dict[str, object] = {
        name: group[name]
        for name in ("model", "band", "life_model", "life_band", "shape", "scale_mi")
    }
    if not group["shape"]:
        return row | {"advice": "unknown", "reason": "Too few failures to fit a life."}
    if not priced.can_weigh_age:
        reason = "The settings give replacements or failures no cost to weigh."
        return row | {"advice": "unknown", "reason": reason}
    given = _prices(group, priced)
    best = age_replacement(**given)
    row |= {
        "advice": "run_to_failure",
        "cost_per_1000mi_to_failure": PER_MI * best.cost_per_mi_to_failure,
    }
    if best.age_mi is None or best.cost_per_mi is None or not best.is_worthwhile:
        return row | {"reason": f"Run to failure. {best.reason}{_whose(group)}"}
    age_from, age_to = near_best_ages_mi(best, **given)
    lo, hi = _saving_limits(group, best, priced)
    return row | {
        "advice": "replace",
        "age_mi": best.age_mi,
        "age_from_mi": age_from,
        "age_to_mi": age_to,
        "failed_share": best.failed_share,
        "cost_per_1000mi": PER_MI * best.cost_per_mi,
        "saving_share": best.saving,
        "saving_lo": lo,
        "saving_hi": hi,
        "reason": _advice(best, lo, hi) + _whose(group),
    }


def _advice(best: AgeReplacement, lo: float, hi: float) -> str:
    """Say the age, what it saves and how sure that is."""
    share, saving = (f"{100 * (x or 0):.0f}" for x in (best.failed_share, best.saving))
    doubt = " Whether it saves at all is not sure." if lo <= 0 else ""
    return (
        f"Replace at {best.age_mi:,.0f} mi: {share} % fail before, and it costs "
        f"{saving} % less a mile than running to failure (95 % sure: {100 * lo:.0f} to "
        f"{100 * hi:.0f} %).{doubt}"
    )


def _whose(group: _Group) -> str:
    """Say whose life it is where the group has none of its own."""
    model, band = group["life_model"], group["life_band"]
    if (model, band) == (group["model"], group["band"]):
        return ""
    whose = "every model" if model == "all" else model
    how = "however set" if band == "all" else f"band {band}"
    return f" By the life of {whose}, {how}: too few failures of its own."


def _saving_limits(
    group: _Group, best: AgeReplacement, priced: Costs
) -> tuple[float, float]:
    """95 % limits of the saving at that very age, by draws of the fitted life."""
    rng = np.random.default_rng(0)
    covariance = np.array(
        [
            [group["var_log_shape"], group["cov_log"]],
            [group["cov_log"], group["var_log_scale"]],
        ]
    )
    mean = np.log([group["shape"], group["scale_mi"]])
    drawn = rng.multivariate_normal(mean, covariance, _DRAWS, method="eigh")
    shape, scale_mi = np.exp(drawn).T
    to_failure = priced.failure / (scale_mi * gamma(1 + 1 / shape))
    at_age = replacement_cost_per_mi(
        np.full(_DRAWS, best.age_mi),
        shape=shape,
        scale_mi=scale_mi,
        cost_planned=priced.planned_replacement,
        cost_failure=priced.failure,
    )
    lo, hi = np.quantile(1 - at_age / to_failure, [0.025, 0.975])
    return float(lo), float(hi)


def _curve(group: _Group, priced: Costs) -> pl.DataFrame:
    """Cost per mile by the age of replacement, until hardly a belt is left."""
    shape, scale_mi = group["shape"], group["scale_mi"]
    last = scale_mi * float(-np.log(_LAST_SURVIVAL)) ** (1 / shape)
    age = np.linspace(last / _POINTS, last, _POINTS)
    cost = replacement_cost_per_mi(age, **_prices(group, priced))
    frame = pl.DataFrame(
        {
            "age_mi": age,
            "cost_per_1000mi": PER_MI * cost,
            "failed_share": -np.expm1(-((age / scale_mi) ** shape)),
        }
    ).with_columns(model=pl.lit(group["model"]), band=pl.lit(group["band"]))
    return to_contract("replacement_curve", frame)


def _what_if(
    read: Read, settings: Settings, lives: pl.DataFrame, priced: Costs
) -> pl.DataFrame:
    """Compare the policies on the models that run; no rows where no life is known."""
    sums = _sums(read("marts.policy_sums"), read(MILES))
    late = found_late(read(_FOUND), lives)
    strata = _strata(sums, miles_ahead(read, settings), late)
    cells = _cells(sums, strata, lives, read("results.noise_rates"))
    runs = (strata["miles_per_year"] > 0).any()
    is_fitted = runs and lives["shape"].is_not_null().any()
    if not is_fitted or cells["complaint_miles"].null_count():
        return from_rows("what_if", [])
    failures = sums["failures"].sum()
    fleet = Fleet.of(
        strata.select(STRATA.names()), cells, failures=float(failures or 0)
    )
    found = what_if(fleet, costs=priced, rng=np.random.default_rng(0), n_draws=_DRAWS)
    return to_contract("what_if", found)


def _sums(sums: pl.DataFrame, running: pl.DataFrame) -> pl.DataFrame:
    """Return the sums of each model that runs; the fleet's for one without installs."""
    installs = pl.col("rechecked") + pl.col("not_rechecked")
    models = running.select("model")
    known = sums.filter(pl.sum_horizontal(installs).sum().over("model") > 0)
    whole = known.group_by("band").agg(pl.col(_SUMS).sum())
    others = models.join(known, on="model", how="anti").join(whole, how="cross")
    columns = ["model", "band", *_SUMS]
    own = known.join(models, on="model", how="semi")
    return pl.concat([own.select(columns), others.select(columns)]).sort(
        "model", "band"
    )


def miles_ahead(read: Read, settings: Settings) -> pl.DataFrame:
    """Return miles a year of each model's belts, and miles between retensions.

    A belt set to the middle of its range is due where its mean has come so near the
    minimum that the settings' chance is left: ``log_middle - drift d = z sd(d)``.
    """
    drift = read("results.drift_by_model").select(
        "model", "drift_pct_per_1000mi", "drift_lo", "drift_hi", "between_belt_sd_pct"
    )
    per_day = read(MILES).select(
        "model", "log_middle", miles_per_year=_DAYS_A_YEAR * pl.col("daily_mi")
    )
    beta, spread = (
        pl.col(name) / 100 for name in ("drift_pct_per_1000mi", "between_belt_sd_pct")
    )
    z = float(-ndtri(settings.plan.retension_p))
    reading_var = read("fitted.reading_sd")["reading_sd"].item() ** 2
    # (log_middle - beta d)^2 = z^2 (r^2 + tau^2 d^2), the root before the mean is there
    a = beta**2 - z**2 * spread**2
    b, c = beta * pl.col("log_middle"), pl.col("log_middle") ** 2 - z**2 * reading_var
    root = (b**2 - a * c).clip(lower_bound=0.0).sqrt()
    due = c / (b + np.sign(z) * root)
    half = (pl.col("drift_hi") - pl.col("drift_lo")) / 2 / two_sided_z(0.95)
    is_known = (beta > 0) & (due > 0) & due.is_finite()
    return per_day.join(drift, on="model", how="left").select(
        "model",
        "miles_per_year",
        retension_every_mi=pl.when(is_known).then(1e3 * due),
        retension_every_log_sd=pl.when(is_known)
        .then(half / pl.col("drift_pct_per_1000mi"))
        .fill_null(0.0),
    )


def found_late(found: pl.DataFrame, lives: pl.DataFrame) -> pl.DataFrame:
    """Return how far belts of each model that failed ran on until they were found.

    Parameters
    ----------
    found : DataFrame
        Belts that failed unseen: ``model``, ``band``, ``lower_mi`` and ``upper_mi``.
    lives : DataFrame
        Of their groups, as in ``fitted.lives``.

    Returns
    -------
    DataFrame
        Mean miles, ``found_late_mi``, of each ``model`` that has such belts.
    """
    known = found.join(
        lives.select("model", "band", "shape", "scale_mi"),
        on=["model", "band"],
        how="inner",
        maintain_order="left",
    ).drop_nulls("shape")
    lower, upper, shape, scale = (
        known[name].to_numpy() for name in ("lower_mi", "upper_mi", "shape", "scale_mi")
    )
    late = upper - mean_life_between_mi(lower, upper, shape=shape, scale_mi=scale)
    models = known["model"].unique().sort()
    of = known["model"].replace_strict(models, range(models.len()))
    number = of.to_numpy().astype(np.int64)
    n = np.bincount(number, minlength=models.len())
    return pl.DataFrame(
        {"model": models, "found_late_mi": sum_by(number, late, models.len()) / n},
        {"model": pl.String, "found_late_mi": pl.Float64},
    )


def _strata(
    sums: pl.DataFrame, running: pl.DataFrame, late: pl.DataFrame
) -> pl.DataFrame:
    """Return what is the same for all belts of a model, to `STRATA`, with its name."""
    totals = sums.group_by("model").agg(pl.col(_SUMS).sum())
    return (
        totals.filter(pl.col("miles") > 0)
        .join(running, on="model")
        .join(late, on="model", how="left")
        .sort("model")
        .with_columns(
            stratum_no=pl.int_range(pl.len()),
            removal_miles=pl.col("miles"),
            found_late_mi=pl.col("found_late_mi").fill_null(0.0),
            retensions_per_year=pl.col("retensions")
            / pl.col("miles")
            * pl.col("miles_per_year"),
        )
        .select("model", *STRATA.names())
    )


def _cells(
    sums: pl.DataFrame, strata: pl.DataFrame, lives: pl.DataFrame, rates: pl.DataFrame
) -> pl.DataFrame:
    """Return what differs by how belts were set, to `CELLS`."""
    models = strata.select("model", "stratum_no")
    in_range = models.with_columns(band=pl.lit(IN_RANGE))
    installed = (pl.col("rechecked") + pl.col("not_rechecked")) > 0
    cells = (
        sums.filter(installed)
        .join(models, on="model")
        .select("model", "stratum_no", "band", "rechecked", "not_rechecked")
        .join(in_range, on=["model", "stratum_no", "band"], how="full", coalesce=True)
        .with_columns(pl.col("rechecked", "not_rechecked").fill_null(0))
    )
    used = lives.with_columns(
        life_no=pl.struct("life_model", "life_band").rank("dense")
    )
    cells = cells.join(used, on=["model", "band"], how="left")
    return _with_rates(cells, rates).select(CELLS.names())


def _with_rates(cells: pl.DataFrame, rates: pl.DataFrame) -> pl.DataFrame:
    """Give each cell the complaints of the narrowest group that has enough of them."""
    known = (
        rates.filter((pl.col("noise") == "all") & (pl.col("miles") > 0))
        .sort("model", "band")
        .select(
            "model",
            "band",
            "complaints",
            "widening",
            rate_no=pl.int_range(pl.len()),
            complaint_miles=pl.col("miles"),
        )
    )
    enough = known.filter(pl.col("complaints") >= FEW_COMPLAINTS)
    columns = ("rate_no", "complaints", "complaint_miles", "widening")
    own = cells.select("model", "band").join(enough, on=["model", "band"], how="left")
    by_band = cells.select("band").join(
        enough.filter(pl.col("model") == "all"), on="band", how="left"
    )
    whole = known.filter((pl.col("model") == "all") & (pl.col("band") == "all"))
    return cells.with_columns(
        pl.coalesce(
            own[name], by_band[name], pl.lit(whole[name].first(), dtype=own[name].dtype)
        ).alias(name)
        for name in columns
    )
