"""An invented set of result tables, to build and test pages without a database."""

from datetime import date, timedelta

import numpy as np
import polars as pl
from scipy.special import ndtr

from fleetbelt.models.proportions import wilson
from tests.render import factory_drift, factory_fits, factory_records

LBF_N = 4.4482216152605
MODELS = {
    "Heron 6": (0.45, 120.0),
    "Heron 6 LWB": (0.6, 120.0),
    "Marten": (0.3, 100.0),
    "Plover D": (0.9, 140.0),
    "Stoat 4": (0.5, 110.0),
    "Teal": (0.75, 130.0),
}
DEPOTS = ["Aldmoor", "Brackwater", "Fenwick", "High Rook", "Ostley"]
DUTIES = ["urban", "mixed", "highway"]
REASONS = [
    "left_under", "no_recheck", "gauge_reads_high", "wrong_range",
    "found_under_not_adjusted", "losing_fast", "due",
]  # fmt: skip
AS_OF = date(2026, 6, 30)


def results(n_vehicles: int = 60, seed: int = 7) -> dict[str, pl.DataFrame]:
    """Return every table that pages read, for an invented fleet."""
    rng = np.random.default_rng(seed)
    installs = _installs(rng, n_vehicles)
    story = _story(rng, installs)
    drift = _drift_by_belt(rng, installs)
    watchlist = _watchlist(rng, installs, drift)
    vehicles = (
        installs.select("vehicle_id", "model", "depot", "duty")
        .unique("vehicle_id", maintain_order=True)
        .with_columns(n_belts=pl.lit(1, dtype=pl.Int64))
    )
    belts = _belts(rng, installs).with_columns(drive_id=pl.lit("D1"))
    return factory_fits.fits(vehicles, list(MODELS), seed) | {
        "results.run_info": run_info(),
        "results.load_files": _load_files(),
        "results.quarantine": _quarantine(),
        "results.data_notes": _notes(),
        "results.belts": belts,
        "results.install_conformity": _conformity(installs),
        "results.drift_by_model": _drift_by_model(rng),
        "results.drift_by_belt": drift,
        "results.watchlist": watchlist,
        "results.watchlist_changes": _changes(watchlist),
        "marts.file_changes": _file_changes(),
        **factory_drift.evidence(drift, story),
        **factory_records.pages(story),
        **factory_records.counts(belts, drift),
        "marts.install_tension": installs.with_columns(
            correction=pl.col("tension_n") / pl.col("raw_n")
        ).drop("miles_now", "raw_n"),
        "marts.vehicles_now": vehicles,
        "marts.quarantine_reasons": _reasons(),
        "results.superseded": _superseded(),
        "marts.refused_rows": _refused_rows(),
        "marts.note_codes": _note_codes(),
        "marts.input_losses": _losses(),
    }


def _belts(rng: np.random.Generator, installs: pl.DataFrame) -> pl.DataFrame:
    reasons = ["broken", "worn", "cracked", "noise", "other_work", None]
    reason = pl.Series(
        [reasons[k] for k in rng.integers(0, 6, installs.height)], dtype=pl.String
    )
    is_failed = pl.col("removal_reason").is_in(reasons[:4])
    miles = pl.Series(rng.uniform(5_000, 80_000, installs.height).round())
    return installs.select(
        "belt_id", "vehicle_id", "model", "band", "install_date",
        install_odometer_mi=pl.lit(20_000.0), install_tension_n="tension_n",
        removal_reason=reason, last_odometer_mi=miles,
    ).with_columns(
        life_hi_mi=pl.when(is_failed).then("last_odometer_mi"),
        end_kind=pl.when(is_failed).then(pl.lit("failed")).otherwise(
            pl.lit("censored")
        ),
    )  # fmt: skip


