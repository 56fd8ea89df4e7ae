"""What pages show of the records, from an invented story of every belt."""

import polars as pl


def pages(story: pl.DataFrame) -> dict[str, pl.DataFrame]:
    """Return the tables of schema ``pages``."""
    in_order = story.sort("belt_id", "date", "odometer_mi", "service_id")
    read = story.filter(pl.col("tension_n").is_not_null())
    return {
        "pages.belt_story": story,
        "pages.job_records": in_order.group_by("belt_id", maintain_order=True).agg(
            pl.col("file", "line").last()
        ),
        "pages.watched_records": read.sort("service_id", "phase")
        .unique("service_id", keep="last", maintain_order=True)
        .select("service_id", "date", "tension_n", "tension_u_n", "file", "line"),
        "pages.retension_places": _places(read),
    }


def counts(belts: pl.DataFrame, drift: pl.DataFrame) -> dict[str, pl.DataFrame]:
    """Return the counts of schema ``pages``."""
    n = pl.len().cast(pl.Int64).alias("n")
    return {
        "pages.belt_ends": belts.group_by(
            "drive_id", "model", "end_kind", "removal_reason"
        ).agg(n),
        "pages.due_days": drift.group_by(due_date="retension_due_date").agg(
            n, n_untold=pl.col("p_under_now").null_count().cast(pl.Int64)
        ),
    }


def _places(read: pl.DataFrame) -> pl.DataFrame:
    wide = pl.col("spec_max_n") - pl.col("spec_min_n")
    step = ((pl.col("tension_n") - pl.col("spec_min_n")) / wide / 0.25).floor()
    return (
        read.filter(action="retension")
        .group_by("phase", step.cast(pl.Int64).alias("step"))
        .agg(
            width=pl.lit(0.25),
            n=pl.len().cast(pl.Int64),
            n_under=(pl.col("tension_n") < pl.col("spec_min_n")).sum().cast(pl.Int64),
        )
    )
