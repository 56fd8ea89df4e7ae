"""Invented results of the fits: life, noise, people, gauges, plan."""

import numpy as np
import polars as pl

from tests.render import factory_plan
from tests.render.factory_gauges import gauges

BANDS = {"loose": 0.6, "under": 0.75, "in_spec": 1.0, "over": 0.95, "tight": 0.85}


def fits(
    vehicles: pl.DataFrame, models: list[str], seed: int
) -> dict[str, pl.DataFrame]:
    """Return the tables of fits for an invented fleet."""
    rng = np.random.default_rng(seed + 1)
    return {
        "results.gauge_curves": _gauge_curves(rng),
        **gauges(),
        "results.gauge_study": _gauge_study(),
        "results.gauge_recall": _gauge_recall(),
        "results.life_by_group": _life_by_group(models),
        "results.life_curve": _life_curve(rng),
        "results.life_effects": _life_effects(),
        "results.life_tests": _life_tests(),
        "results.life_dose": _dose(-0.4, 0.3, "time_ratio"),
        "results.noise_rates": _noise_rates(),
        "results.noise_curve": _noise_curve(rng),
        "results.noise_dose": pl.concat(
            [
                _dose(1.2, -0.3, "rate_ratio").with_columns(noise=pl.lit("squeal")),
                _dose(-0.2, 0.7, "rate_ratio").with_columns(noise=pl.lit("whine")),
            ]
        ),
        "results.noise_avoidable": _avoidable(),
        "results.repair_rates": _repair_rates(),
        "results.repair_dose": _dose(-0.1, 0.8, "rate_ratio"),
        "results.vehicle_results": _vehicle_results(rng, vehicles),
        "results.technician_results": _technicians(rng),
        **factory_plan.plan(vehicles, models, seed),
        "results.technician_retensions": _retensions(rng),
        "results.technician_complaints": _complaints(rng),
    }


def _gauge_curves(rng: np.random.Generator) -> pl.DataFrame:
    spans = np.array([150.0, 178.0, 230.0, 305.0, 410.0])
    parts = []
    for k in range(10):
        off = 1 - (0.04 + 0.02 * k) * (150 / spans) ** 2 if k % 2 else 1 + 0.01 * k
        ratio = np.broadcast_to(off, spans.shape) * rng.normal(1, 0.003, spans.size)
        parts.append(
            pl.DataFrame(
                {
                    "gauge_id": f"G{k + 1}",
                    "span_mm": spans,
                    "n": 6,
                    "ratio": ratio,
                    "ratio_lo": ratio * 0.99,
                    "ratio_hi": ratio * 1.01,
                    "correction": 1 / ratio,
                    "repeatability": 0.012,
                }
            )
        )
    return pl.concat(parts)


def _gauge_study() -> pl.DataFrame:
    share = {"gauge": 0.62, "technician": 0.12, "interaction": 0.02}
    share |= {"repeatability": 0.24, "reproducibility": 0.14, "total": 1.0}
    sd = [5.0 * value**0.5 for value in share.values()]
    return pl.DataFrame(
        {
            "source": list(share),
            "sd_pct": sd,
            "sd_n": [6.0 * value for value in sd],
            "share": list(share.values()),
        }
    )


def _gauge_recall() -> pl.DataFrame:
    return pl.DataFrame(
        {
            "gauge_id": ["G2", "G2"],
            "service_id": ["S00003", "S00009"],
            "phase": ["left", "found"],
            "tension_before_n": [500.0, 520.0],
            "tension_after_n": [465.0, 498.0],
            "verdict_before": ["in", "in"],
            "verdict_after": ["under", "in"],
        }
    )


def _life_by_group(models: list[str]) -> pl.DataFrame:
    rows = [
        {"model": model, "band": band, "b10_mi": 60_000 * (1 - 0.05 * k) * factor}
        for k, model in enumerate(["all", *models])
        for band, factor in {"all": 0.95, **BANDS}.items()
    ]
    b10 = pl.col("b10_mi")
    return pl.DataFrame(rows).with_columns(
        n=pl.lit(120),
        failures=pl.lit(31),
        shape=pl.lit(2.6),
        shape_lo=pl.lit(2.1),
        shape_hi=pl.lit(3.2),
        scale_mi=b10 * 2.4,
        b10_lo=b10 * 0.84,
        b10_hi=b10 * 1.19,
        median_mi=b10 * 2.1,
        shape_profile_lo=pl.lit(None, dtype=pl.Float64),
        shape_profile_hi=pl.lit(None, dtype=pl.Float64),
        b10_profile_lo=pl.lit(None, dtype=pl.Float64),
        b10_profile_hi=pl.lit(None, dtype=pl.Float64),
        median_lo=b10 * 1.9,
        median_hi=b10 * 2.4,
        median_profile_lo=pl.lit(None, dtype=pl.Float64),
        median_profile_hi=pl.lit(None, dtype=pl.Float64),
    )


