"""How long belts last, by model and by how they were set."""

from dataclasses import dataclass, replace
from itertools import product
from typing import Self

import numpy as np
import numpy.typing as npt
import polars as pl

from fleetbelt.contract import BANDS
from fleetbelt.models.arrays import IntArray
from fleetbelt.models.estimates import Estimate
from fleetbelt.models.hazard_curve import hazard_curve
from fleetbelt.models.life import WeibullFit, fit_weibull
from fleetbelt.models.life_curve import LifeCurve, kaplan_meier
from fleetbelt.models.lives import End, Lives
from fleetbelt.models.plan import FAILURE_DAYS
from fleetbelt.models.plan_jobs import p_failure_ahead
from fleetbelt.steps.tables import Tables, from_rows, to_contract
from fleetbelt.store.frames import Read

MANY_BELTS = 20_000  # from here miles are grouped to 250: changes the shape by 5e-6
GROUP_MI = 250.0
TRUSTED_FAILURES = (
    10  # with fewer, a group's belts are foretold by a wider group's life
)
_BANDS = ["all", *BANDS]
_LIVES = "(select model, band, ending, entry_mi, lower_mi, upper_mi from marts.lives)"
_ENDS = {
    "censored": End.CENSORED,
    "exact": End.EXACT,
    "interval": End.INTERVAL,
    "running": End.RUNNING,
}


def lives(read: Read) -> Tables:
    """Fit the life of every group, and say how likely each running belt fails soon."""
    models = [*read("history.model_middles").filter(pl.col("model") != "all")["model"]]
    groups = _Groups.of(read, ["all", *sorted(models)])
    broken_share = groups.broken_share
    fits: dict[tuple[str, str], WeibullFit] = {}
    rows: list[dict[str, object]] = []
    curves: list[pl.DataFrame] = []
    for model, band in product(groups.models, _BANDS):
        group = groups.group(model, band)
        fit = fit_weibull(group, broken_share=broken_share)
        fits[model, band] = fit
        rows.append({"model": model, "band": band, **_row(fit)})
        curves.append(_curve(group, broken_share, model, band))
    used = pl.DataFrame([_used(fits, *group) for group in fits], _USED)
    return {
        "results.life_by_group": from_rows("life_by_group", rows),
        "results.life_curve": pl.concat(curves),
        "fitted.lives": used,
        "fitted.belt_lives": _soon(read, used),
    }


@dataclass(frozen=True, slots=True, kw_only=True)
class _Groups:
    """The lives of all belts, in cells of a model and a band."""

    models: list[str]  # "all" first
    broken_share: float
    n: IntArray  # (n_cells,) belts
    fine: Lives  # of the cells without many belts
    near: Lives  # of all cells, miles rounded

    @classmethod
    def of(cls, read: Read, models: list[str]) -> Self:
        belts = read(_LIVES)
        model, band = (
            belts[name]
            .replace_strict(words, range(len(words)), return_dtype=pl.Int64)
            .to_numpy()
            for name, words in (("model", models), ("band", _BANDS))
        )
        lives = as_lives(belts, cell=model * len(_BANDS) + band)
        n = np.bincount(lives.cell, minlength=len(models) * len(_BANDS))
        return cls(
            models=models,
            broken_share=lives.broken_share,
            n=n,
            fine=lives.where(n[lives.cell] <= MANY_BELTS).grouped(),
            near=lives.grouped(GROUP_MI),
        )

    def group(self, model: str, band: str) -> Lives:
        """Return the lives of one group."""
        is_in = np.ones((len(self.models), len(_BANDS)), dtype=np.bool_)
        if model != "all":
            is_in &= (np.arange(len(self.models)) == self.models.index(model))[:, None]
        if band != "all":
            is_in &= np.arange(len(_BANDS)) == _BANDS.index(band)
        has_many = self.n[is_in.ravel()].sum() > MANY_BELTS
        lives = self.near if has_many else self.fine
        rows = lives.where(np.flatnonzero(is_in.ravel()[lives.cell]))
        together = replace(rows, cell=np.zeros_like(rows.cell))
        return together.grouped(GROUP_MI) if has_many else together


def group_width(lives: Lives) -> float | None:
    """Return to what multiple the miles of so many belts are rounded, if to any."""
    return GROUP_MI if lives.n > MANY_BELTS else None


def as_lives(belts: pl.DataFrame, *, cell: npt.ArrayLike = 0) -> Lives:
    """Take rows of ``marts.lives`` to the life model; ``cell`` is that of a design."""
    return Lives.of(
        belts["ending"].replace_strict(_ENDS, return_dtype=pl.Int64).to_numpy(),
        belts["lower_mi"].to_numpy(),
        belts["upper_mi"].to_numpy(),
        entry_mi=belts["entry_mi"].to_numpy(),
        cell=cell,
    )


