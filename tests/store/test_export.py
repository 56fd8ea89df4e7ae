"""Result tables as files: the same rows, and no cell that a spreadsheet runs."""

from pathlib import Path

import duckdb
import polars as pl
import pytest

from fleetbelt.store.export import write_tables


@pytest.mark.parametrize(
    "text",
    ["=1+1", "+1", "-1", "@a", "\t=1", " =1", "\u00a0=1", "\u200b=1", "＝1"],
)
def test_a_text_that_looks_like_a_formula_is_made_harmless(tmp_path: Path, text: str):
    with duckdb.connect() as connection:
        connection.execute("create schema results")
        connection.execute("create table results.run_info (key varchar, value varchar)")
        connection.execute("insert into results.run_info values ('a', ?)", [text])

        write_tables(connection, tmp_path)

    safe = pl.read_csv(tmp_path / "run_info.csv")["value"].item()
    assert safe == f"'{text}"
    assert pl.read_parquet(tmp_path / "run_info.parquet")["value"].item() == text


def test_numbers_and_plain_text_stay_as_they_are(tmp_path: Path):
    with duckdb.connect() as connection:
        connection.execute("create schema results")
        connection.execute(
            "create table results.gauge_curves as "
            "select 'G-01' as gauge_id, -5.5e0 as span_mm, null as note, "
            "'7-1' as shop, timestamp '2024-05-06 07:08:09' as moment"
        )

        write_tables(connection, tmp_path)

    row = pl.read_csv(tmp_path / "gauge_curves.csv").row(0)
    assert row == ("G-01", -5.5, None, "7-1", "2024-05-06 07:08:09")
