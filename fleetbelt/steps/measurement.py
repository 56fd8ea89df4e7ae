"""Gauges, and how sure it is that a tension lies in its range."""

from datetime import date
from typing import Final

import numpy as np
import polars as pl

from fleetbelt.models.conformity import conformity_with_prior, verdict
from fleetbelt.models.gauge_drift import as_on, fit_gauge_drift, levelled
from fleetbelt.models.gauge_study import gauge_study, reproducibility
from fleetbelt.models.gauges import GaugeFit, corrections, fit_gauges
from fleetbelt.models.proportions import wilson
from fleetbelt.settings import Settings
from fleetbelt.steps.tables import Tables, to_contract
from fleetbelt.store.frames import Read


def gauges(read: Read, settings: Settings) -> Tables:
    """Fit every gauge's ratio by span and date, and the correction of every use.

    What changed between calibrations is taken out of them first; `history.readings`
    gives each reading the shift of its date.
    """
    rules = settings.measurement
    day: date = read("history.as_of")["as_of"].item()
    known = read("(from staging.calibrations order by all)").filter(
        pl.col("date") <= pl.lit(day, dtype=pl.Date)
    )
    study = gauge_study(known)
    drift = fit_gauge_drift(
        known,
        default_repeatability=rules.default_repeatability,
        day_sd=reproducibility(study),
    )
    fit = fit_gauges(
        levelled(known, drift), default_repeatability=rules.default_repeatability
    )
    homes = (
        read("(from staging.gauges order by all)")
        .select("shop", "gauge_id")
        .drop_nulls()
    )
    corrected = corrections(
        fit,
        read("(from history.gauge_uses order by use_no)"),
        homes=homes,
        uncalibrated_u=rules.uncalibrated_u,
    )
    return {
        "results.gauge_curves": to_contract("gauge_curves", fit.curves),
        "results.gauge_study": to_contract("gauge_study", study),
        "fitted.gauge_notes": fit.notes,
        "fitted.gauge_lines": _lines(as_on(fit, drift, day)),
        "fitted.gauge_drift": drift.gauges,
        "fitted.gauge_shifts": drift.shifts,
        "fitted.gauges_off": drift.found_off,
        "fitted.corrections": corrected,
    }


def _lines(now: GaugeFit) -> pl.DataFrame:
    """Lay each gauge's ratio out over its spans, as it is now, with 95 % limits."""
    ends = now.curves.group_by("gauge_id", maintain_order=True).agg(
        pl.col("span_mm").min().alias("start"), pl.col("span_mm").max().alias("end")
    )
    steps = pl.DataFrame({"step": [k / STEPS for k in range(STEPS + 1)]})
    way = pl.col("start") + pl.col("step") * (pl.col("end") - pl.col("start"))
    between = ends.join(steps, how="cross", maintain_order="left_right").select(
        "gauge_id", span_mm=way
    )
    knots = now.curves.select("gauge_id", "span_mm")
    uses = (
        pl.concat([between, knots])
        .unique()
        .sort("gauge_id", "span_mm")
        .with_columns(shop=pl.lit(None, dtype=pl.String))
    )
    return (
        corrections(now, uses)
        .join(
            knots.with_columns(is_calibrated=pl.lit(value=True)),
            on=["gauge_id", "span_mm"],
            how="left",
            maintain_order="left",
        )
        .select(
            "gauge_id",
            "span_mm",
            pl.col("is_calibrated").fill_null(value=False),
            ratio=(-pl.col("log_correction")).exp(),
            ratio_lo=(-pl.col("log_correction") - 1.96 * pl.col("u_corr")).exp(),
            ratio_hi=(-pl.col("log_correction") + 1.96 * pl.col("u_corr")).exp(),
        )
    )


STEPS: Final = 24  # of a gauge's line from its shortest to its longest span


def conformity(read: Read, settings: Settings) -> Tables:
    """Hold every case of a tension to its range: chances and verdict."""
    rules = settings.measurement
    cases = read(f"(from marts.tension_cases order by {', '.join(_CASE)})")
    tension, low, high = (
        np.log(cases[name].to_numpy())
        for name in ("tension_n", "spec_min_n", "spec_max_n")
    )
    held = conformity_with_prior(
        tension,
        cases["u_log"].to_numpy(),
        low,
        high,
        group=cases.select(pl.struct(_CASE[:3]).rle_id()).to_series(),
        n=cases["n"].to_numpy(),
    )
    words = verdict(
        held.p_under,
        held.p_over,
        is_firm_allowed=cases["is_firm_allowed"].to_numpy(),
        firm=rules.firm_p,
        doubtful=rules.doubtful_p,
    )
    chances = {"p_under": held.p_under, "p_in": held.p_in, "p_over": held.p_over}
    return {
        "fitted.conformity": cases.drop("n").with_columns(
            *(pl.Series(name, p) for name, p in chances.items()),
            verdict=pl.Series(words, dtype=pl.String),
        )
    }


_CASE: Final = (
    "phase",
    "spec_min_n",
    "spec_max_n",
    "tension_n",
    "u_log",
    "is_firm_allowed",
)


def installs(read: Read) -> Tables:
    """Give the share of installs left under, per month and group, its interval."""
    counts = read("(from marts.install_counts order by grouped_by, value, month)")
    lo, hi = wilson(counts["under"].to_numpy(), counts["n"].to_numpy())
    return {
        "results.install_conformity": counts.select(
            pl.col("grouped_by").alias("by"),
            "value",
            "month",
            "n",
            "under",
            share=pl.col("under") / pl.col("n"),
            lo=pl.Series(lo),
            hi=pl.Series(hi),
            mean_p_under=pl.col("p_under") / pl.col("n"),
        )
    }
