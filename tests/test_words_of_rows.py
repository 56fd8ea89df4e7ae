"""What is said of a row of the sample agrees with the row, and leads to its line."""

import polars as pl

import fleetbelt
from fleetbelt.intake import Outcome
from fleetbelt.resources import bundled


def test_how_far_a_gauge_reads_high_is_its_correction_rounded(sample: Outcome):
    results = fleetbelt.open(sample.database)
    corrections = results["tension_readings"].select(
        "service_id", "correction", over=100 * (1 / pl.col("correction") - 1)
    )
    said = (
        results["watchlist"]
        .with_columns(
            said=pl.col("detail").str.extract(r"reads (\d+) % high").cast(pl.Float64)
        )
        .drop_nulls("said")
        .join(corrections, left_on="last_service_id", right_on="service_id")
    )

    assert said.height > 5
    assert (said["said"] - said["over"]).abs().max() <= 0.5 + 1e-9  # type: ignore[operator]


def test_a_note_names_the_file_and_the_line_of_its_row(sample: Outcome):
    notes = fleetbelt.open(sample.database)["data_notes"]
    lines = (bundled("sample_data") / "services.csv").read_text("utf-8").splitlines()
    of_services = notes.filter(table_name="services")

    assert notes["line"].null_count() == notes["file"].null_count() == 0
    assert set(of_services["file"]) == {"services.csv"}
    for key, line in of_services.select("key", "line").iter_rows():
        assert lines[line - 1].startswith(f"{key},")
