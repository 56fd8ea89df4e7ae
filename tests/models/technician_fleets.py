"""Invented settings straight in the frame that the technicians' model reads.

The generating model has what makes naive answers wrong: people keep to one gauge, and
some set the raw reading to the target.
"""

import datetime as dt
from dataclasses import dataclass

import numpy as np
import polars as pl

from fleetbelt.models.gauges import CALIBRATIONS, USES, corrections, fit_gauges

DAY = dt.date(2024, 3, 1)
READING_SD = 0.02
MODELS = np.array([0.004, -0.008, 0.010, -0.004, 0.0, -0.002])
SPANS_MM = np.array([160.0, 178.0, 210.0, 265.0, 300.0, 330.0])


@dataclass(frozen=True, kw_only=True)
class Fleet:
    """Settings of an invented fleet, and by technician what the fit is not told."""

    settings: pl.DataFrame
    habit: np.ndarray
    corrects: np.ndarray
    spread: np.ndarray

    @property
    def cells(self):
        return cells_of(self.settings)


def cells_of(settings):
    d = pl.col("d")
    return settings.group_by("technician_no", "gs_no", "model_no").agg(
        gauge_no=pl.col("gauge_no").first(),
        n=pl.len(),
        mean_d=d.mean(),
        ss_d=((d - d.mean()) ** 2).sum(),
        rho_gs=pl.col("rho_gs").first(),
        u_corr_gs=pl.col("u_corr_gs").first(),
    )


def calibrated(rng, rho_at, *, n_gauges):
    """Log ratio and uncertainty at each span met, as calibrations at four would say.

    Every twelfth gauge was never calibrated: it is taken to be true, and unsure.
    """
    rows = [
        (f"{g:03d}", DAY, span, 500.0, 500 * np.exp(y), None)
        for g in range(n_gauges)
        for span in (150.0, 200.0, 265.0, 400.0)
        for y in rho_at(g, span) + rng.normal(0, 0.01, 10)
        if g % 12 != 11
    ]
    uses = [("a", f"{g:03d}", span) for g in range(n_gauges) for span in SPANS_MM]
    found = corrections(
        fit_gauges(pl.DataFrame(rows, CALIBRATIONS, orient="row")),
        pl.DataFrame(uses, USES, orient="row"),
    )
    shape = (n_gauges, SPANS_MM.size)
    log_ratio = 0.0 - found["log_correction"].to_numpy().reshape(shape)
    return log_ratio, found["u_corr"].to_numpy().reshape(shape)


def fleet(rng, *, n=62, n_gauges=50, n_shops=5, settings=1200, habit_sd=0.04):
    """Shops whose people use one gauge 7 times in 10, else any other of the shop.

    Some gauges read 15 % high, some badly low on short spans. Nobody in one shop
    corrects; elsewhere nearly half do, and know the gauge's truth.
    """
    who, gauge = np.arange(n), np.arange(n_gauges)
    habit = rng.normal(-0.02, habit_sd, n)
    corrects = (rng.random(n) < 0.45) & (who % n_shops != 1)
    spread = np.exp(rng.normal(np.log(0.05), 0.25, n))
    short = np.where(gauge % 12 == 2, 0.16, rng.uniform(0.02, 0.06, n_gauges))
    scale = np.where(gauge % 12 == 6, 0.15, rng.normal(0, 0.015, n_gauges))

    def rho_at(g, span_mm):
        return scale[g] - short[g] * (178 / span_mm) ** 2

    said, u = calibrated(rng, rho_at, n_gauges=n_gauges)

    t = rng.permutation(np.repeat(who, rng.poisson(settings, n)))
    n_here = (n_gauges - t % n_shops - 1) // n_shops + 1
    turn = np.where(
        rng.random(t.size) < 0.7,
        t // n_shops % n_here,
        np.floor(rng.random(t.size) * n_here),
    )
    g = (t % n_shops + n_shops * turn).astype(int)
    model = rng.choice(6, t.size, p=(0.26, 0.2, 0.12, 0.18, 0.16, 0.08))
    span = (model + rng.integers(0, 2, t.size)) % 6
    rho = rho_at(g, SPANS_MM[span])
    left = habit[t] + MODELS[model] - ~corrects[t] * rho
    left = left + spread[t] * rng.standard_normal(t.size)
    shown = left + rho + READING_SD * rng.standard_normal(t.size)
    share = np.bincount(model, minlength=6) / t.size
    return Fleet(
        settings=pl.DataFrame(
            {
                "technician_no": t,
                "gauge_no": g,
                "gs_no": np.where(g % 12 != 11, 6 * g + span, 6 * g),
                "model_no": model,
                "d": shown - said[g, span],
                "rho_gs": said[g, span],
                "u_corr_gs": u[g, span],
            }
        ),
        habit=habit + share @ MODELS,
        corrects=corrects,
        spread=spread,
    )


def settings_of(d, *, number=0, gs_no=0, rho=0.0, u=0.0, model=0):
    return pl.DataFrame({"d": d}).select(
        technician_no=pl.lit(number, pl.Int64),
        gauge_no=pl.lit(gs_no, pl.Int64),
        gs_no=pl.lit(gs_no, pl.Int64),
        model_no=pl.lit(model, pl.Int64),
        d="d",
        rho_gs=pl.lit(rho, pl.Float64),
        u_corr_gs=pl.lit(u, pl.Float64),
    )


def one_cell(d, **what):
    return cells_of(settings_of(d, **what))


def dyestuff(means, within):
    n = len(means)
    return pl.DataFrame(
        {
            "technician_no": range(n),
            "gauge_no": [0] * n,
            "gs_no": [0] * n,
            "model_no": [0] * n,
            "n": [5] * n,
            "mean_d": means,
            "ss_d": [4 * within] * n,
            "rho_gs": [0.0] * n,
            "u_corr_gs": [0.0] * n,
        }
    )