def run_info() -> pl.DataFrame:
    facts = {
        "as_of": AS_OF.isoformat(),
        "compared_with_as_of": "2026-05-31",
        "contract_version": "1",
        "version_fleetbelt": "0.1.0",
        "settings": '{"measurement": {"firm_p": 0.8}, "watchlist": {"p_under": 0.2}}',
        "currency": "EUR",
        "n_visits_used": "1004",
        "n_readings": "1080",
        "n_quarantined": "19",
        "first_record": "2022-07-01",
        "last_record": "2026-06-29",
        "reading_sd": "0.02",
        "reading_sd_source": "setting",
    }
    return pl.DataFrame({"key": list(facts), "value": list(facts.values())})


def _installs(rng: np.random.Generator, n_vehicles: int) -> pl.DataFrame:
    vehicle = np.repeat(np.arange(n_vehicles), 3)
    n = vehicle.size
    models = np.array(list(MODELS))[vehicle % len(MODELS)]
    depots = np.array(DEPOTS)[(vehicle // 7) % len(DEPOTS)]
    low = np.array([MODELS[m][1] for m in models]) * LBF_N
    high = low * 1.18
    bias = np.where(depots == "Fenwick", 0.88, 1.0)
    tension = rng.normal(1.05, 0.07, n) * low * bias
    u = 0.025 * tension
    day = [date(2022, 7, 1) + timedelta(days=int(d)) for d in rng.integers(0, 1400, n)]
    order = np.tile(np.arange(1, 4), n_vehicles)
    ids = [f"V-{v:03d}" for v in vehicle]
    p = ndtr((low - tension) / u)
    band = np.select(
        [tension < 0.85 * low, tension < low, tension <= high, tension <= 1.15 * high],
        ["loose", "under", "in_spec", "over"],
        "tight",
    )
    return pl.DataFrame(
        {
            "belt_id": [f"{v}/D1/{k}" for v, k in zip(ids, order, strict=True)],
            "vehicle_id": ids,
            "depot": depots,
            "model": models,
            "duty": np.array(DUTIES)[vehicle % 3],
            "shop": np.char.add("Shop ", depots),
            "gauge_id": [f"G{k}" for k in rng.integers(1, 6, n)],
            "technician_id": [f"T{k:02d}" for k in rng.integers(1, 15, n)],
            "install_date": day,
            "tension_n": tension,
            "tension_u_n": u,
            "spec_min_n": low,
            "spec_max_n": high,
            "relative": (tension - low) / (high - low),
            "p_under": p,
            "band": band,
            "basis": np.where(rng.random(n) < 0.7, "recheck", "install"),
            "service_id": [f"S{k:05d}" for k in range(n)],
            "file": ["services.csv"] * n,
            "line": np.arange(2, n + 2),
            "miles_now": rng.uniform(3000, 40000, n),
            "raw_n": tension / np.where(depots == "Fenwick", 0.9, 1.02),
        }
    )


def _conformity(installs: pl.DataFrame) -> pl.DataFrame:
    month = pl.col("install_date").dt.truncate("1mo").alias("month")
    under = pl.col("band").is_in(["loose", "under"])
    parts = []
    for by in ("all", "depot", "model"):
        value = pl.lit("all") if by == "all" else pl.col(by)
        parts.append(
            installs.group_by(value.alias("value"), month)
            .agg(
                pl.len().cast(pl.Int64).alias("n"),
                under.sum().cast(pl.Int64).alias("under"),
                pl.col("p_under").mean().alias("mean_p_under"),
            )
            .with_columns(by=pl.lit(by), share=pl.col("under") / pl.col("n"))
        )
    table = pl.concat(parts).sort("by", "value", "month")
    lo, hi = wilson(table["under"].to_numpy(), table["n"].to_numpy())
    return table.with_columns(lo=pl.Series(lo), hi=pl.Series(hi))


def _story(rng: np.random.Generator, installs: pl.DataFrame) -> pl.DataFrame:
    """Return an install, its recheck and two later visits of each belt."""
    visits = [
        ("install", "left", 0.0, 1.3, "-0"),
        ("recheck", "found", 12.0, 0.97, ""),
        ("recheck", "left", 12.0, 1.0, ""),
        ("inspect", None, 2500.0, None, "-3"),
        ("retension", "found", 9000.0, 0.93, "-4"),
        ("retension", "left", 9000.0, 1.04, "-4"),
        ("inspect", "found", 17000.0, 0.96, "-6"),
    ]
    parts = []
    for place, (action, phase, miles, factor, suffix) in enumerate(visits):
        tension = None if factor is None else pl.col("tension_n") * factor
        raw = None if factor is None else pl.col("raw_n") * factor / LBF_N
        new = 1.35 if place == 0 else 1.0
        parts.append(
            installs.select(
                "belt_id",
                pl.col("install_date")
                .dt.offset_by(f"{int(miles / 40)}d")
                .alias("date"),
                (pl.lit(40000.0) + miles).alias("odometer_mi"),
                pl.lit(miles).alias("miles"),
                pl.lit(action).alias("action"),
                pl.lit(phase, dtype=pl.String).alias("phase"),
                pl.lit(raw, dtype=pl.Float64).round(0).alias("reading")
                if raw is None
                else raw.round(0).alias("reading"),
                pl.lit("lbf" if factor else None, dtype=pl.String).alias("unit"),
                "gauge_id",
                pl.lit(178.0).alias("span_mm"),
                (pl.col("tension_n") / pl.col("raw_n")).alias("correction"),
                pl.lit("calibrated").alias("correction_source"),
                pl.lit(None, dtype=pl.Float64).alias("tension_n")
                if tension is None
                else tension.alias("tension_n"),
                pl.lit(None, dtype=pl.Float64).alias("tension_u_n")
                if tension is None
                else (tension * 0.025).alias("tension_u_n"),
                (pl.col("spec_min_n") * new).alias("spec_min_n"),
                (pl.col("spec_max_n") * new).alias("spec_max_n"),
                pl.lit("120 to 142 lbf, handbook p. 41").alias("as_published"),
                pl.lit("in" if factor else None, dtype=pl.String).alias("verdict"),
                pl.lit(0.1 if factor else None, dtype=pl.Float64).alias("p_under"),
                "technician_id",
                "shop",
                (pl.col("service_id") + suffix)
                .alias("service_id"),
                "file",
                (pl.col("line") + 1000 * place).alias("line"),
            )
        )  # fmt: skip
    del rng
    return pl.concat(parts).sort("belt_id", "miles", maintain_order=True)


def _drift_by_belt(rng: np.random.Generator, installs: pl.DataFrame) -> pl.DataFrame:
    last = installs.group_by("vehicle_id", maintain_order=True).last()
    n = last.height
    tension = last["tension_n"].to_numpy() * rng.uniform(0.88, 1.02, n)
    now = 40000 + 17000 + rng.uniform(500, 9000, n)
    p = ndtr((last["spec_min_n"].to_numpy() - tension) / (0.04 * tension))
    due = np.where(p > 0.2, now, now + rng.uniform(1000, 30000, n))
    return pl.DataFrame(
        {
            "belt_id": last["belt_id"],
            "vehicle_id": last["vehicle_id"],
            "odometer_now_mi": now,
            "tension_now_n": tension,
            "tension_now_lo_n": tension * 0.92,
            "tension_now_hi_n": tension * 1.085,
            "p_under_now": p,
            "drift_pct_per_1000mi": rng.normal(0.6, 0.15, n),
            "retension_due_mi": due,
            "retension_due_date": [
                AS_OF + timedelta(days=int(d)) for d in (due - now) / 40
            ],
            "p_failure_90d": rng.uniform(0, 0.1, n),
        }
    )


def _watchlist(
    rng: np.random.Generator, installs: pl.DataFrame, drift: pl.DataFrame
) -> pl.DataFrame:
    depot = installs.select("vehicle_id", "depot").unique("vehicle_id")
    table = (
        drift.filter(pl.col("p_under_now") >= 0.2)
        .sort("p_under_now", "belt_id", descending=[True, False])
        .join(depot, on="vehicle_id", how="left", maintain_order="left")
    )
    reasons = [REASONS[k] for k in rng.integers(0, len(REASONS), table.height)]
    service = installs.select("belt_id", last_service_id=pl.col("service_id") + "-6")
    return table.join(service, on="belt_id", maintain_order="left").select(
        pl.int_range(1, table.height + 1).alias("rank"),
        "belt_id",
        "vehicle_id",
        "depot",
        pl.Series("reason", reasons, dtype=pl.String),
        "p_under_now",
        (pl.col("p_under_now") * 1200).alias("under_mi"),
        "last_service_id",
        pl.lit("Left 4 % below the minimum at its recheck, after correction.").alias(
            "detail"
        ),
    )


def _changes(watchlist: pl.DataFrame) -> pl.DataFrame:
    """Say that every third belt is new and that one is gone."""
    columns = ["belt_id", "vehicle_id", "depot", "change", "because", "reason",
               "p_under_before", "p_under_now", "last_service_id"]  # fmt: skip
    nothing = pl.lit(None, dtype=pl.Float64)
    listed = watchlist.with_columns(because=pl.lit("read_again"))
    new = listed.gather_every(3).with_columns(
        change=pl.lit("new"), p_under_before=nothing
    )
    gone = listed.head(1).with_columns(
        belt_id=pl.lit("V-000/D1/0"),
        change=pl.lit("gone"),
        because=pl.lit("belt_off"),
        p_under_before="p_under_now",
        p_under_now=nothing,
    )
    return pl.concat([new.select(columns), gone.select(columns)])


def _file_changes() -> pl.DataFrame:
    return pl.DataFrame(
        {
            "file": ["services.csv"],
            "sha256": ["0" * 64],
            "table_name": ["services"],
            "change": ["new"],
        }
    )


def _drift_by_model(rng: np.random.Generator) -> pl.DataFrame:
    names = [*MODELS, "all"]
    drift = np.array([MODELS[m][0] if m in MODELS else 0.58 for m in names])
    half = np.append(rng.uniform(0.05, 0.2, len(MODELS)), 0.03)
    loss = rng.normal(12, 2, len(names))
    return pl.DataFrame(
        {
            "model": names,
            "n_belts": [30] * len(MODELS) + [180],
            "n_intervals": [80] * len(MODELS) + [480],
            "run_in_loss_pct": loss,
            "run_in_loss_lo": loss - 1.2,
            "run_in_loss_hi": loss + 1.2,
            "drift_pct_per_1000mi": drift,
            "drift_lo": drift - half,
            "drift_hi": drift + half,
            "drift_n_per_1000mi": drift * 5.5,
            "between_belt_sd_pct": 0.2,
            "residual_sd_pct": 2.1,
            "is_shrunk": [name == "Teal" for name in names],
            "between_belt_lo": pl.Series([None] * len(MODELS) + [0.15]),
            "between_belt_hi": pl.Series([None] * len(MODELS) + [0.26]),
        }
    )


def _load_files() -> pl.DataFrame:
    rows = [
        ("vehicles.csv", "vehicles", 60, 60, 0, 0, 0),
        ("services.csv", "services", 1031, 1004, 19, 8, 2),
        ("specs.csv", "specs", 12, 12, 0, 0, 0),
    ]
    names = ["file", "table_name", "rows_read", "rows_loaded", "rows_quarantined",
             "rows_duplicate", "rows_superseded"]  # fmt: skip
    return pl.DataFrame(rows, schema=names, orient="row").with_columns(
        sha256=pl.lit("0" * 64), unknown_columns=pl.lit(None, pl.String)
    )


def _quarantine() -> pl.DataFrame:
    return pl.DataFrame(
        {
            "file": ["services.csv"],
            "line": [17],
            "table_name": ["services"],
            "column_name": ["odometer_mi"],
            "reason": ["odometer_backwards"],
            "raw": ["S00016,2024-02-30,V-001,12"],
            "sha256": ["0" * 64],
        }
    )


def _reasons() -> pl.DataFrame:
    return pl.DataFrame(
        {
            "file": ["services.csv", "services.csv"],
            "sha256": ["0" * 64, "0" * 64],
            "table_name": ["services", "services"],
            "reason": ["odometer_backwards", "unknown_vehicle"],
            "n": [12, 7],
            "sentence": ["The odometer is the odd one out.", "No such vehicle."],
            "mend": ["Correct the odometer.", "Add the vehicle."],
            "setting": [None, "[file.words]"],
        }
    )


def _refused_rows() -> pl.DataFrame:
    return _quarantine().with_columns(
        n_reasons=pl.lit(1, pl.Int64), n_alike=pl.lit(12, pl.Int64)
    )


def _superseded() -> pl.DataFrame:
    return pl.DataFrame(
        {
            "table_name": ["services"],
            "key": ["S00007"],
            "file": ["services.csv"],
            "line": [8],
            "by_file": ["services_june.csv"],
            "raw": ["S00007,2024-02-01,V-001,12000"],
            "sha256": ["0" * 64],
            "by_sha256": ["1" * 64],
        }
    )


def _losses() -> pl.DataFrame:
    return pl.DataFrame(
        {
            "input": ["drift", "life", "noise"],
            "cause": ["no_tension", "unknown_age", "refused"],
            "n_lost": [20, 300, 0],
            "n_input": [1000, 1200, 90],
            "share": [0.02, 0.25, 0.0],
        }
    )


def _notes() -> pl.DataFrame:
    return pl.DataFrame(
        {
            "table_name": ["services"],
            "key": ["S00020-6"],
            "code": ["recheck_too_early"],
            "detail": ["3 minutes"],
            "file": ["services.csv"],
            "line": [21],
        }
    )


def _note_codes() -> pl.DataFrame:
    return pl.DataFrame(
        {
            "table_name": ["services", "specs"],
            "code": ["recheck_too_early", "ranges_disagree"],
            "n": [31, 2],
            "sentence": ["Too early.", "Ranges are apart."],
            "mend": ["Run the engine first.", "Name the source to prefer."],
            "setting": ["belts.run_in_minutes", None],
            "example_key": ["S00020", "D1, used"],
            "example_detail": ["3 minutes", "95 against 100 lbf"],
            "file": ["services.csv", "specs.csv"],
            "line": [21, 3],
        }
    )


HOSTILE = (
    "</script><script>window.ran = 1</script>",
    '<img src=x onerror="window.ran = 1">',
    "\"'><svg onload=window.ran=1>",
    "line\u2028and\u2029separators",
    "\u202eright to left\u2066mark",
    "=HYPERLINK('x')",
    "@SUM(A1)",
    "$#",
    "${tension}{0}{name}",
    "<b>bold</b><a href='javascript:window.ran=1'>x</a>",
    "long " + "x" * 10_000,
)


def hostile(tables: dict[str, pl.DataFrame]) -> dict[str, pl.DataFrame]:
    """Return the tables with every free text replaced by a text that attacks.

    Equal texts stay equal, so keys still join; code words stay code words.
    """
    codes = {"phase", "action", "band", "reason", "verdict", "code", "by", "key",
             "correction_source", "basis", "unit", "noise", "policy", "job", "standing",
             "source", "verdict_before", "verdict_after", "advice",
             "weekly_minutes_from", "change", "because", "term", "level", "fault",
             "family", "removal_reason", "end_kind"}  # fmt: skip

    def attacked(name: str, frame: pl.DataFrame) -> pl.DataFrame:
        if name == "results.run_info":
            return frame
        texts = [
            c for c, t in frame.schema.items() if t == pl.String and c not in codes
        ]
        return frame.with_columns(
            pl.col(c).map_elements(_attack, return_dtype=pl.String) for c in texts
        )

    return {name: attacked(name, frame) for name, frame in tables.items()}


def _attack(text: str) -> str:
    if text == "all":
        return text
    return f"{HOSTILE[sum(map(ord, text)) % len(HOSTILE)]} {text}"
