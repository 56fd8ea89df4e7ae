"""What else drift depends on: duty, set level, refitting, hot readings."""

from dataclasses import dataclass
from math import log
from typing import Final, Self

import numpy as np
import polars as pl
from scipy.special import chdtrc

from fleetbelt.models.arrays import FloatArray
from fleetbelt.models.drift_filter import BeltSums, Spreads
from fleetbelt.models.drift_likelihood import Pooled
from fleetbelt.models.drift_readings import (
    Clock,
    Conditions,
    Effects,
    blocks_of_belts,
    rows_of_belts,
    setting_groups,
)
from fleetbelt.models.drift_runs import Each, Runs
from fleetbelt.models.estimates import two_sided_z

LARGEST_SLOPE: Final = 0.9  # of left readings: more would leave nothing of them

EFFECTS: Final = pl.Schema(
    {
        "effect": pl.String(),  # hot, refitted, set_level, duty; left_shift, left_slope
        "duty_no": pl.Int64(),  # the duty class, null for other effects
        "estimate": pl.Float64(),  # in the unit of `Effects`; null if nothing tells
        "lo": pl.Float64(),  # 95 %
        "hi": pl.Float64(),
        "deviance": pl.Float64(),  # likelihood ratio of the whole effect, -2 log
        "df": pl.Int64(),  # its degrees of freedom
        "p_value": pl.Float64(),
        "is_supported": pl.Boolean(),  # worth its place in the model
    }
)
_CHOICES: Final = ("hot", "refitted", "set_level", "duty")  # may enter the model
_ADDED: Final = ("refitted", "set_level")  # to drift, and then each duty
_SHOWN: Final = ("left_shift", "left_slope", "hot")
_ALLOWED_FOR: Final = ("left_shift", "left_slope")  # stand beside every test


@dataclass(frozen=True, slots=True, kw_only=True)
class EffectTests:
    """Likelihood-ratio tests of what drift and readings may depend on.

    Attributes
    ----------
    table : polars.DataFrame
        One row per coefficient, to `EFFECTS`.
    supported : Effects
        The effects that the data support, to fit again with; the others are 0.
    worth : float
        Deviance that each of their coefficients must gain: log of the intervals.
    base_duty_no : int or None
        The duty class to which the others are compared.
    """

    table: pl.DataFrame
    supported: Effects
    worth: float
    base_duty_no: int | None

    @property
    def price(self) -> float:
        """Deviance that the supported coefficients had to gain together."""
        return self.worth * self.table.filter("is_supported").height


def effect_tests(
    readings: pl.DataFrame,
    spreads: Spreads,
    *,
    clock: Clock = "miles",
    effects: Effects | None = None,
) -> EffectTests:
    """Test each effect against the fitted model, the spreads held.

    Parameters
    ----------
    readings : polars.DataFrame
        What the model was fitted to, as `checked_readings` returns them.
    spreads : Spreads
        Of a fit without effects.
    clock : {'miles', 'log_miles'}, default 'miles'
        What drift goes with.
    effects : Effects, optional
        Effects that are known already, beside which each is tested.

    Returns
    -------
    EffectTests
        Each effect's size, interval and test; and those to keep.

    Notes
    -----
    With the spreads held, the likelihood ratio is what an effect takes off the
    generalised sum of squares; it is chi-squared. Effects enter one after the other,
    the strongest first, as long as theirs exceeds ``df log(n)``, n the intervals [1]_,
    so that trifles stay out of large fleets. The table tests each beside those.

    How tightly a belt was set is known by a reading whose error the next found reading
    does not share: what was read too high is found lower at no drift at all. Every test
    therefore allows for left readings that are too high by ``left_shift`` (as where an
    adjuster slips) and by a share ``left_slope`` of their set level over the mean of
    like settings: errors of readings go to and fro, so that on the mean they are none.

    Drift by duty is relative to the class with most rows.

    References
    ----------
    .. [1] Schwarz, G. (1978), *Ann. Statist.* 6, 461-464.
    """
    by_rows = readings["duty_no"].value_counts().sort("count", "duty_no")["duty_no"]
    duties = sorted(by_rows[:-1])
    left_level = _mean_levels(readings)
    pooled, n_intervals = _pooled(readings, duties, spreads, clock, effects, left_level)
    sums = _beside_the_models(pooled)
    names = (*_ADDED, *duties, *_SHOWN)
    places = {name: [names.index(name)] for name in (*_ALLOWED_FOR, *_CHOICES[:-1])}
    places["duty"] = [names.index(duty) for duty in duties]
    worth = log(max(n_intervals, 2))

    def tested(effect: str) -> _LikelihoodRatio:
        beside = [i for name in kept if name != effect for i in places[name]]
        return _LikelihoodRatio.of(sums, places[effect], beside, worth=worth)

    kept = list(_ALLOWED_FOR)
    while left := {name: tested(name).excess for name in _CHOICES if name not in kept}:
        strongest = max(left, key=left.__getitem__)
        if left[strongest] <= 0:
            break
        kept.append(strongest)
    table = pl.concat([tested(name).table(name) for name in places]).with_columns(
        duty_no=pl.Series([None] * (len(places) - 1) + duties, dtype=pl.Int64)
    )
    table = table.select(pl.col(name).cast(t) for name, t in EFFECTS.items())
    return EffectTests(
        table=table,
        supported=_supported(table, left_level),
        worth=worth,
        base_duty_no=by_rows[-1] if by_rows.len() else None,
    )


