"""The settings that SQL reads, as one row of ``typed.settings``."""

import duckdb

from fleetbelt.ingest.statements import Sql, compose, joined, name
from fleetbelt.settings import Settings


def flat_settings(settings: Settings) -> dict[str, object]:
    """Return the settings that SQL reads, by column name."""
    belts, plan = settings.belts, settings.plan
    return {
        **settings.measurement.model_dump(),
        "run_in_recheck_mi": belts.run_in_recheck_mi,
        "run_in_minutes": belts.run_in_minutes,
        "records_from": belts.records_from,
        "max_miles_per_day": settings.intake.max_miles_per_day,
        "max_odometer_mi": settings.intake.max_odometer_mi,
        "min_span_mm": settings.intake.min_span_mm,
        "max_span_mm": settings.intake.max_span_mm,
        "watch_p": settings.watchlist.p_under,
        "retension_p": plan.retension_p,
        "retension_minutes": plan.retension_minutes,
        "replacement_minutes": plan.replacement_minutes,
        **{f"cost_{key}": value for key, value in plan.costs.model_dump().items()},
    }


def write_settings(connection: duckdb.DuckDBPyConnection, settings: Settings) -> None:
    """Write ``typed.settings`` (one row) and ``typed.preferred_sources`` anew."""
    values = flat_settings(settings)
    columns = (
        compose("{c} {t}", c=name(key), t=Sql("date" if "_from" in key else "double"))
        for key in values
    )
    connection.execute(
        compose(
            "create or replace table typed.settings ({columns})",
            columns=joined(", ", columns),
        )
    )
    marks = joined(", ", (Sql("?") for _ in values))
    connection.execute(
        compose("insert into typed.settings values ({marks})", marks=marks),
        list(values.values()),
    )
    connection.execute(
        "create or replace table typed.preferred_sources (rank integer, source varchar)"
    )
    for rank, source in enumerate(settings.belts.preferred_sources, start=1):
        connection.execute(
            "insert into typed.preferred_sources values (?, ?)", [rank, source]
        )