def _life_curve(rng: np.random.Generator) -> pl.DataFrame:
    parts = []
    for band, factor in BANDS.items():
        miles = np.sort(rng.uniform(500, 110_000, 400))
        survival = np.exp(-((miles / (140_000 * factor)) ** 2.6))
        half = 0.02 + 0.1 * miles / 110_000
        parts.append(
            pl.DataFrame(
                {
                    "model": "all",
                    "band": band,
                    "miles": miles,
                    "at_risk": np.linspace(420, 3, 400).astype(int),
                    "survival": survival,
                    "survival_lo": np.clip(survival - half, 0, 1),
                    "survival_hi": np.clip(survival + half, 0, 1),
                }
            )
        )
    return pl.concat(parts)


def _life_effects() -> pl.DataFrame:
    rows = [
        {"level": band, "time_ratio": ratio, "belts": 400, "failures": 90}
        for band, ratio in BANDS.items()
    ]
    is_reference = pl.col("level") == "in_spec"
    ratio = pl.col("time_ratio")
    return pl.DataFrame(rows).with_columns(
        term=pl.lit("band"),
        ratio_lo=pl.when(~is_reference).then(ratio * 0.88),
        ratio_hi=pl.when(~is_reference).then(ratio * 1.13),
        p_value=pl.lit(2e-6),
        reason=pl.lit(None, dtype=pl.String),
    )


def _life_tests() -> pl.DataFrame:
    p = {"model": 1e-9, "band": 2e-6, "band_by_model": 0.31, "shape_by_model": 0.004}
    return pl.DataFrame({"term": list(p), "p_value": list(p.values())})


def _dose(low: float, high: float, ratio: str) -> pl.DataFrame:
    """Rise or fall by so much, on the log scale, for each width below and above."""
    x = np.round(np.arange(-0.8, 1.61, 0.05), 2)
    out = low * np.maximum(-x, 0) + high * np.maximum(x - 1, 0)
    half = 0.05 + 0.2 * np.abs(x - 0.5)
    return pl.DataFrame(
        {
            "relative": x,
            ratio: np.exp(out),
            "ratio_lo": np.exp(out - half),
            "ratio_hi": np.exp(out + half),
        }
    )


def _noise_curve(rng: np.random.Generator) -> pl.DataFrame:
    parts = []
    for band, factor in BANDS.items():
        mean = np.linspace(0, 0.3 / factor, 120)
        parts.append(
            pl.DataFrame(
                {
                    "model": "all",
                    "band": band,
                    "noise": "squeal",
                    "miles": np.sort(rng.uniform(500, 60_000, 120)),
                    "at_risk": np.linspace(420, 3, 120).round(),
                    "mean_complaints": mean,
                    "mean_lo": mean * 0.7,
                    "mean_hi": mean * 1.4,
                }
            )
        )
    return pl.concat(parts)


def _avoidable() -> pl.DataFrame:
    return pl.DataFrame(
        {
            "noise": ["squeal"],
            "complaints": [212],
            "share": [0.21],
            "share_lo": [0.11],
            "share_hi": [0.3],
            "family": ["negative_binomial"],
            "p_clustering": [0.0004],
            "reason": pl.Series([None], dtype=pl.String),
        }
    )


def _repair_rates() -> pl.DataFrame:
    parts = [
        (fault, band, base * (1 / factor if fault == "bearing" else 1.0), 1 / factor)
        for fault, base in {"bearing": 0.6, "other": 0.4}.items()
        for band, factor in BANDS.items()
    ]
    table = pl.DataFrame(
        parts, schema=["fault", "band", "per_100k_mi", "rate_ratio"], orient="row"
    )
    rate, ratio = pl.col("per_100k_mi"), pl.col("rate_ratio")
    return table.with_columns(
        model=pl.lit("all"),
        miles=pl.lit(1_234_567.0),
        repairs=(rate * 12.34).round(0).cast(pl.Int64),
        rate_lo=rate * 0.5,
        rate_hi=rate * 1.9,
        ratio_lo=ratio * 0.6,
        ratio_hi=ratio * 1.7,
        widening=pl.lit(1.0),
    )