def _pooled(
    readings: pl.DataFrame,
    duties: list[int],
    spreads: Spreads,
    clock: Clock,
    effects: Effects | None,
    left_level: FloatArray,
) -> tuple[Pooled, int]:
    """Sum up the belts of each model, with a term for each effect; and the intervals.

    In blocks that are added in order, so that the sums are the same again. A duty adds
    drift to its belts alone: their sums have it already, as those of drift itself.
    """
    n_models, n_duties = (
        int(readings[name].to_numpy().max(initial=-1)) + 1
        for name in ("model_no", "duty_no")
    )
    parts, n_intervals = [], 0
    for block in blocks_of_belts(readings):
        added, shown = _terms(block, left_level)
        runs = Runs.of(block, clock=clock, effects=effects, added=added, shown=shown)
        sums = BeltSums.of(runs, spreads)
        first, _ = rows_of_belts(block["belt_no"].to_numpy())
        group = runs.model * n_duties + block["duty_no"].to_numpy()[first]
        n_groups = n_models * n_duties
        parts.append(Pooled.of(sums.cross, spreads.slope, group, n_groups))
        n_intervals += int(sums.n.sum())
    return _with_duties(Pooled.added_up(parts), duties, n_duties), n_intervals


def _with_duties(pooled: Pooled, duties: list[int], n_duties: int) -> Pooled:
    """Add up the duties of each model, with a term for some between the others."""
    n_terms, n_before = pooled.score.shape[1], 2 + len(_ADDED)
    own = np.arange(n_terms)
    place = np.concatenate([own[:n_before], np.zeros(len(duties), int), own[n_before:]])
    takes = np.zeros((n_duties, place.size, n_terms))
    takes[:, np.arange(place.size), place] = 1.0
    for i, duty in enumerate(duties, start=n_before):
        takes[np.arange(n_duties) != duty, i] = 0.0
    by_duty = (-1, n_duties)
    information = pooled.information.reshape(*by_duty, n_terms, n_terms)
    score = pooled.score.reshape(*by_duty, n_terms, 1)
    return Pooled(
        information=(takes @ information @ takes.swapaxes(1, 2)).sum(axis=1),
        score=(takes @ score).sum(axis=1)[:, :, 0],
        square=pooled.square.reshape(by_duty).sum(axis=1),
    )


def _mean_levels(readings: pl.DataFrame) -> FloatArray:
    """Mean set level of each group of settings; 0 of those that have none."""
    level = readings["set_level"].to_numpy()
    rows = np.flatnonzero(~np.isnan(level))
    group = setting_groups(readings, rows)
    n_groups = 2 * int(readings["model_no"].to_numpy().max(initial=-1)) + 2
    n = np.bincount(group, minlength=n_groups)
    total: FloatArray = np.bincount(group, level[rows], n_groups)  # type: ignore[assignment]
    return total / np.maximum(n, 1)