def _row(fit: WeibullFit) -> dict[str, object]:
    """Spread a fit over the columns of its row; nulls where there is none."""
    none = Estimate(value=np.nan, lo=np.nan, hi=np.nan)
    shape, scale, b10, median = (
        x or none for x in (fit.shape, fit.scale_mi, fit.b10_mi, fit.median_mi)
    )
    row = {
        "shape": shape.value,
        "shape_lo": shape.lo,
        "shape_hi": shape.hi,
        "scale_mi": scale.value,
        "scale_lo": scale.lo,
        "scale_hi": scale.hi,
        "b10_mi": b10.value,
        "b10_lo": b10.lo,
        "b10_hi": b10.hi,
        "median_mi": median.value,
        "median_lo": median.lo,
        "median_hi": median.hi,
        "shape_profile_lo": shape.profile_lo,
        "shape_profile_hi": shape.profile_hi,
        "scale_profile_lo": scale.profile_lo,
        "scale_profile_hi": scale.profile_hi,
        "b10_profile_lo": b10.profile_lo,
        "b10_profile_hi": b10.profile_hi,
        "median_profile_lo": median.profile_lo,
        "median_profile_hi": median.profile_hi,
    }
    known = {k: None if v is None or np.isnan(v) else v for k, v in row.items()}
    return {"n": fit.n, "failures": fit.failures, **known}


def _curve(lives: Lives, broken_share: float, model: str, band: str) -> pl.DataFrame:
    has_intervals = bool((lives.end == End.INTERVAL).any())
    curve: LifeCurve = (
        hazard_curve(lives, broken_share=broken_share)
        if has_intervals
        else kaplan_meier(lives)
    )
    frame = pl.DataFrame(
        {
            "miles": curve.miles,
            "at_risk": curve.at_risk,
            "survival": curve.survival,
            "survival_lo": curve.survival_lo,
            "survival_hi": curve.survival_hi,
        },
        schema_overrides=dict.fromkeys(_STEPS, pl.Float64),
    ).with_columns(model=pl.lit(model), band=pl.lit(band), method=pl.lit(curve.method))
    return to_contract("life_curve", frame)


_STEPS = ("miles", "at_risk", "survival", "survival_lo", "survival_hi")


# Running belts with their age.
_RUNNING = """(
    select
        running.belt_id, belts.model, belts.band, running.daily_mi,
        running.daily_sd_mi,
        running.odometer_now_mi - belts.install_odometer_mi as age_mi
    from history.running_belts as running
    inner join results.belts as belts using (belt_id)
)"""


def _soon(read: Read, lives: pl.DataFrame) -> pl.DataFrame:
    """Give each running belt its age, its life, and its chance to fail in 90 days."""
    aged = read(_RUNNING).with_columns(pl.col("age_mi").clip(lower_bound=0.0))
    used = lives.select("model", "band", "shape", "scale_mi")
    aged = aged.join(used, on=["model", "band"], how="left", maintain_order="left")
    names = ("daily_mi", "daily_sd_mi", "age_mi", "shape", "scale_mi")
    chance = p_failure_ahead(
        FAILURE_DAYS,
        **{name: aged[name].fill_null(np.nan).to_numpy() for name in names},
    )
    aged = aged.with_columns(p_failure_90d=pl.Series(chance).fill_nan(None))
    columns = ("belt_id", "model", "band", "age_mi", "shape", "scale_mi")
    return aged.select(*columns, "p_failure_90d")


def _used(
    fits: dict[tuple[str, str], WeibullFit], model: str, band: str
) -> dict[str, object]:
    """Return a group with the life that is reckoned with: the narrowest one to trust.

    A group of few failures has its model's life, then its band's, then that of all.
    """
    groups = ((model, band), (model, "all"), ("all", band), ("all", "all"))
    for least in (TRUSTED_FAILURES, 0):
        for group in groups:
            fit = fits[group]
            if fit.shape and fit.scale_mi and fit.failures >= least:
                var_log_shape, cov_log, var_log_scale = fit.log_covariance or (0, 0, 0)
                return {
                    "model": model,
                    "band": band,
                    "life_model": group[0],
                    "life_band": group[1],
                    "shape": fit.shape.value,
                    "scale_mi": fit.scale_mi.value,
                    "var_log_shape": var_log_shape,
                    "cov_log": cov_log,
                    "var_log_scale": var_log_scale,
                }
    return {"model": model, "band": band}


_USED = pl.Schema(
    {
        "model": pl.String(),
        "band": pl.String(),
        "life_model": pl.String(),  # the group whose life this is; null: none is known
        "life_band": pl.String(),
        "shape": pl.Float64(),
        "scale_mi": pl.Float64(),
        "var_log_shape": pl.Float64(),
        "cov_log": pl.Float64(),
        "var_log_scale": pl.Float64(),
    }
)
