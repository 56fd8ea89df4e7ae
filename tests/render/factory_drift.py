"""Invented evidence of the drift model, and the course of the watched belts."""

import numpy as np
import polars as pl

_RATE, _READING = "% per 1,000 mi", "% of the reading"
_EFFECTS = [
    ("duty", "urban", "mixed", _RATE, 0.12, 31.0, 2, True),
    ("duty", "highway", "mixed", _RATE, -0.02, 31.0, 2, True),
    ("hot", "all", None, _READING, 1.4, 22.0, 1, True),
    ("refitted", "all", None, _RATE, -0.05, 1.1, 1, False),
    ("set_level", "all", None, f"{_RATE} where set 10 % tighter", None, 0.0, 0, False),
    ("left_shift", "all", None, _READING, 0.2, 1.2, 1, False),
    ("left_slope", "all", None, "share", 0.09, 40.0, 1, True),
]


def evidence(drift: pl.DataFrame, story: pl.DataFrame) -> dict[str, pl.DataFrame]:
    """Return the tables beside drift_by_model and drift_by_belt."""
    return {
        "results.drift_effects": _effects(),
        "results.drift_clocks": pl.DataFrame(
            {
                "clock": ["miles", "log_miles"],
                "deviance": [-812.4, -799.1],
                "is_chosen": [True, False],
            }
        ),
        "results.drift_checks": _checks(),
        "results.drift_gauges": _gauges(),
        "results.drift_offsets": pl.DataFrame(
            {
                "cell": ["G4 at 178 mm", "G5 at 230 mm"],
                "n_belts": [24, 6],
                "assumed_u": 0.08,
                "ratio": [0.97, 1.01],
                "ratio_lo": [0.96, 0.93],
                "ratio_hi": [0.98, 1.08],
                "is_used": [True, False],
            }
        ),
        "fitted.belt_ahead": _ahead(drift),
        "marts.belt_complaints": _complaints(story),
    }


def _effects() -> pl.DataFrame:
    names = ["effect", "duty", "duty_base", "unit", "estimate", "deviance", "df",
             "is_kept"]  # fmt: skip
    half = 0.3 * pl.col("estimate").abs()
    return pl.DataFrame(_EFFECTS, schema=names, orient="row").with_columns(
        estimate_lo=pl.col("estimate") - half,
        estimate_hi=pl.col("estimate") + half,
        p_value=pl.when(pl.col("df") > 0).then((-pl.col("deviance") / 2).exp()),
    )


def _checks() -> pl.DataFrame:
    part = np.arange(1, 11)
    mean = 0.1 * np.sin(part)
    tenth = pl.DataFrame(
        {
            "part": part,
            "least": part * 100.0,
            "most": part * 100.0 + 99,
            "n": 48,
            "mean_z": mean,
            "sd_z": 1.02,
        }
    )
    whole = {"of": "all", "part": 0, "n": 480, "n_left_out": 12, "mean_z": 0.01,
             "sd_z": 1.01, "autocorrelation": -0.02}  # fmt: skip
    half = 1.96 / pl.col("n").sqrt()
    return pl.concat(
        [
            pl.DataFrame(whole),
            tenth.with_columns(of=pl.lit("miles")),
            tenth.with_columns(of=pl.lit("tension")),
        ],
        how="diagonal_relaxed",
    ).with_columns(mean_lo=pl.col("mean_z") - half, mean_hi=pl.col("mean_z") + half)


def _gauges() -> pl.DataFrame:
    shift = np.array([-0.006, 0.002, 0.011, 0.0, -0.001])
    return pl.DataFrame(
        {
            "gauge_id": [f"G{k}" for k in range(1, 6)],
            "n_readings": 90,
            "drift_without": 0.58 + shift,
            "shift": shift,
            "shift_in_se": shift / 0.015,
        }
    )


def _ahead(drift: pl.DataFrame) -> pl.DataFrame:
    """Lines from before now through now and further."""
    watched = drift.filter(pl.col("p_under_now") >= 0.2)
    now = pl.col("tension_now_n")
    return pl.concat(
        watched.select(
            "belt_id",
            odometer_mi=pl.col("odometer_now_mi") + miles,
            is_now=pl.lit(miles == 0),
            tension_n=now * (1 - miles * 6e-6),
            tension_lo_n=now * (0.93 - miles * 8e-6),
            tension_hi_n=now * (1.07 - miles * 4e-6),
        )
        for miles in (-400.0, 0.0, 5_000.0, 10_000.0)
    )


def _complaints(story: pl.DataFrame) -> pl.DataFrame:
    visits = story.filter(pl.col("phase") == "found", pl.col("action") == "retension")
    return visits.select(
        pl.format("C-{}", "service_id").alias("complaint_id"),
        "belt_id",
        "date",
        pl.col("odometer_mi") - 300,
        pl.lit("squeal").alias("noise"),
    )
