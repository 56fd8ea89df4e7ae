"""Technicians and gauges: what is the hand, what the gauge, and whose settings hold."""

from collections.abc import Iterator
from datetime import date
from typing import Final

import polars as pl

from fleetbelt.models.conformity import conformity, verdict
from fleetbelt.models.drift_by_model import pct_per_1000mi
from fleetbelt.models.gauges import corrections, fit_gauges
from fleetbelt.models.holds import holds
from fleetbelt.models.proportions import wilson
from fleetbelt.models.technician_standing import levelled, standings
from fleetbelt.models.technicians import TECHNICIANS, fit_technicians
from fleetbelt.settings import Settings
from fleetbelt.steps.tables import Tables, to_contract
from fleetbelt.store.frames import Read


def people(read: Read, settings: Settings) -> Tables:
    """Tell the hand from the gauge, hold settings to expectation, list the recalled."""
    as_of = pl.lit(read("history.as_of")["as_of"].item(), dtype=pl.Date)
    known = read("staging.calibrations").filter(pl.col("date") <= as_of)
    return {
        "results.technician_results": _technicians(read),
        "results.gauge_recall": _recall(read, settings, known),
    }


def _technicians(read: Read) -> pl.DataFrame:
    counts = read("(from marts.technician_counts order by technician_id)")
    table = (
        counts.join(_habits(read), on="technician_id", how="left")
        .join(_holds(read), on="technician_id", how="left")
        .with_columns(
            pl.col("hold_n").fill_null(0), pl.col("standing").fill_null("too_few")
        )
    )
    return to_contract(
        "technician_results",
        table.with_columns(
            *_compared(table, "in_range", "with_range", name="in_spec"),
            *_compared(table, "rechecked", "installs", name="run_in_recheck"),
            run_in_installs=pl.col("installs"),
            early_recheck_share=_share("rechecked_early", "installs"),
        ).sort("technician_id"),
    )


def _compared(
    table: pl.DataFrame, part: str, whole: str, *, name: str
) -> list[pl.Expr]:
    """Return a share, its interval, and its standing against all together."""
    k, n = table[part].to_numpy(), table[whole].to_numpy()
    lo, hi = wilson(k, n)
    overall = k.sum() / max(n.sum(), 1)
    words = standings(k, n, overall * n, overall * (1 - overall) * n).standing
    is_known = pl.col(whole) > 0
    return [
        _share(part, whole).alias(f"{name}_share"),
        pl.when(is_known).then(pl.lit(pl.Series(lo))).alias(f"{name}_lo"),
        pl.when(is_known).then(pl.lit(pl.Series(hi))).alias(f"{name}_hi"),
        pl.lit(pl.Series(words.astype(object), dtype=pl.String)).alias(
            f"{name}_standing"
        ),
    ]


def _share(part: str, whole: str) -> pl.Expr:
    return pl.when(pl.col(whole) > 0).then(pl.col(part) / pl.col(whole))


def _habits(read: Read) -> pl.DataFrame:
    """Each technician's habit, what was left, and spread, gauge and model allowed."""
    cells = read(
        "(from marts.technician_cells order by technician_id, gs_no, model_no)"
    )
    names = cells.select("technician_id", "technician_no").unique()
    if cells.is_empty():
        return names.join(
            pl.DataFrame(schema=TECHNICIANS), on="technician_no", how="left"
        ).drop("technician_no", "settings")
    fit = fit_technicians(
        cells.drop("technician_id"),
        reading_sd=read("fitted.reading_sd")["reading_sd"].item(),
    )
    return names.join(fit.technicians, on="technician_no").drop(
        "technician_no", "settings"
    )


def _holds(read: Read) -> pl.DataFrame:
    """Share of each technician's settings found in range again, and the expected."""
    pairs = read("(select * exclude (service_id) from marts.holds)")
    by = holds(
        _with_drift(
            pairs, read("results.drift_by_model"), read("results.drift_clocks")
        ),
        reading_sd=read("fitted.reading_sd")["reading_sd"].item(),
    )
    held, n, expected, variance = (
        by[name].to_numpy() for name in ("held", "hold_n", "expected", "variance")
    )
    expected, variance = levelled(held, n, expected, variance)
    lo, hi = wilson(held, n)
    words = standings(
        held, n, expected, variance, doubt=by["doubt"].to_numpy()
    ).standing
    return by.select(
        "technician_id",
        "hold_n",
        hold_share=pl.col("held") / pl.col("hold_n"),
        hold_lo=pl.Series(lo),
        hold_hi=pl.Series(hi),
        hold_expected=pl.Series(expected) / pl.col("hold_n"),
        standing=pl.Series(words.astype(object), dtype=pl.String),
    )