def _noise_rates() -> pl.DataFrame:
    rows = []
    for noise, base in {
        "squeal": 9.0,
        "chirp": 5.0,
        "rumble": 2.0,
        "whine": 1.5,
    }.items():
        for band, factor in BANDS.items():
            rows.append((noise, band, base / factor**2, 1 / factor**2))
    table = pl.DataFrame(
        rows, schema=["noise", "band", "per_100k_mi", "rate_ratio"], orient="row"
    )
    rate, ratio = pl.col("per_100k_mi"), pl.col("rate_ratio")
    return table.with_columns(
        model=pl.lit("all"),
        miles=pl.lit(1_234_567.0),
        complaints=(rate * 12.34).round(0).cast(pl.Int64),
        rate_lo=rate * 0.8,
        rate_hi=rate * 1.25,
        ratio_lo=ratio * 0.75,
        ratio_hi=ratio * 1.33,
        widening=pl.lit(1.4),
    )


def _vehicle_results(rng: np.random.Generator, vehicles: pl.DataFrame) -> pl.DataFrame:
    n = vehicles.height
    ratio = rng.gamma(8, 1 / 8, n)
    return vehicles.select("vehicle_id", "model", "depot").with_columns(
        miles=pl.Series(rng.uniform(20_000, 90_000, n)),
        belts=pl.lit(3),
        failures=pl.Series(rng.poisson(0.4, n)),
        complaints=pl.Series(rng.poisson(3.0, n)),
        complaints_expected=pl.lit(3.0),
        noise_ratio=pl.Series(ratio),
        noise_lo=pl.Series(ratio * 0.6),
        noise_hi=pl.Series(ratio * 1.6),
        drift_pct_per_1000mi=pl.lit(0.6),
        last_install_band=pl.lit("in_spec"),
    )


def _technicians(rng: np.random.Generator) -> pl.DataFrame:
    n = 14
    settings = rng.integers(12, 320, n)
    bias, share = rng.normal(0, 2.5, n), rng.uniform(0.62, 0.9, n)
    half = 1.96 * np.sqrt(share * (1 - share) / settings)
    standings = ["as_expected"] * 11 + ["better", "worse", "too_few"]
    return pl.DataFrame(
        {
            "technician_id": [f"T{k:02d}" for k in range(1, n + 1)],
            "shop": "Shop Aldmoor",
            "settings": settings,
            "bias_pct": bias,
            "bias_lo": bias - 1.2,
            "bias_hi": bias + 1.2,
            "left_bias_pct": bias + rng.normal(-2, 3, n),
            "corrects_share": [None, *rng.uniform(0, 1, n - 1)],
            "spread_pct": 3.1,
            "in_spec_share": share,
            "in_spec_lo": share - half,
            "in_spec_hi": share + half,
            "in_spec_standing": standings,
            "run_in_installs": settings,
            "run_in_recheck_share": share,
            "run_in_recheck_lo": share - half,
            "run_in_recheck_hi": share + half,
            "run_in_recheck_standing": standings,
            "early_recheck_share": 0.01,
            "hold_n": settings // 2,
            "hold_share": share - 0.1,
            "hold_lo": share - 0.1 - half,
            "hold_hi": share - 0.1 + half,
            "hold_expected": 0.68,
            "standing": standings,
        }
    )


def _retensions(rng: np.random.Generator) -> pl.DataFrame:
    n = 14
    times = rng.integers(12, 120, n)
    return pl.DataFrame(
        {
            "technician_id": [f"T{k:02d}" for k in range(1, n + 1)],
            "retensions": times,
            "found_under": times // 2,
            "left_under": times // 9,
            "stayed_under": times // 10,
            "stayed_under_share": 0.2,
            "stayed_under_lo": 0.1,
            "stayed_under_hi": 0.35,
            "found_place": rng.normal(-0.1, 0.1, n),
            "left_place": rng.normal(0.5, 0.1, n),
            "seen_in_range": times * 3,
            "moved_in_range": times // 3,
            "moved_in_range_share": 0.11,
            "moved_in_range_lo": 0.07,
            "moved_in_range_hi": 0.16,
            "timed": times // 2,
            "median_minutes": [None, *rng.uniform(20, 40, n - 1)],
        }
    )


def _complaints(rng: np.random.Generator) -> pl.DataFrame:
    n = 14
    heard, ratio = rng.integers(0, 30, n), rng.uniform(0.7, 1.5, n)
    return pl.DataFrame(
        {
            "technician_id": [f"T{k:02d}" for k in range(1, n + 1)],
            "works": heard * 9,
            "miles": heard * 30_000,
            "complaints": heard,
            "expected": heard / ratio,
            "ratio": ratio,
            "ratio_lo": ratio * 0.6,
            "ratio_hi": ratio * 1.6,
            "standing": ["as_expected"] * 11 + ["more", "fewer", "too_few"],
        }
    )
