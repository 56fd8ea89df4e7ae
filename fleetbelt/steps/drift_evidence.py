"""What the drift model rests on: its clock, effects, innovations, and gauges."""

from typing import Final

import numpy as np
import polars as pl

from fleetbelt.models.drift import DriftFit
from fleetbelt.models.drift_by_model import pct_per_1000mi
from fleetbelt.models.drift_checks import gauge_influence, innovation_checks
from fleetbelt.models.drift_clock import ClockChoice
from fleetbelt.models.drift_tests import EffectTests
from fleetbelt.models.estimates import two_sided_z
from fleetbelt.steps.tables import Tables, from_rows, to_contract

DUTIES: Final = ("not given", "urban", "mixed", "highway")  # by duty_no
TIGHTER: Final = 1.1  # a belt set so many times as tight is spoken of
_OF_READING: Final = "% of the reading"
_OF_DRIFT: Final = "% per 1,000 mi"
_UNITS: Final = {
    "hot": _OF_READING,
    "left_shift": _OF_READING,
    "left_slope": "share",
    "refitted": _OF_DRIFT,
    "duty": _OF_DRIFT,
    "set_level": "% per 1,000 mi where set 10 % tighter",
}


def evidence(
    readings: pl.DataFrame,
    gauges: pl.Series,
    fit: DriftFit,
    tests: EffectTests | None,
    choice: ClockChoice,
) -> Tables:
    """Lay out the tables that say why the drift model is believed, and how far."""
    return {
        "results.drift_effects": _effects(tests, fit),
        "results.drift_clocks": _clocks(choice),
        "results.drift_checks": _checks(readings, fit),
        "results.drift_gauges": _gauges(readings, gauges, fit),
    }


def _effects(tests: EffectTests | None, fit: DriftFit) -> pl.DataFrame:
    if tests is None:
        return from_rows("drift_effects", [])
    rate = pct_per_1000mi(fit.clock)
    factor = {
        _OF_READING: 100.0,
        "share": 1.0,
        _OF_DRIFT: rate,
        _UNITS["set_level"]: rate * float(np.log(TIGHTER)),
    }
    base = tests.base_duty_no
    unit = pl.col("effect").replace_strict(_UNITS)
    scale = unit.replace_strict(factor, return_dtype=pl.Float64)
    is_duty = pl.col("effect") == "duty"
    names = pl.col("duty_no").replace_strict(
        dict(enumerate(DUTIES)), default="all", return_dtype=pl.String
    )
    return to_contract(
        "drift_effects",
        tests.table.with_columns(
            duty=names.fill_null("all"),
            duty_base=pl.when(is_duty).then(
                pl.lit(None if base is None else DUTIES[base])
            ),
            unit=unit,
            estimate=pl.col("estimate") * scale,
            estimate_lo=pl.col("lo") * scale,
            estimate_hi=pl.col("hi") * scale,
            is_kept=pl.col("is_supported"),
        ).sort("effect", "duty"),
    )


def _clocks(choice: ClockChoice) -> pl.DataFrame:
    rows: list[dict[str, object]] = [
        {"clock": clock, "deviance": deviance, "is_chosen": clock == choice.clock}
        for clock, deviance in choice.deviance.items()
        if not choice.not_learned
    ]
    return from_rows("drift_clocks", rows)


def _checks(readings: pl.DataFrame, fit: DriftFit) -> pl.DataFrame:
    if fit.not_learned:
        return from_rows("drift_checks", [])
    checks = innovation_checks(readings, fit, np.random.default_rng(0))
    whole = pl.DataFrame(
        {
            "of": ["all"],
            "part": [0],
            "n": [checks.n],
            "n_left_out": [checks.n_left_out],
            "mean_z": [checks.mean],
            "sd_z": [checks.sd],
            "autocorrelation": [checks.autocorrelation],
        }
    )
    limits = pl.col("lo", "hi")
    parts = [
        whole,
        checks.by_miles.with_columns(of=pl.lit("miles")),
        checks.by_tension.with_columns(limits.exp(), of=pl.lit("tension")),
    ]
    half = two_sided_z(0.95) / pl.col("n").sqrt()
    return to_contract(
        "drift_checks",
        pl.concat(parts, how="diagonal_relaxed").with_columns(
            least="lo",
            most="hi",
            mean_lo=pl.col("mean_z") - half,
            mean_hi=pl.col("mean_z") + half,
        ),
    )


def _gauges(readings: pl.DataFrame, gauges: pl.Series, fit: DriftFit) -> pl.DataFrame:
    if fit.not_learned:
        return from_rows("drift_gauges", [])
    found = gauge_influence(
        readings, readings["gauge_no"], fit, np.random.default_rng(0)
    )
    rate = pct_per_1000mi(fit.clock)
    return to_contract(
        "drift_gauges",
        found.with_columns(
            gauges[found["gauge_no"]].alias("gauge_id"),
            drift_without=pl.col("drift_without") * rate,
            shift=pl.col("shift") * rate,
        ).sort("gauge_id"),
    )