def _with_drift(
    pairs: pl.DataFrame, by_model: pl.DataFrame, clocks: pl.DataFrame
) -> pl.DataFrame:
    """Add each model's drift and its spread between belts, else the fleet's, else 0.

    Where drift goes with the log of miles, ``miles`` becomes a thousand times that
    clock's time, and the rates are those of its unit.

    The expectations are levelled to the fleet in any case, so that technicians are
    compared with each other.
    """
    rates = {"drift_pct_per_1000mi": "drift", "between_belt_sd_pct": "belt_sd"}
    is_log = clocks.filter("is_chosen")["clock"].to_list() == ["log_miles"]
    per_unit = pct_per_1000mi("log_miles" if is_log else "miles")
    if is_log:
        pairs = pairs.with_columns(miles=1e3 * (pl.col("miles") / 1e3).log1p())
    together = by_model.filter(model="all").select(
        pl.col(rate).alias(f"{name}_all") for rate, name in rates.items()
    )
    known = (
        pairs.select(pl.col("model").unique())
        .join(by_model, on="model", how="left")
        .join(together, how="cross")
        .select(
            "model",
            *(
                (pl.coalesce(rate, f"{name}_all", pl.lit(0.0)) / per_unit).alias(name)
                for rate, name in rates.items()
            ),
        )
    )
    return pairs.join(known, on="model", how="left")


def _recall(read: Read, settings: Settings, known: pl.DataFrame) -> pl.DataFrame:
    """Every reading between the last good calibration and the one that shows it off."""
    found_off = read("fitted.gauges_off")
    parts = list(_recalled(read, settings, known, found_off))
    if not parts:
        return to_contract("gauge_recall", pl.DataFrame(schema=_RECALL))
    return to_contract(
        "gauge_recall", pl.concat(parts).sort("gauge_id", "service_id", "phase")
    )


_RECALL: Final = {
    "gauge_id": pl.String(),
    "service_id": pl.String(),
    "phase": pl.String(),
    "tension_before_n": pl.Float64(),
    "tension_after_n": pl.Float64(),
    "verdict_before": pl.String(),
    "verdict_after": pl.String(),
}


def _recalled(
    read: Read, settings: Settings, known: pl.DataFrame, found_off: pl.DataFrame
) -> Iterator[pl.DataFrame]:
    """By gauge found off: read by the good calibrations, then by the one after."""
    if found_off.is_empty():
        return
    rules = settings.measurement
    reading_sd = read("fitted.reading_sd")["reading_sd"].item()
    taken = read(_TAKEN)
    periods = found_off.sort("gauge_id", "found_off_date").with_columns(
        since=pl.col("found_off_date").shift().over("gauge_id").fill_null(_EVER)
    )
    for gauge_id, since, last_good, off, log_change in periods.select(
        "gauge_id", "since", "last_good_date", "found_off_date", "log_change"
    ).iter_rows():
        is_gauge = pl.col("gauge_id") == gauge_id
        good = known.filter(is_gauge, pl.col("date").is_between(since, last_good))
        doubtful = pl.col("date").is_between(last_good, off, closed="right")
        corrected = corrections(
            fit_gauges(good, default_repeatability=rules.default_repeatability),
            taken.filter(is_gauge, doubtful),
            uncalibrated_u=rules.uncalibrated_u,
        )
        before = (corrected["shown_n"] * corrected["correction"]).log()
        after = before - log_change
        yield corrected.select(
            "gauge_id",
            "service_id",
            "phase",
            tension_before_n=before.exp(),
            tension_after_n=after.exp(),
            verdict_before=_verdict(corrected, before, reading_sd, settings),
            verdict_after=_verdict(corrected, after, reading_sd, settings),
        )


_EVER: Final = date(1, 1, 1)
_TAKEN: Final = """(
    select r.service_id, r.phase, v.date, r.shop, r.gauge_id, r.span_mm, r.shown_n,
        r.n_averaged, r.spec_min_n, r.spec_max_n
    from history.readings as r
    inner join history.visits as v using (service_id)
    where r.shown_n is not null and r.unit <> 'Hz' and r.gauge_id is not null
    order by r.service_id, r.phase
)"""


def _verdict(
    corrected: pl.DataFrame, log_n: pl.Series, r: float, settings: Settings
) -> pl.Series:
    rules = settings.measurement
    u = (r**2 / corrected["n_averaged"] + corrected["u_corr"] ** 2).sqrt()
    low, high = (
        corrected[name].log().fill_null(float("nan")).to_numpy()
        for name in ("spec_min_n", "spec_max_n")
    )
    held = conformity(log_n.to_numpy(), u.to_numpy(), low, high)
    words = verdict(
        held.p_under,
        held.p_over,
        is_firm_allowed=(corrected["correction_source"] != "beyond_spans").to_numpy(),
        firm=rules.firm_p,
        doubtful=rules.doubtful_p,
    )
    return pl.Series(words.astype(object), dtype=pl.String)