def _terms(
    readings: pl.DataFrame, left_level: FloatArray
) -> tuple[list[FloatArray], list[tuple[Each, Each]]]:
    """Return what adds to drift, and what readings show too much.

    In the order of `_ADDED` and of `_SHOWN`.
    """
    after = Conditions.after(readings)
    before = after.before()
    hot = readings["is_hot"].to_numpy()
    added = [before.refitted.astype(float), before.set_level]
    level = readings["set_level"].to_numpy()
    level = np.nan_to_num(level - left_level[setting_groups(readings, slice(None))])
    return added, [(0.0, 1.0), (0.0, level), (hot, hot)]


def _beside_the_models(pooled: Pooled) -> tuple[FloatArray, FloatArray]:
    """Information and score of the terms, the models' coefficients eliminated."""
    m, v = pooled.information, pooled.score[:, :, None]
    inverse = np.linalg.pinv(m[:, :2, :2], rcond=1e-12, hermitian=True)
    across = m[:, 2:, :2] @ inverse
    information = (m[:, 2:, 2:] - across @ m[:, :2, 2:]).sum(axis=0)
    score = (v[:, 2:] - across @ v[:, :2]).sum(axis=0)[:, 0]
    of_its_own = np.diag(information) > 1e-9 * np.diag(m.sum(axis=0))[2:]
    return information * np.outer(of_its_own, of_its_own), score * of_its_own


@dataclass(frozen=True, slots=True, kw_only=True)
class _LikelihoodRatio:
    """Estimates of some terms beside others, and their joint test."""

    estimate: FloatArray
    half: FloatArray
    deviance: float
    df: int
    excess: float  # deviance over what it must gain

    @classmethod
    def of(
        cls,
        sums: tuple[FloatArray, FloatArray],
        own: list[int],
        beside: list[int],
        *,
        worth: float,
    ) -> Self:
        estimate, var, fitted, rank = _solved(sums, [*own, *beside])
        *_, fitted_without, rank_without = _solved(sums, beside)
        df, deviance = rank - rank_without, max(fitted - fitted_without, 0.0)
        is_told = np.full(len(own), df == len(own))
        return cls(
            estimate=np.where(is_told, estimate[: len(own)], np.nan),
            half=two_sided_z(0.95) * np.sqrt(var[: len(own)]),
            deviance=deviance,
            df=df,
            excess=deviance - worth * df,
        )

    def table(self, effect: str) -> pl.DataFrame:
        """One row per term."""
        numbers = {
            "estimate": self.estimate,
            "lo": self.estimate - self.half,
            "hi": self.estimate + self.half,
        }
        p_value = float(chdtrc(self.df, self.deviance)) if self.df else None
        return pl.DataFrame(numbers).select(
            pl.all().fill_nan(None),
            effect=pl.lit(effect),
            deviance=pl.lit(self.deviance),
            df=pl.lit(self.df),
            p_value=pl.lit(p_value, pl.Float64),
            is_supported=pl.lit(self.df > 0 and self.excess > 0),
        )


def _solved(
    sums: tuple[FloatArray, FloatArray], places: list[int]
) -> tuple[FloatArray, FloatArray, float, int]:
    """Solve for some terms: estimates, variances, what they explain, and rank."""
    information, score = sums[0][np.ix_(places, places)], sums[1][places]
    scale = np.sqrt(np.diag(information))
    scale = 1.0 / np.where(scale > 0, scale, np.inf)
    values, vectors = np.linalg.eigh(information * np.outer(scale, scale))
    is_told = values > 1e-8
    spread = scale[:, None] * vectors[:, is_told] / np.sqrt(values[is_told])
    fitted = spread.T @ score
    return (
        spread @ fitted,
        (spread**2).sum(axis=1),
        float(fitted @ fitted),
        is_told.sum(),
    )


def _supported(table: pl.DataFrame, left_level: FloatArray) -> Effects:
    kept = table.filter("is_supported")
    single = {row["effect"]: row["estimate"] for row in kept.iter_rows(named=True)}
    by_duty = dict(kept.filter(effect="duty").select("duty_no", "estimate").iter_rows())
    has_slope = "left_slope" in single
    return Effects(
        hot=single.get("hot", 0.0),
        left_shift=single.get("left_shift", 0.0),
        left_slope=min(max(single.get("left_slope", 0.0), 0.0), LARGEST_SLOPE),
        left_level=tuple(left_level.tolist()) if has_slope else (),
        refitted=single.get("refitted", 0.0),
        set_level=single.get("set_level", 0.0),
        duty=tuple(by_duty.get(i, 0.0) for i in range(max(by_duty, default=-1) + 1)),
    )
